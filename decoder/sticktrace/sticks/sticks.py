"""Whose traffic is whose: items of a reading sorted by the storage device that they concern, plug by plug.

Timing, comparison and board fit all ask the same of a capture: which exchanges and requests belong to one device, and
what that device said of itself. A `Stick` holds that for one device from plug to unplug.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.codes import msc
from sticktrace.session import Reading
from sticktrace.storage.commands import find, name
from sticktrace.storage.words import Capacity, Inquiry
from sticktrace.transport.exchange import PASSED, Exchange

_INQUIRY, _CAPACITY_10, _CAPACITY_16, _SERVICE_ACTION = 0x12, 0x25, 0x9E, 0x10
_TELLING = frozenset((_INQUIRY, _CAPACITY_10, _CAPACITY_16))
_ANSWER = 96
"""Bytes of an answer that are looked at: standard INQUIRY data of any version."""


@lru_cache(maxsize=4096)
def kind_of(head: bytes) -> tuple[str, str]:
    """Name of a command by the first two bytes of its command block, and "read" or "write" where it moves the medium's
    own blocks, else "". Quick enough for every exchange of a capture."""
    command = find(head)
    return name(head), command.medium if command is not None else ""


@dataclass(slots=True)
class Unit:
    """What a logical unit said of itself; None where the capture does not show it."""

    lun: int
    inquiry: Inquiry | None = None
    capacity: Capacity | None = None
    exchanges: int = 0


@dataclass(slots=True, eq=False)
class Stick:
    """One device from plug to unplug. ``device`` is None where no control request to it was seen. ``first_ns`` is the
    time of its first item."""

    bus: int
    address: int
    device: Device | None
    exchanges: int = 0
    first_ns: int = -1
    transports: set[str] = field(default_factory=set)
    units: dict[int, Unit] = field(default_factory=dict)

    @property
    def place(self) -> str:
        """Bus and address as people write them: ``1.2``."""
        address = (self.device.address if self.device else 0) or self.address
        return f"{self.bus}.{address}"

    @property
    def ids(self) -> str:
        """VID:PID, "" if not read."""
        return self.device.vid_pid if self.device else ""

    @property
    def name(self) -> str:
        """INQUIRY vendor and product, else what its descriptors say, else where it is."""
        for unit in self.units.values():
            if unit.inquiry and (unit.inquiry.vendor or unit.inquiry.product):
                return f"{unit.inquiry.vendor} {unit.inquiry.product}".strip()
        return self.device.title if self.device and self.ids else f"device at {self.place}"

    @property
    def title(self) -> str:
        """Its name, and where it is."""
        return self.name if self.place in self.name else f"{self.name} at {self.place}"

    @property
    def speed(self) -> str:
        """"low", "full", "high", "super", or "" where nothing tells."""
        return self.device.speed_and_source()[0] if self.device else ""

    @property
    def bulk_packet(self) -> int:
        """wMaxPacketSize of its bulk endpoints, 0 if no descriptor told."""
        roles = self.device.roles().values() if self.device else ()
        return max((role.max_packet for role in roles if role.kind == "bulk" and role.active), default=0)

    @property
    def is_storage(self) -> bool:
        """Whether it took storage commands or has an interface of the mass storage class."""
        if self.exchanges or self.device is None or self.device.is_hub:
            return bool(self.exchanges)
        return any(i.class_code == msc.CLASS for c in self.device.configurations.values() for i in c.interfaces)

    @property
    def never_told(self) -> bool:
        """Whether it never came far enough to say what it is: a stick that fails before its descriptors, perhaps."""
        device = self.device
        if self.exchanges or device is None or device.is_hub or device.as_hub is not None:
            return False
        return not any(configuration.interfaces for configuration in device.configurations.values())

    def unit(self, lun: int) -> Unit:
        """The logical unit of that number, made at first mention."""
        found = self.units.get(lun)
        if found is None:
            found = self.units[lun] = Unit(lun)
        return found


class Sticks:
    """Show it every item of a reading in order; it answers whose the item is, and learns from it."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._bus = reading.bus
        self.all: list[Stick] = []
        self._of: dict[int, Stick] = {}
        self._at: dict[tuple[int, int], Stick] = {}
        self._zero: dict[int, Stick] = {}
        self._last: tuple[tuple[int, ...], Stick] | None = None

    def of(self, item: Any) -> Stick | None:
        """The stick that an item concerns; None for items of no device."""
        if item.__class__ is Exchange:
            stick = self._at.get((item.bus, item.address)) or self._found(item.bus, item.address)
            stick.exchanges += 1
            if item.opcode in _TELLING or item.lun not in stick.units:
                self._learn(stick, item)
            stick.units[item.lun].exchanges += 1
        elif isinstance(item, Request):
            stick = self._asked(item)
        elif isinstance(item, BusEvent):
            stick = self._event(item)
        else:
            return None
        if stick.first_ns < 0:
            stick.first_ns = item.time_ns
        return stick

    def storage(self) -> list[Stick]:
        """The storage devices among them, in order of appearance."""
        return [stick for stick in self.all if stick.is_storage]

    def storage_or_unknown(self) -> list[Stick]:
        """The storage devices; without any, the devices that never said what they are."""
        return self.storage() or [stick for stick in self.all if stick.never_told]

    def plugs(self, stick: Stick) -> list[Stick]:
        """The same device through every plugging in that the capture shows, up to and with ``stick``."""
        chain = [stick]
        device = stick.device.earlier if stick.device else None
        while device is not None and len(chain) <= len(self.all):
            earlier = self._of.get(id(device))
            if earlier is not None:
                chain.append(earlier)
            device = device.earlier
        return chain[::-1]

    def _learn(self, stick: Stick, item: Exchange) -> None:
        stick.transports.add(item.transport)
        unit = stick.unit(item.lun)
        if item.status != PASSED or not item.pieces or item.direction != "in":
            return
        piece = item.pieces[0]
        data = self._reading.read(piece._replace(captured=min(piece.captured, _ANSWER)))
        if item.opcode == _INQUIRY and len(item.cdb) > 1 and not item.cdb[1] & 1:
            unit.inquiry = Inquiry.from_data(data) or unit.inquiry
        elif item.opcode == _CAPACITY_10:
            found = Capacity.from_data(data, long=False)
            unit.capacity = found if found and not (found.beyond and unit.capacity) else unit.capacity
        elif item.opcode == _CAPACITY_16 and len(item.cdb) > 1 and item.cdb[1] & 0x1F == _SERVICE_ACTION:
            unit.capacity = Capacity.from_data(data, long=True) or unit.capacity

    def _of_device(self, device: Device | None, bus: int, address: int) -> Stick:
        if device is None:
            return self._found(bus, address)
        stick = self._of.get(id(device))
        if stick is None:
            nameless = self._at.get((bus, address)) if address else None
            if nameless is not None and nameless.device is None:
                nameless.device, stick = device, nameless
            else:
                stick = Stick(bus, address, device)
                self.all.append(stick)
            self._of[id(device)] = stick
        return stick

    def _found(self, bus: int, address: int) -> Stick:
        device = self._bus.find(bus, address)
        if device is not None:
            stick = self._of_device(device, bus, address)
        else:
            stick = Stick(bus, address, None)
            self.all.append(stick)
        self._at[bus, address] = stick
        return stick

    def _event(self, item: BusEvent) -> Stick:
        stick = self._of_device(item.device or self._bus.find(item.bus, item.address), item.bus, item.address)
        self._last = (item.records, stick)
        if item.kind == "address":
            self._zero.pop(item.bus, None)
            self._unplace(stick)
            self._at[item.bus, item.address] = stick
        elif item.kind in ("reset", "attached"):
            self._zero[item.bus] = stick
        elif item.kind == "detached":
            self._unplace(stick)
        return stick

    def _unplace(self, stick: Stick) -> None:
        for key in [key for key, who in self._at.items() if who is stick]:
            del self._at[key]

    def _asked(self, item: Request) -> Stick:
        """Whom a request was for. The bus room may be ahead of the items, so the event of the request counts first."""
        if self._last is not None and self._last[0] == item.records and not item.name.endswith("(port)"):
            return self._last[1]
        if item.address == 0:
            return self._zero.get(item.bus) or self._of_device(self._bus.find(item.bus, 0), item.bus, 0)
        return self._at.get((item.bus, item.address)) or self._found(item.bus, item.address)
