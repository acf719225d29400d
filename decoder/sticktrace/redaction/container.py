"""What a pcapng container holds besides packets: comments, names of the machine, its system and interfaces, and blocks
of other kinds.

Follows draft-ietf-opsawg-pcapng: of the options only those stay that are numbers and say how to read packets; of blocks
of other kinds only the length. Padding, what follows the last option, and what is damaged go as well.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import Any

from sticktrace.capture.blocks import Frame
from sticktrace.capture.packets import RENDERED
from sticktrace.capture.pcapng import (
    ENHANCED,
    INTERFACE,
    LARGEST_BLOCK,
    OLD_PACKET,
    SECTION,
    SIMPLE,
    STATISTICS,
    PcapngWalk,
)

_HEAD = {SECTION: 24, INTERFACE: 16, STATISTICS: 20, ENHANCED: 28, OLD_PACKET: 28, SIMPLE: 12}
"""Bytes of a block in front of its options, or of its packet."""
_NUMBERS = {
    SECTION: frozenset[int](),
    INTERFACE: frozenset({8, 9, 10, 13, 14, 16, 17}),  # speeds, clock, frame check length
    STATISTICS: frozenset({2, 3, 4, 5, 6, 7, 8}),  # times and counts
    ENHANCED: frozenset({2, 4}), OLD_PACKET: frozenset({2, 4}),  # flags, count of drops
}  # fmt: skip
"""Options that stay, by block type; other options hold words, addresses, sums of the data, or a recorder's own."""
_OWN = RENDERED.encode()
"""Words of sticktrace itself: that packets were rendered must not be lost."""

Put = Callable[[int, bytes], None]
"""Bytes of the copy, from a place on, become these."""

Piece = tuple[int, int, int, str, int]
"""A block: its type (-1 for damage), place, end, byte order, and where its packet ends (0 without one)."""


class Blocks(PcapngWalk):
    """A walk that also tells of the blocks that are no packets; see `pieces`."""

    def __init__(self, data: Any) -> None:
        self.others: list[Piece] = []
        super().__init__(data)

    def pieces(self, data: Any) -> Iterator[Piece]:
        """Every block in order, and every stretch of damage; then what is left at the end."""
        for frame in self.walk(data):
            yield from self._told()
            yield self._packet_piece(frame, data)
        yield from self._told()
        if self.position < len(data):
            yield -1, self.position, len(data), self.order, 0

    def _told(self) -> Iterator[Piece]:
        yield from self.others
        self.others.clear()

    def _packet_piece(self, frame: Frame, data: Any) -> Piece:
        """The block of a packet: it ended just where the walk stands."""
        _, at, captured, *_, order = frame
        for kind in (ENHANCED, OLD_PACKET, SIMPLE):
            place = at - _HEAD[kind]
            if place >= 0 and struct.unpack_from(order + "I", data, place)[0] == kind:
                return kind, place, self.position, order, at + captured
        return -1, at, at, order, 0

    def _block(self, data: Any, position: int, end: int) -> Frame | None:
        before = self.order
        frame = super()._block(data, position, end)
        if frame is None:
            sound = end - position >= 12 and self._total(data, position) == end - position
            kind = self._kind(data, position) if sound else -1
            self.others.append((kind, position, end, self.order if kind == SECTION else before, 0))
        return frame


def blank(data: Any, put: Put, words: bool = True) -> int:
    """Overwrites whatever of a container is neither a packet nor a number that says how to read one; returns how many
    things that were. Without ``words``, options that hold words stay."""
    count = 0
    for kind, start, end, order, packet_end in Blocks(data).pieces(data):
        if kind == -1:
            count += _damage(data, put, start, end, order)
        elif kind not in _HEAD or (kind in (ENHANCED, OLD_PACKET, SIMPLE) and not packet_end):
            head = _HEAD.get(kind, 8)
            count += _zero(data, put, start + head, end - 4)
        elif kind == SIMPLE:
            count += _zero(data, put, packet_end, end - 4)
        else:
            options = start + _HEAD[kind]
            if packet_end:
                options = packet_end + (options - packet_end) % 4
                count += _zero(data, put, packet_end, min(options, end - 4))
            count += _options(data, put, options, end - 4, order, kind, words)
    return count


def _zero(data: Any, put: Put, low: int, high: int) -> int:
    if low >= high or not any(data[low:high]):
        return 0
    put(low, bytes(high - low))
    return 1


def _damage(data: Any, put: Put, low: int, high: int, order: str) -> int:
    """FFh is the head of no block; a block that is cut off keeps its own."""
    total = struct.unpack_from(order + "I", data, low + 4)[0] if high - low >= 8 else 0
    low += 8 * (high == len(data) and 12 <= total <= LARGEST_BLOCK and not total & 3)
    if low >= high:
        return 0
    put(low, b"\xff" * (high - low))
    return 1


def _options(data: Any, put: Put, at: int, end: int, order: str, kind: int, words: bool) -> int:
    """The options of a block, their padding, and what stands behind them."""
    count = 0
    while at + 4 <= end:
        code, length = struct.unpack_from(order + "HH", data, at)
        if code == 0 or at + 4 + length > end:
            break
        place, following = at + 4, min(end, at + 4 + (length + 3 & ~3))
        if code not in _NUMBERS[kind] and length and words and bytes(data[place : place + length]) != _OWN:
            put(place, b"x" * length)
            count += 1
        _zero(data, put, place + length, following)
        at = following
    return count + _zero(data, put, at + 4 if data[at : at + 2] == b"\0\0" else at, end)
