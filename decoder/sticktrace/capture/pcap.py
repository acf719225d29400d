"""The pcap container (draft-ietf-opsawg-pcap): a walk over its records that copies no payload."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.reader import Damage

MAGICS = {
    b"\xd4\xc3\xb2\xa1": ("<", 1_000),
    b"\xa1\xb2\xc3\xd4": (">", 1_000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
"""First four bytes -> byte order of the file, nanoseconds per tick of the fraction field."""

LARGEST_RECORD = 16 << 20
"""No recorder writes a USB record beyond this; a larger captured length means that the walk has lost its way."""


Frame = tuple[int, int, int, int, int, str]
"""One record of a container: absolute time in ns, where its bytes lie, how many were captured and how many there were,
the link type that says how to read them, and the byte order ("<" or ">") of headers in file order. A plain tuple: a
named one would double the cost of the walk."""


class PcapWalk:
    """Walks the records of a pcap file. ``position`` is the offset of the next record; ``walk`` may be called again
    when ``data`` has grown."""

    def __init__(self, data: Any) -> None:
        self.order, self.tick_ns = MAGICS[bytes(data[:4])]
        # The high half of this word holds frame check information, not link type.
        self.link_type = struct.unpack_from(self.order + "I", data, 20)[0] & 0xFFFF
        self.position = 24
        self.lost = False
        self.damage: list[Damage] = []

    def walk(self, data: Any) -> Iterator[Frame]:
        """Yields the whole records from ``position`` on."""
        head = struct.Struct(self.order + "IIII")
        unpack, size = head.unpack_from, len(data)
        order, tick_ns, link_type = self.order, self.tick_ns, self.link_type
        position = self.position
        while position + 16 <= size and not self.lost:
            seconds, fraction, captured, original = unpack(data, position)
            if captured > LARGEST_RECORD:
                self.lost = True
                self.damage.append(
                    Damage(f"byte {position}", f"a record claims {captured} bytes; the file is not readable beyond")
                )
                break
            at = position + 16
            if at + captured > size:
                break
            position = self.position = at + captured
            yield seconds * 1_000_000_000 + fraction * tick_ns, at, captured, original, link_type, order

    def finish(self, data: Any) -> None:
        """Reports what is left after the last whole record."""
        left = len(data) - self.position
        if left and not self.lost:
            self.damage.append(Damage(f"byte {self.position}", f"the last record is cut off, {left} bytes are left"))
