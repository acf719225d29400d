"""Link types 189 and 220: the Linux host's own header (kernel documentation, usbmon; registry of link types).

The header is in the byte order of the file. Its own captured-length field is not trusted: an emulator that writes
the same link type counts the header in it. What the container captured beyond the header is what there is.
"""

from __future__ import annotations

import struct
from typing import Any

from sticktrace.capture.blocks import Frame
from sticktrace.capture.reader import Reader
from sticktrace.capture.transfer import BULK, CONTROL, ISOCHRONOUS, Transfer

HEADER_SIZES = {189: 48, 220: 64}

_SUBMIT, _ENDS = 0x53, frozenset((0x43, 0x45))  # 'S'; 'C' or 'E': completed, or refused at submission
_SETUP_PRESENT = 0
_EMULATOR_DATA = 0x3D  # '=': the emulator's mark for "data present"; the kernel's is 0

# id, type, transfer kind, endpoint, device, bus, setup flag, data flag, (seconds, microseconds skipped), status, length
_HEAD = {order: struct.Struct(order + "QBBBBHBB12xiI").unpack_from for order in "<>"}
_ISO_COUNT = {order: struct.Struct(order + "I") for order in "<>"}


class LinuxFrames:
    """Turns records of these link types into transfers."""

    def __init__(self, reader: Reader, link_type: int) -> None:
        self.reader = reader
        self._size = HEADER_SIZES[link_type]
        self._order, self._unpack = "<", _HEAD["<"]
        self.joiner = reader.join_as(reader.skipped)
        self._keep, self._take = self.joiner.submit, self.joiner.take
        self.emulated: set[int] = set()
        """Buses known to be an emulator's."""

    def feed(self, frame: Frame, number: int, time_ns: int, data: Any) -> Transfer | None:
        """One record in; a transfer out when this record completes one, or shows that an earlier one never will."""
        _, at, captured, _, link_type, order = frame
        size = self._size
        if order != self._order:
            self._order, self._unpack = order, _HEAD[order]
        if captured < size:
            self.reader.skipped[f"record shorter than the {size}-byte header of link type {link_type}"] += 1
            return None
        ident, event, kind, endpoint, device, bus, setup_flag, data_flag, status, length = self._unpack(data, at)
        at += size
        captured -= size
        if kind == ISOCHRONOUS:
            at, captured = self._skip_iso(at, captured, size, order, data)
        elif kind > BULK:
            self.reader.skipped[f"transfer type {kind:#04x} that the header does not define"] += 1
            return None
        if captured > length:
            captured = length
        if event in _ENDS:
            transfer = self._take(ident or -1 - endpoint, endpoint)
            if transfer is None:
                if self.joiner.repeats(ident or -1 - endpoint, endpoint, status, length, time_ns):
                    return None
                transfer = self.joiner.alone(Transfer(bus, device, endpoint, kind), time_ns)
                transfer.records = (number,)
            else:
                transfer.records = (transfer.records[0], number)
            transfer.status = status
            transfer.completed_ns = time_ns
            if data_flag == _EMULATOR_DATA:
                self.emulated.add(bus)
            setup = transfer.setup
            if setup[0] & 0x80 if setup else endpoint & 0x80:
                transfer.actual, transfer.data_at, transfer.captured = length, at, captured
            elif length or status or bus not in self.emulated:
                # The emulator writes 0 on OUT completions: there the submission's length stands. What was submitted
                # stays readable even if the transfer failed and nothing crossed the bus.
                transfer.actual = length
            return transfer
        if event == _SUBMIT:
            setup = b""
            if kind == CONTROL and setup_flag == _SETUP_PRESENT:
                setup = data[at - size + 40 : at - size + 48]
            if setup[0] & 0x80 if setup else endpoint & 0x80:
                if not length and bus in self.emulated:
                    length = -1  # the emulator writes 0 on every IN submission
                transfer = Transfer(bus, device, endpoint, kind, setup, length, 0, 0, 0, None, time_ns, -1, (number,))
            else:
                if data_flag == _EMULATOR_DATA:
                    self.emulated.add(bus)
                transfer = Transfer(
                    bus, device, endpoint, kind, setup, length, length, at, captured, None, time_ns, -1, (number,)
                )
            return self._keep(ident or -1 - endpoint, transfer)
        self.reader.skipped[f"event type {event:#04x} that the header does not define"] += 1
        return None

    def _skip_iso(self, at: int, captured: int, size: int, order: str, data: Any) -> tuple[int, int]:
        """Isochronous packet descriptors (16 bytes each) stand between header and data, in the 64-byte header only."""
        if size != 64:
            return at, captured
        count = _ISO_COUNT[order].unpack_from(data, at - 4)[0]
        skipped = min(captured, 16 * count)
        return at + skipped, captured - skipped
