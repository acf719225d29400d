"""Since when the content of blocks is not certain: one walk over all extents in time order.

Two sets of ranges share the blocks out: those that are certain, or were never touched, and those in doubt, each with
the exchange that began it. An extent moves ranges from one to the other. Each makes at most two new edges, and ranges
that meet become one, so that the work goes by the number of commands, whatever range each of them claims.
"""

from __future__ import annotations

from bisect import bisect_left

from sticktrace.volume.extent_log import HIGHEST, READ, UNSHOWN, WRITE, WRITE_LOST
from sticktrace.volume.store import SectorStore

Range = tuple[int, int, int]
"""Blocks ``first`` to ``after`` - 1, and the exchange since which they are in doubt, 0 for none."""


class Ranges:
    """Ranges that do not overlap, in order."""

    def __init__(self) -> None:
        self.all: list[Range] = []

    def take(self, low: int, high: int) -> list[Range]:
        """Takes out what lies in blocks ``low`` to ``high`` - 1; what goes beyond them stays."""
        begin = bisect_left(self.all, (low,))
        if begin and self.all[begin - 1][1] > low:
            begin -= 1
        end = bisect_left(self.all, (high,), begin)
        if begin == end:
            return []
        found = self.all[begin:end]
        (first, _, before), (_, after, behind) = found[0], found[-1]
        rest = [(first, low, before)] if first < low else []
        rest += [(high, after, behind)] if after > high else []
        self.all[begin:end] = rest
        return [(max(first, low), min(after, high), since) for first, after, since in found]

    def put(self, first: int, after: int, since: int) -> None:
        """Adds a range of which no block is there yet; it becomes one with neighbours of its kind."""
        at = bisect_left(self.all, (first,))
        begin, end = at, at
        if at and self.all[at - 1][1:] == (first, since):
            begin, first = at - 1, self.all[at - 1][0]
        if at < len(self.all) and self.all[at][0] == after and self.all[at][2] == since:
            end, after = at + 1, self.all[at][1]
        self.all[begin:end] = [(first, after, since)]


def in_doubt(store: SectorStore, as_of: int | None = None) -> list[Range]:
    """The ranges whose content is not certain at the end, or after exchange ``as_of``, in order."""
    doubtful, certain = Ranges(), Ranges()
    certain.put(0, HIGHEST, 0)
    kinds = store.columns()[2]
    if not ((kinds == WRITE_LOST) | (kinds == UNSHOWN)).any():
        return []
    for extent, (lba, blocks, number, kind) in enumerate(store.extents()):
        if as_of is not None and number > as_of:
            break
        if kind in (WRITE_LOST, UNSHOWN):
            for first, after, _ in certain.take(lba, lba + blocks):
                doubtful.put(first, after, number)
        elif kind in (WRITE, READ) and doubtful.all:
            # A write settles all of its blocks, recorded or not; a read those that it shows.
            sure = [(0, blocks)] if kind == WRITE else store.captured_blocks(extent)
            for low, high in sure:
                for first, after, _ in doubtful.take(lba + low, lba + high) if low < high else ():
                    certain.put(first, after, 0)
    return doubtful.all
