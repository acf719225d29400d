"""Which extents cover a block: an index over extents that arrive in time order.

Sealed segments are sorted by first block; segments of equal size are merged, so there are few of them and every extent
is sorted only a handful of times. Each holds extents of about one length, so that a command that names half the medium
does not make every look at a block go through all of them. The unsealed tail is scanned as a whole; it is short.
"""

from __future__ import annotations

from array import array
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

TAIL = 4096
"""Extents that may wait unsorted."""


LENGTHS = (1 << 8, 1 << 16, 1 << 32)
"""Up to how many blocks the extents have that are kept together."""


class _Sorted:
    """Some extents of about one length, sorted by first block, earlier ones first where blocks are equal."""

    __slots__ = ("blocks", "first", "longest", "order")

    def __init__(self, first: Ints, blocks: Ints, numbers: Ints) -> None:
        order: Any = numbers[first[numbers].argsort(kind="stable")]
        self.first = first[order]
        self.blocks = blocks[order].astype("uint32")
        self.longest = int(self.blocks.max())
        self.order = order.astype("uint32")

    def covering(self, lba: int, count: int) -> Ints:
        """Those that touch ``count`` blocks from ``lba``."""
        left = self.first.searchsorted(lba - self.longest + 1)
        right = self.first.searchsorted(lba + count)
        ends = self.first[left:right] + self.blocks[left:right]
        chosen: Ints = self.order[left:right][ends > lba].astype("int64")
        return chosen


class _Segment:
    """Extents ``low`` to ``high`` - 1."""

    __slots__ = ("high", "low", "parts")

    def __init__(self, first: Ints, blocks: Ints, low: int, high: int) -> None:
        import numpy as np

        self.low, self.high = low, high
        kinds = np.searchsorted(LENGTHS, blocks[low:high])
        numbers = [(kinds == kind).nonzero()[0] + low for kind in range(len(LENGTHS))]
        self.parts = [_Sorted(first, blocks, chosen) for chosen in numbers if len(chosen)]


class ExtentIndex:
    """Finds extents by block. ``first`` and ``blocks`` are the caller's growing arrays (codes "q" and "I")."""

    def __init__(self, first: array[int], blocks: array[int]) -> None:
        self._first, self._blocks = first, blocks
        self._segments: list[_Segment] = []
        self._sealed = 0

    def covering(self, lba: int, count: int, limit: int | None = None) -> Ints:
        """Numbers of the extents that touch ``count`` blocks from ``lba``, in time order; with a ``limit``, only those
        below it."""
        import numpy as np

        self._seal()
        parts = [part.covering(lba, count) for segment in self._segments for part in segment.parts]
        parts.append(self._tail(lba, count))
        found: Ints = np.concatenate(parts)
        found.sort()
        return found if limit is None else found[: np.searchsorted(found, limit)]

    def _tail(self, lba: int, count: int) -> Ints:
        first, blocks = self._views(self._sealed)
        hits: Ints = ((first < lba + count) & (first + blocks > lba)).nonzero()[0] + self._sealed
        return hits

    def _views(self, since: int = 0) -> tuple[Ints, Ints]:
        """The arrays from extent ``since`` on as numpy sees them, copied as little as can be: this runs for every look
        at a block. A view forbids the array to grow: let go of it before the next append."""
        import numpy as np

        first = np.frombuffer(self._first, np.int64)[since:]
        return first, np.frombuffer(self._blocks, np.uint32)[since:].astype(np.int64)

    def _chosen(self, chosen: Ints) -> tuple[Ints, Ints]:
        import numpy as np

        blocks: Ints = np.frombuffer(self._blocks, np.uint32)[chosen].astype(np.int64)
        return np.frombuffer(self._first, np.int64)[chosen], blocks

    def _seal(self) -> None:
        total = len(self._first)
        if total - self._sealed <= TAIL:
            return
        low = self._sealed
        while self._segments and self._segments[-1].high - self._segments[-1].low <= total - low:
            low = self._segments.pop().low
        first, blocks = self._views()
        self._segments.append(_Segment(first, blocks, low, total))
        self._sealed = total

    def spans(self, chosen: Ints | None = None) -> list[tuple[int, int]]:
        """The ranges (first block, block after the last) that the extents cover together, in order."""
        import numpy as np

        first, blocks = self._views() if chosen is None else self._chosen(chosen)
        ends = first + blocks
        if not len(first):
            return []
        order = first.argsort(kind="stable")
        starts, reach = first[order], np.maximum.accumulate(ends[order])
        breaks = np.flatnonzero(starts[1:] > reach[:-1]) + 1
        heads = starts[np.concatenate(([0], breaks))]
        tails = reach[np.concatenate((breaks - 1, [len(reach) - 1]))]
        return list(zip(heads.tolist(), tails.tolist(), strict=True))
