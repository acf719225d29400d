"""A medium as a map in the terminal: one row for all of it, then a closer row for each region that commands touched."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import nlargest
from itertools import pairwise

from sticktrace.output.listing import Style, plain
from sticktrace.volume.medium import Medium
from sticktrace.volume.overview import Cell, device_map, extent_of

COLUMNS, REGIONS = 64, 12
MARKS = "not touched ·, read r, written w, both b, failed !"
_APART = 16
"""Untouched blocks between two regions; less than that does not part them."""
_LABEL = 60


def map_lines(medium: Medium, style: Style = plain) -> Iterator[str]:
    """Which parts of a medium were read, written or failed, and what the touched ones are for."""
    total = extent_of(medium)
    if not total:
        return
    yield f"  map: {MARKS}"
    yield f"  {'blocks':>21}  {'a mark is':>11}"
    yield _row(medium, 0, total, style)
    found = regions(medium.store.spans())
    if len(found) == 1 and (found[0][1] - found[0][0]) * 2 > total:
        return
    for first, after in found:
        label = medium.label(first, after - first)
        short = label if len(label) <= _LABEL else label[: _LABEL - 1] + "…"
        yield f"{_row(medium, first, after, style)}  {short}".rstrip()


def regions(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Touched ranges (first block, block after the last) as a few regions, parted at the widest gaps."""
    gaps = [(after[0] - before[1], before[1], after[0]) for before, after in pairwise(spans)]
    widest = sorted(gap[1:] for gap in nlargest(REGIONS - 1, gaps) if gap[0] >= _APART)
    edges = [spans[0][0], *(edge for gap in widest for edge in gap), spans[-1][1]] if spans else []
    return list(zip(edges[::2], edges[1::2], strict=True))


def _row(medium: Medium, first: int, after: int, style: Style) -> str:
    cells = device_map(medium, COLUMNS, first, after)
    each = cells[0].last - cells[0].first + 1
    marks = "".join(style(_mark(cell), "bad") if cell.failures else _mark(cell) for cell in cells)
    reach = f"{first}..{after - 1}"
    return f"  {reach:>21}  {each:>11,}  {marks}{' ' * (COLUMNS - len(cells))}"


def _mark(cell: Cell) -> str:
    if cell.failures:
        return "!"
    if cell.reads and cell.writes:
        return "b"
    return "r" if cell.reads else "w" if cell.writes else "·"
