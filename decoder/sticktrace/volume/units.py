"""Whose medium it is: the logical unit that an exchange went to.

The volume room takes any object for a unit that its caller tells from all others; `Places` is the plain way to make
such objects: by bus, address and LUN, and by the device that had the address at the time, so that two sticks one after
the other at the same address keep their media apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from sticktrace.bus.device import Device
    from sticktrace.bus.devices import Bus
    from sticktrace.transport.exchange import Exchange

_NOTICE_NS = 1_000_000_000
"""How long a host may go on sending to a device that is gone before it takes note (common practice)."""
_ORDINALS = ("", "", "second", "third", "fourth", "fifth")


class Unit(Protocol):
    """A logical unit, as the caller tells units apart: a hashable object that says what to call it."""

    @property
    def title(self) -> str:
        """What to call it: ``device 1.2, LUN 0``."""

    def __hash__(self) -> int: ...


@dataclass(slots=True, eq=False)
class Place:
    """A logical unit by where it was. ``device`` is None where no control request to it was seen; ``turn`` counts the
    devices that had this address, from 1."""

    bus: int
    address: int
    lun: int
    device: Device | None = None
    turn: int = 1

    @property
    def title(self) -> str:
        """``device 1.2, LUN 0``, and which device at this address it was where there were several."""
        later = f", the {_ordinal(self.turn)} at this address" if self.turn > 1 else ""
        return f"device {self.bus}.{self.address}{later}, LUN {self.lun}"


def _ordinal(turn: int) -> str:
    return _ORDINALS[turn] if turn < len(_ORDINALS) else f"{turn}th"


class Places:
    """Called with each exchange in time order, it gives the unit. Without a ``bus`` the address alone decides."""

    def __init__(self, bus: Bus | None = None) -> None:
        self._bus = bus
        self._now: dict[tuple[int, int, int], Place] = {}

    def __call__(self, exchange: Exchange) -> Place:
        """The unit that an exchange went to."""
        where = exchange.bus, exchange.address, exchange.lun
        place = self._now.get(where)
        if place is not None and (self._bus is None or _still(place.device, exchange)):
            return place
        device = _holder(self._bus, exchange) if self._bus is not None else None
        if place is None or not _same(place.device, device):
            place = self._now[where] = Place(*where, device, place.turn + 1 if place is not None else 1)
        elif place.device is None:
            place.device = device
        return place


def _still(device: Device | None, exchange: Exchange) -> bool:
    """Whether the device that had the address is still there for certain."""
    return device is not None and device.present and device.address == exchange.address


def _same(before: Device | None, now: Device | None) -> bool:
    """Whether the device now known at an address is the one from before. One whose first requests came after its first
    commands was there all the time, unless it was seen to arrive."""
    if before is None and now is not None:
        return now.attached_ns < 0 and not now.resets and not now.spoken
    return now is before or now is None


def _holder(bus: Bus, exchange: Exchange) -> Device | None:
    """The device that had the address when the exchange began; None where no control request of it was seen. The bus
    room may be ahead of the exchanges, so the times of a device decide."""
    had = [d for d in bus.devices if d.bus == exchange.bus and _had(d, exchange.address)]
    there = [d for d in had if d.first_ns <= exchange.end_ns and _gone_ns(d, exchange) >= exchange.time_ns]
    late = [d for d in had if 0 <= exchange.time_ns - _gone_ns(d, exchange) < _NOTICE_NS]
    found = there or late
    return found[-1] if found else None


def _had(device: Device, address: int) -> bool:
    """Whether the device ever had that address; before SET_ADDRESS it is 0 (USB 2.0 9.1.1.3)."""
    return address in device.addresses or (address == 0 and not device.addresses and device.spoken)


def _gone_ns(device: Device, exchange: Exchange) -> int:
    """When the device was gone; the time of the exchange if it was not."""
    ends = [end for end in (device.detached_ns, device.replaced_ns) if end >= 0]
    return min(ends, default=exchange.time_ns)
