"""Who holds which block: claims laid over each other, the latest on top.

The work goes by the number of claims, never by how many blocks one of them names: the edges of all claims divide the
blocks into cells, and each cell is given away once. A cell that is taken points to the next one that may be free
(union by path halving), so that a later claim is passed over in a few steps however long it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

Claim = tuple[int, int, int]
"""Blocks ``first`` to ``after`` - 1, and what holds them."""

NOBODY = -1


def held(claims: Sequence[Claim], low: int, high: int) -> Iterator[Claim]:
    """Blocks ``low`` to ``high`` - 1 as (first, after, holder) in order; a block goes to the first claim that names it,
    one that none names to `NOBODY`. Neighbours with one holder are one."""
    import numpy as np

    if high <= low:
        return
    ranges = np.array([claim[:2] for claim in claims], np.int64).reshape(-1, 2).clip(low, high)
    edges = np.unique(np.concatenate((ranges.ravel(), np.array((low, high), np.int64))))
    cells = edges.searchsorted(ranges).tolist()
    owner = _given([claim[2] for claim in claims], cells, len(edges) - 1)
    places: list[int] = edges.tolist()
    first = 0
    for cell in range(1, len(owner) + 1):
        if cell == len(owner) or owner[cell] != owner[first]:
            yield places[first], places[cell], owner[first]
            first = cell


def _given(holders: list[int], ranges: list[list[int]], count: int) -> list[int]:
    """The holder of each of ``count`` cells."""
    owner, following = [NOBODY] * count, list(range(count + 1))
    for holder, (low, high) in zip(holders, ranges, strict=True):
        cell = _free(following, low)
        while cell < high:
            owner[cell] = holder
            following[cell] = cell + 1
            cell = _free(following, cell + 1)
    return owner


def _free(following: list[int], cell: int) -> int:
    """The first cell from ``cell`` on that nobody has taken; the number of cells where none is left."""
    while following[cell] != cell:
        following[cell] = following[following[cell]]
        cell = following[cell]
    return cell
