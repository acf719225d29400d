"""Records in blocks: tens of thousands of record headers gathered into columns by numpy, without a Python step for
each.

A walk (`PcapWalk`, `PcapngWalk`) stays the definition of what a record is. Here its ordinary case is done for a whole
block: record starts are found by the words that every header holds in one place (the second of the clock, a block
type), and a start counts only if the record before it ends there. Whatever is out of the ordinary goes through the walk
itself, one record at a time, with its search for the next good record and its report of damage.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import repeat
from typing import Any, NamedTuple, Protocol, runtime_checkable

BLOCK = 1 << 16
"""Records in a block, at most."""

_SPAN = 32 << 20
"""Bytes in a block, about: what is looked at ahead is held in memory."""

_FIRST = 1 << 12
"""Records in the first block, before it is known how long they are."""

_SCAN = 1 << 20
"""Bytes looked at in one go."""

_SHORT = 256
"""Where records are longer than this on average, following their lengths one by one is the quicker way."""

_STEPS = 512
"""Records followed one by one before their lengths are looked at again."""

Column = Any
"""A numpy array with one element for each record; numpy itself is imported late."""

Frame = tuple[int, int, int, int, int, str]
"""One record of a container: absolute time in ns, where its bytes lie, how many were captured and how many there were,
the link type that says how to read them, and the byte order ("<" or ">") of headers in file order. A plain tuple: a
named one would double the cost of the walk."""

Source = tuple[int, str, int]
"""Link type, byte order of headers in file order, interface."""


class Block(NamedTuple):
    """Consecutive records as columns: absolute time in ns, offset of the record's bytes, how many were captured and how
    many there were, and which of ``sources`` each came from."""

    time_ns: Column
    at: Column
    captured: Column
    original: Column
    source: Column
    sources: list[Source]


@runtime_checkable
class BlockWalk(Protocol):
    """What a container offers; see `PcapWalk`. ``interface`` is that of the record which `walk` gave last."""

    interface: int

    def ordinary(self, data: Any, most: int) -> Block | None:
        """Up to ``most`` records from the position on in which nothing is out of the ordinary; None if the next is."""

    def walk(self, data: Any) -> Iterator[Frame]:
        """Whole records from the position on, one by one."""


def blocks(walk: BlockWalk, data: Any, most: int = BLOCK) -> Iterator[Block]:
    """The whole records from the walk's position on, in order; of one out of the ordinary no number beyond 1 << 62 is
    told."""
    import numpy as np

    for step in steps(walk, data, most):
        if isinstance(step, Block):
            yield step
            continue
        time_ns, at, captured, original, link_type, order = step
        numbers = [np.array([min(number, 1 << 62)], np.int64) for number in (time_ns, at, captured, original, 0)]
        yield Block._make([*numbers, [(link_type, order, walk.interface)]])


def steps(walk: BlockWalk, data: Any, most: int = BLOCK) -> Iterator[Block | Frame]:
    """The whole records from the walk's position on, in order: blocks of ordinary ones, and frames of others."""
    length = _SPAN // _FIRST
    while True:
        block = walk.ordinary(data, min(most, max(_STEPS, _SPAN // length)))
        if block is not None:
            length = max(1, int(block.at[-1] - block.at[0]) // len(block.at))
            yield block
            continue
        frame = next(walk.walk(data), None)
        if frame is None:
            return
        yield frame


def frames(block: Block, start: int, stop: int) -> Iterator[Frame]:
    """Some of a block's records one by one, as `BlockWalk.walk` gives them."""
    columns = [column[start:stop].tolist() for column in block[:4]]
    kinds = [(link_type, order) for link_type, order, _ in block.sources]
    if len(set(kinds)) == 1:
        link_type, order = kinds[0]
        return zip(*columns, repeat(link_type), repeat(order), strict=False)
    told = [kinds[source] for source in block.source[start:stop].tolist()]
    return ((*numbers, *kind) for *numbers, kind in zip(*columns, told, strict=True))


def words(raw: Column, at: Column, order: str = "<", count: int = 1) -> Column:
    """``count`` 32-bit words at each of the byte offsets, in columns; all must lie within ``raw``."""
    import numpy as np

    size = 4 * count
    overlapping = np.ndarray((max(0, len(raw) - size + 1),), f"V{size}", raw, strides=(1,))
    found = overlapping[at].view(order + "u4")
    return found if count == 1 else found.reshape(-1, count)


class Chain:
    """How record starts are found: a header begins with a word that is the same from record to record, or goes up by
    ``spread`` at most; the word ``length_at`` bytes into it, plus ``constant``, leads to the next start."""

    def __init__(self, order: str, length_at: int, constant: int, spread: int) -> None:
        self.order, self.length_at, self.constant, self.spread = order, length_at, constant, spread
        self._length = struct.Struct(order + "I").unpack_from
        self._short = False

    def starts(self, raw: Column, position: int, most: int) -> Column:
        """Offsets of up to ``most`` headers, the first one at ``position``: each stands where the one before it ends,
        and each record lies within ``raw``. What the headers say beyond that is not looked at."""
        import numpy as np

        found, count = [np.zeros(0, np.int64)], 0
        while count < most:
            some, position = self._scan(raw, position) if self._short else self._follow(raw, position)
            if not len(some):
                break
            found.append(some)
            count += len(some)
        return np.concatenate(found)[:most]

    def _follow(self, raw: Column, position: int) -> tuple[Column, int]:
        """A few records, one after the other, by their lengths."""
        import numpy as np

        length, length_at, constant = self._length, self.length_at, self.constant
        found: list[int] = []
        start, last = position, len(raw) - max(16, length_at + 4)
        while position <= last and len(found) < _STEPS:
            end = position + constant + length(raw, position + length_at)[0]
            if end > len(raw) or end == position:
                break
            found.append(position)
            position = end
        self._short = len(found) == _STEPS and position - start < _STEPS * _SHORT
        return np.array(found, np.int64), position

    def _scan(self, raw: Column, position: int) -> tuple[Column, int]:
        """All records of the next stretch at once: the places that begin as a header does, less those that no record
        before them leads to."""
        import numpy as np

        part = raw[position : position + _SCAN]
        if len(part) < _SCAN:
            return self._follow(raw, position)
        first = int(words(part, np.zeros(1, np.int64), self.order)[0])
        low = part if self.order == "<" else part[3:]
        alike = low == first & 0xFF
        for step in range(1, self.spread + 1):
            alike |= low == first + step & 0xFF
        places = np.flatnonzero(alike[: len(part) - 32])
        places = places[words(part, places, self.order) - np.uint32(first) <= self.spread]
        ends = places + self.constant + words(part, places + self.length_at, self.order).astype(np.int64)
        led_to = np.zeros(len(part) + 1, bool)
        led_to[0] = True
        led_to[ends[ends <= len(part)]] = True
        there = led_to[places]  # what only looks like a header, as the clock in a header of USB records, is no end
        places, ends = places[there], ends[there]
        kept = _linked(places, ends)
        kept = kept[ends[kept] <= len(part)]
        if len(kept) < _STEPS:
            self._short = False  # a pause in the clock, or long records: by their lengths again
        if not len(kept):
            return self._follow(raw, position)
        return places[kept] + position, position + int(ends[kept[-1]])


def _linked(places: Column, ends: Column) -> Column:
    """Indexes of the places that can be reached from the first one, each by the end of the one before, up to where
    no place stands at an end."""
    import numpy as np

    kept = np.ones(len(places), bool)
    at = 0
    for gap in np.flatnonzero(ends[:-1] != places[1:]).tolist():
        if gap < at:
            continue
        at = int(np.searchsorted(places, ends[gap]))
        kept[gap + 1 : at] = False
        if at == len(places) or places[at] != ends[gap]:
            kept[at:] = False
            break
    return np.flatnonzero(kept)
