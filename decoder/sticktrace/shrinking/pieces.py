"""A capture file in pieces that can be left out: records, blocks, events or lines; slices where it has none of these.

Whatever the form, the pieces are places in the file, and a smaller file is what is left when some of them are taken
out. What no reader can do without, such as the header of a pcap or the interfaces of a pcapng, is no piece and stays.
"""

from __future__ import annotations

import re
import struct
from array import array
from collections.abc import Iterator
from itertools import chain
from typing import Any

from sticktrace.capture.pcap import MAGICS, PcapWalk
from sticktrace.capture.pcapng import INTERFACE, SECTION, PcapngWalk
from sticktrace.capture.text_lines import TextLines
from sticktrace.capture.usbmon_stream import StreamWalk, order_of

_PCAPNG = b"\x0a\x0d\x0d\x0a"
_LITTLE = 0x4D
"""First byte of a section's magic in little-endian order."""

_FILE_HEADER = 24
_SLICE = 16
_LONGEST = 1 << 24
_NO_TEXT = re.compile(rb"[\x01-\x08\x0e-\x1a\x1c-\x1f]")
"""Control characters that no console prints; zeros are half of the characters of UTF-16."""
_SAMPLE = 1 << 16


class Pieces:
    """Where each piece begins and ends, in order, and the number of its record (0: it is none)."""

    def __init__(self) -> None:
        self.starts, self.ends, self.numbers = array("q"), array("q"), array("q")
        self.records = 0

    def __len__(self) -> int:
        return len(self.starts)

    def add(self, start: int, end: int, record: bool = True) -> None:
        """The next piece."""
        if start < end:
            self.records += record
            self.starts.append(start)
            self.ends.append(end)
            self.numbers.append(self.records if record else 0)

    def left(self, size: int, kept: bytearray) -> Iterator[tuple[int, int]]:
        """The places of a file of ``size`` bytes that stay when only pieces with a 1 in ``kept`` are kept, as few and
        as long as can be."""
        at = 0
        for start, end, stays in zip(self.starts, self.ends, kept, strict=True):
            if not stays:
                if at < start:
                    yield at, start
                at = end
        if at < size:
            yield at, size


def pieces_of(data: Any) -> Pieces:
    """The pieces of a capture, by what it holds. Never fails: what is no form at all is cut into slices."""
    head = bytes(data[:_FILE_HEADER])
    if head[:4] in MAGICS and len(head) == _FILE_HEADER:
        found = _walked(data, PcapWalk(data), _FILE_HEADER)
    elif head[:4] == _PCAPNG:
        found = _blocks(data)
    elif order := order_of(data):
        found = _walked(data, StreamWalk(order), 0)
    elif not _NO_TEXT.search(bytes(data[:_SAMPLE])):
        found = _lines(data)
    else:
        found = Pieces()
    return found if len(found) > 1 else _slices(data)


def _walked(data: Any, walk: PcapWalk | StreamWalk, at: int) -> Pieces:
    """Records one after the other; what lies damaged between two of them goes with the second."""
    found = Pieces()
    for _, start, captured, *_ in walk.walk(data):
        found.add(at, start + captured)
        at = start + captured
    found.add(at, len(data), record=False)
    return found


def _blocks(data: Any) -> Pieces:
    """Blocks of a pcapng; sections and interfaces stay. What lies damaged before a packet's block goes with it."""
    found, walk = Pieces(), PcapngWalk(data)
    order, at = "<", 0
    for packet in chain(walk.walk(data), [None]):
        end, record = (len(data), False) if packet is None else (walk.position, True)
        for block in _whole_blocks(data, at, end - record, order):
            order, kind, stop = block
            if kind not in (SECTION, INTERFACE):
                found.add(at, stop, record=False)
            at = stop
        found.add(at, end, record)
        at = end
    return found


def _whole_blocks(data: Any, at: int, end: int, order: str) -> Iterator[tuple[str, int, int]]:
    """Byte order, type and end of each block from a place on, as long as they are whole and do not pass ``end``."""
    while at + 12 <= end:
        if data[at : at + 4] == _PCAPNG:
            order = "<" if data[at + 8] == _LITTLE else ">"
        kind, size = struct.unpack_from(order + "II", data, at)
        at += size
        if size < 12 or size % 4 or at > end:
            return
        yield order, kind, at


def _lines(data: Any) -> Pieces:
    """Lines with their ends; a mark of the encoding at the beginning stays."""
    found, lines = Pieces(), TextLines(_LONGEST)
    at = 2 if bytes(data[:2]) in (b"\xff\xfe", b"\xfe\xff") else 0
    for source in (lines.whole(data), lines.rest(data)):
        for _ in source:
            found.add(at, lines.position)
            at = lines.position
    return found


def _slices(data: Any) -> Pieces:
    found = Pieces()
    for at in range(0, len(data), _SLICE):
        found.add(at, min(at + _SLICE, len(data)), record=False)
    return found
