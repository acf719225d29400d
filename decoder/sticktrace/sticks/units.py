"""The logical units of every device in a capture: who they say they are, how large they are, whether they are ready."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.capture.transfer import Piece
from sticktrace.storage.words import Capacity, Inquiry, write_protected
from sticktrace.transport.exchange import PASSED, Exchange

_INQUIRY, _CAPACITY_10, _SERVICE_ACTION_IN, _TEST_READY = 0x12, 0x25, 0x9E, 0x00
_MODE_SENSE = (0x1A, 0x5A)
_READ_CAPACITY_16 = 0x10
_LOOKED_AT = frozenset((_INQUIRY, _CAPACITY_10, _SERVICE_ACTION_IN, _TEST_READY, *_MODE_SENSE))

_NOTICE_NS = 1_000_000_000
"""How long a host may go on sending to a device that is gone: root hubs are asked every quarter second (common
practice), hubs report by interrupt (USB 2.0 11.12.4)."""

Read = Callable[[Piece], bytes]


@dataclass(slots=True)
class LogicalUnit:
    """One LUN of one device. ``ready_ns`` is when a TEST UNIT READY first passed, -1 if none did. ``write_protected``
    is the WP bit as last told. What the capture does not show is None."""

    bus: int
    address: int
    lun: int
    first_ns: int
    last_ns: int
    exchanges: int = 0
    inquiry: Inquiry | None = None
    capacity: Capacity | None = None
    write_protected: bool | None = None
    ready_ns: int = -1

    def facts(self) -> dict[str, Any]:
        """As in ``luns`` of kind "device" lines."""
        who, size = self.inquiry, self.capacity
        return {
            "lun": self.lun,
            "vendor": who.vendor or None if who else None,
            "product": who.product or None if who else None,
            "revision": who.revision or None if who else None,
            "device_type": who.device_type if who else None,
            "removable": who.removable if who else None,
            "block_length": size.block_length if size else None,
            "last_lba": size.last_lba if size else None,
            "capacity_bytes": size.bytes if size else None,
            "write_protected": self.write_protected,
            "ready_ns": self.ready_ns if self.ready_ns >= 0 else None,
            "exchanges": self.exchanges,
        }


class Units:
    """Shown each exchange in order with `see`; `of` then gives a device's units. ``bus`` tells which device it was, as
    addresses are given anew when a device comes back."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._units: dict[tuple[int, int, int, int], LogicalUnit] = {}
        self._holders: dict[tuple[int, int], Device] = {}

    def see(self, exchange: Exchange, read: Read) -> None:
        """Take note of one exchange."""
        key = (self._device(exchange), exchange.bus, exchange.address, exchange.lun)
        unit = self._units.get(key)
        if unit is None:
            unit = LogicalUnit(exchange.bus, exchange.address, exchange.lun, exchange.time_ns, exchange.end_ns)
            self._units[key] = unit
        unit.exchanges += 1
        unit.last_ns = exchange.end_ns
        if exchange.opcode in _LOOKED_AT and exchange.status == PASSED:
            self._learn(unit, exchange, read)

    def _device(self, exchange: Exchange) -> int:
        where = (exchange.bus, exchange.address)
        holder = self._holders.get(where)
        if holder is None or not _there(holder, exchange):
            holder = holder_of(self._bus, exchange)
            if holder is None:
                return 0
            self._holders[where] = holder
        return id(holder)

    def _learn(self, unit: LogicalUnit, exchange: Exchange, read: Read) -> None:
        opcode, cdb = exchange.opcode, exchange.cdb
        if opcode == _TEST_READY:
            if unit.ready_ns < 0:
                unit.ready_ns = exchange.end_ns
            return
        if not exchange.pieces or len(cdb) < 2:
            return
        data = read(exchange.pieces[0])
        if opcode == _INQUIRY and not cdb[1] & 1:
            unit.inquiry = Inquiry.from_data(data) or unit.inquiry
        elif opcode == _CAPACITY_10 or (opcode == _SERVICE_ACTION_IN and cdb[1] & 0x1F == _READ_CAPACITY_16):
            found = Capacity.from_data(data, long=opcode == _SERVICE_ACTION_IN)
            if found is not None and not found.beyond:
                unit.capacity = found
        elif opcode in _MODE_SENSE:
            told = write_protected(opcode, data)
            unit.write_protected = unit.write_protected if told is None else told

    def of(self, device: Device) -> list[LogicalUnit]:
        """The units of a device by LUN."""
        return sorted((u for key, u in self._units.items() if key[0] == id(device)), key=lambda u: u.lun)

    def homeless(self) -> list[LogicalUnit]:
        """Units of devices of which the capture shows storage traffic and nothing else."""
        return [unit for key, unit in self._units.items() if key[0] == 0]


def _had(device: Device, address: int) -> bool:
    """Whether the device ever had that address; before SET_ADDRESS it is 0 (USB 2.0 9.1.1.3)."""
    return address in device.addresses or (address == 0 and not device.addresses and device.spoken)


def _there(device: Device, exchange: Exchange) -> bool:
    """Whether the device was plugged in, at that address, when the exchange began."""
    ends = [end for end in (device.detached_ns, device.replaced_ns) if end >= 0]
    return _had(device, exchange.address) and exchange.time_ns <= min(ends, default=exchange.time_ns)


def holder_of(bus: Bus, exchange: Exchange) -> Device | None:
    """The device that an exchange went to; None where no control request of it was seen."""
    here = [d for d in bus.devices if d.bus == exchange.bus and _had(d, exchange.address)]
    there = [d for d in here if _there(d, exchange)]
    known = [d for d in there if d.first_ns <= exchange.end_ns]
    if known or there:
        return known[-1] if known else there[0]
    # Sent after its hub had reported it gone, before the host took note: still meant for the one that was there.
    gone = [d for d in here if 0 <= exchange.time_ns - max(d.detached_ns, d.replaced_ns) < _NOTICE_NS]
    return gone[-1] if gone else None
