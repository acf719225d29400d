"""Link type 266: the macOS host's capture header (registry of link types, and the request that put it there, 2016).

Always little-endian, 32 bytes: version, header length, submitted or completed, length, status, isochronous frames, id,
location, speed, address, endpoint, transfer type. Setup bytes follow a submitted control request; data that moved
follows the completion, whichever way it went. A submission may show what is going out as well. The location says the
bus in its top byte and then the ports on the way, four bits each; with the speed, it is what this form tells beyond the
others."""

from __future__ import annotations

import struct
from typing import Any

from sticktrace.capture.blocks import Frame
from sticktrace.capture.reader import Reader
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, Transfer
from sticktrace.capture.wire import Told
from sticktrace.codes.status import from_ioreturn

HEADER_SIZE = 32
SETUP_SIZE = 8
SUBMITTED, COMPLETED = 0, 1
SPEEDS = ("low", "full", "high", "super", "super")
"""By number; the last one is the faster form of SuperSpeed, which differs in nothing that is read here."""

# version, header length, request type, length, status, isochronous frames, id, location, speed, address, endpoint, type
_HEAD = struct.Struct("<HBBIIIQIBBBB").unpack_from
_KINDS = (CONTROL, ISOCHRONOUS, BULK, INTERRUPT)
_FRAME_HEADER = 28


class DarwinFrames:
    """Turns records of this link type into transfers, and tells the reader speed and place of the devices."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader
        self.joiner = reader.join_as(reader.skipped)
        self._places: dict[tuple[int, int], Told] = {}

    def feed(self, frame: Frame, number: int, time_ns: int, data: Any) -> Transfer | None:
        """One record in; a transfer out when this record completes one, or shows that an earlier one never will."""
        at, captured = frame[1], frame[2]
        if captured < HEADER_SIZE:
            self.reader.skipped[f"record shorter than the {HEADER_SIZE}-byte header of link type 266"] += 1
            return None
        _, size, event, length, status, frames, ident, location, speed, address, endpoint, kind = _HEAD(data, at)
        if not HEADER_SIZE <= size <= captured or event not in (SUBMITTED, COMPLETED) or kind >= len(_KINDS):
            self.reader.skipped["record of link type 266 whose header cannot be right"] += 1
            return None
        bus, kind = location >> 24, _KINDS[kind]
        self._place(bus, address, location, speed)
        at, captured = at + size, captured - size
        if kind == ISOCHRONOUS:
            skipped = min(captured, frames * _FRAME_HEADER)
            at, captured = at + skipped, captured - skipped
        if event == SUBMITTED:
            transfer = Transfer(bus, address, endpoint, kind, submitted_ns=time_ns, records=(number,))
            _submit(transfer, data, at, captured, length)
            return self.joiner.submit((ident, bus), transfer)
        errno, found = from_ioreturn(status), self._take((ident, bus), endpoint, kind)
        if found is None:
            if self.joiner.repeats((ident, bus), endpoint, errno, length, time_ns):
                return None
            found = self.joiner.alone(Transfer(bus, address, endpoint, kind), time_ns)
        found.records += (number,)
        found.status, found.completed_ns, found.actual = errno, time_ns, length
        if captured or found.incoming:
            found.data_at, found.captured = at, min(captured, length)
        return found

    def _take(self, key: tuple[int, int], endpoint: int, kind: int) -> Transfer | None:
        """The submission that a completion ends. Of control requests the setup packet alone says the direction."""
        transfer = self.joiner.waiting.get(key)
        if transfer is None or (transfer.kind, transfer.endpoint & 0x7F) != (kind, endpoint & 0x7F):
            return None
        return self.joiner.take(key, transfer.endpoint)

    def _place(self, bus: int, address: int, location: int, speed: int) -> None:
        """Where a device is and how fast: one object for each place and speed."""
        told = self._places.get((location, speed))
        if told is None:
            told = Told(SPEEDS[speed] if speed < len(SPEEDS) else "", "the capture's header", place_of(location))
            self._places[location, speed] = told
        self.reader.tell(bus, address, told)


def place_of(location: int) -> str:
    """Bus and ports of a location: "bus 20, port 1, port 4"."""
    ports = [location >> shift & 0x0F for shift in range(20, -1, -4)]
    on_the_way = [f"port {port}" for port in ports if port]
    return ", ".join([f"bus {location >> 24}", *(on_the_way or ["the host controller itself"])])


def _submit(transfer: Transfer, data: Any, at: int, captured: int, length: int) -> None:
    """What a submission tells."""
    transfer.requested = length
    if transfer.kind == CONTROL and captured >= SETUP_SIZE:
        transfer.setup = bytes(data[at : at + SETUP_SIZE])
        transfer.requested = int.from_bytes(transfer.setup[6:8], "little")
        transfer.endpoint = transfer.endpoint & 0x7F | transfer.setup[0] & 0x80
        at, captured, length = at + SETUP_SIZE, captured - SETUP_SIZE, transfer.requested
    if not transfer.incoming and captured:
        transfer.data_at, transfer.captured = at, min(captured, length)
