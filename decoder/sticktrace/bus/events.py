"""What happens to devices, as kinds and facts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sticktrace.bus.device import Device


class Happening(StrEnum):
    """The kinds of bus events. A RESET stands at the time at which the host asked for it."""

    ATTACHED = "attached"
    DETACHED = "detached"
    RESET = "reset"
    ADDRESS = "address"
    CONFIGURED = "configured"
    INTERFACE = "interface"
    CLEAR_HALT = "clear halt"
    CLASS_RESET = "class reset"
    MAX_LUN = "max lun"
    OVER_CURRENT = "over-current"
    DEVICE_ERROR = "device error"


@dataclass(slots=True, eq=False)
class BusEvent:
    """Something that happened to ``device``.

    ``address`` is the device's address at that time (0 if it has none), ``endpoint`` is given with CLEAR_HALT (else
    -1), ``done`` tells whether the request behind the event succeeded. ``text`` is for the story of the device. Times
    are nanoseconds since the first record.
    """

    kind: Happening
    time_ns: int
    bus: int
    address: int
    device: Device
    text: str
    records: tuple[int, ...]
    endpoint: int = -1
    done: bool = True
