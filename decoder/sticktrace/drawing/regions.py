"""Sectors as regions: one named row for each, time from left to right, reads, writes and failures as marks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sticktrace.drawing.axis import Axis
from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, fit
from sticktrace.drawing.scene import LEAST_PAGE, Mark, Scene, Sketch, Stroke
from sticktrace.text import count_of

READ, WRITE, FAILED = 1, 2, 4
_SIGNS = {
    READ: ("read", "plain"), WRITE: ("write", "mark"), READ | WRITE: ("both", "mark"),
}  # fmt: skip
_NAMED = (
    ("read", "plain", "read"),
    ("write", "mark", "written"),
    ("both", "mark", "both"),
    ("failed", "bad", "failed"),
)


@dataclass(frozen=True, slots=True)
class Region:
    """A row: what its blocks are for, and the first and the last of them."""

    name: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Touch:
    """A command that touched a region: when, the row, READ, WRITE or FAILED added up, and its exchange."""

    time_ns: int
    row: int
    kinds: int
    number: int


def regions(
    rows: list[Region], touches: Iterable[Touch], width: int = 80, title: str = "Regions of the medium",
    span: tuple[int, int] | None = None, timed: bool = True,
) -> Scene:  # fmt: skip
    """``span`` is the time shown (nanoseconds), by default from the first touch to the last. Without times
    (``timed`` False) the touches stand in their order, and there is no axis."""
    sketch = Sketch(max(LEAST_PAGE, width))
    y = heading(sketch, title)
    found = list(touches)
    low, high = span or (min((t.time_ns for t in found), default=0), max((t.time_ns for t in found), default=0))
    least = max((len(_where(row)) + 8 for row in rows), default=0)
    names = max((columns(row.name) + len(_where(row)) + 2 for row in rows), default=0)
    names = min(max(least, min(sketch.width * 2 // 5, names)), sketch.width * 3 // 4)
    axis = Axis(low, max(high, low + 1), names + 2, sketch.width - names - 2)
    y = _legend(sketch, y) + 1
    cells = _gathered(found, axis, low, high)
    for at, row in enumerate(rows):
        where = _where(row)
        sketch.say(0, y + at, fit(row.name, names - 2 - len(where)), "strong", at, f"LBA {row.first:,} to {row.last:,}")
        sketch.say(names - len(where), y + at, where, "quiet", at)
        used = sorted(cell for cell, line in cells if line == at)
        _line(sketch, y + at, at, axis, used)
        for cell in used:
            _mark(sketch, cell, y + at, cells[cell, at])
    if timed:
        sketch.add(*axis.shapes(y + len(rows)))
    return sketch.scene(title, _described(rows, found))


def _where(row: Region) -> str:
    return f"{row.first:,}" if row.first == row.last else f"{row.first:,}-{row.last:,}"


def _gathered(touches: list[Touch], axis: Axis, low: int, high: int) -> dict[tuple[int, int], list[Touch]]:
    """Touches by cell and row."""
    cells: dict[tuple[int, int], list[Touch]] = {}
    for touch in touches:
        if low <= touch.time_ns <= high:
            cells.setdefault((axis.cell(touch.time_ns), touch.row), []).append(touch)
    return cells


def _line(sketch: Sketch, y: int, key: int, axis: Axis, used: list[int]) -> None:
    """A faint line wherever no mark stands."""
    begin = axis.x
    for cell in (*used, axis.x + axis.w):
        if cell > begin:
            sketch.add(Stroke(begin, y, cell - 1, y, "quiet", faint=True, key=key))
        begin = cell + 1


def _mark(sketch: Sketch, x: int, y: int, touches: list[Touch]) -> None:
    kinds = 0
    for touch in touches:
        kinds |= touch.kinds
    failed = [touch.number for touch in touches if touch.kinds & FAILED]
    sign, mood = ("failed", "bad") if failed else _SIGNS.get(kinds & 3, ("read", "plain"))
    first, last = touches[0].number, touches[-1].number
    hint = f"exchange {first}" if first == last else f"{count_of(len(touches), 'command')}, exchanges {first} to {last}"
    sketch.add(Mark(x, y, sign, mood, (failed or [first])[0], hint + (f", failed: {failed[0]}" if failed else "")))


def _legend(sketch: Sketch, y: int) -> int:
    x = 0
    for sign, mood, words in _NAMED:
        sketch.add(Mark(x, y, sign, mood))
        x = sketch.say(x + 2, y, words, "quiet") + 3
    return y + 1


def _described(rows: list[Region], touches: list[Touch]) -> str:
    counts = [[0, 0, 0] for _ in rows]
    for touch in touches:
        for at, kind in enumerate((READ, WRITE, FAILED)):
            counts[touch.row][at] += bool(touch.kinds & kind)
    return "; ".join(
        f"{row.name}, LBA {row.first:,} to {row.last:,}: {reads:,} read, {writes:,} written, {failed:,} failed"
        for row, (reads, writes, failed) in zip(rows, counts, strict=True)
    )
