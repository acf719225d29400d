"""A medium at a glance: which parts were read, written, or failed, for a map of any width."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.volume.doubt import in_doubt
from sticktrace.volume.extent_log import FAILURES, READ, UNSHOWN, WRITE
from sticktrace.volume.medium import Medium


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the map: blocks ``first`` to ``last``, and how many commands read, wrote or failed in it. A failure
    counts in the block that the sense data name, else in all blocks of the command."""

    first: int
    last: int
    reads: int
    writes: int
    failures: int


def extent_of(medium: Medium) -> int:
    """Blocks of the medium: from READ CAPACITY, else up to the highest block touched."""
    spans = medium.store.spans()
    highest = spans[-1][1] if spans else 0
    last = medium.store.last_lba
    return max(highest, last + 1) if last is not None else highest


def device_map(medium: Medium, cells: int, first: int = 0, after: int | None = None) -> list[Cell]:
    """The medium, or a range of it, divided into at most ``cells`` cells of equal width."""
    total = (extent_of(medium) if after is None else after) - first
    if total <= 0 or cells <= 0:
        return []
    width = -(-total // cells)
    count = -(-total // width)
    steps = _steps(medium, first, total, width, count)
    found: list[Cell] = []
    sums = [0, 0, 0]
    for cell in range(count):
        sums = [total_so_far + row[cell] for total_so_far, row in zip(sums, steps, strict=True)]
        found.append(Cell(first + cell * width, first + min(total, (cell + 1) * width) - 1, *sums))
    return found


def _steps(medium: Medium, first: int, total: int, width: int, count: int) -> list[list[int]]:
    """For reads, writes and failures: by how much the number of commands changes from each cell to the next."""
    import numpy as np

    lba, blocks, kind = medium.store.columns()
    low, high = np.maximum(lba - first, 0), np.minimum(lba - first + blocks, total)
    steps = []
    for kinds in ((READ,), (WRITE, UNSHOWN), tuple(FAILURES)):
        here = np.isin(kind, kinds) & (low < high)
        begin = np.bincount(low[here] // width, minlength=count + 1)
        steps.append((begin - np.bincount((high[here] - 1) // width + 1, minlength=count + 1)).tolist())
    return steps


def left_uncertain(medium: Medium, as_of: int | None = None) -> list[tuple[int, int, int]]:
    """What a WRITE that did not pass left behind, or UNMAP and the like: (first block, blocks, exchange) of ranges
    whose content is still not certain at the end, or after exchange ``as_of``. The exchange is the first that made it
    so."""
    return [(first, after - first, number) for first, after, number in in_doubt(medium.store, as_of)]
