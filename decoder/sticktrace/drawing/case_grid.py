"""The thirteen cases of BOT 1.0 6.7 as a grid: what the host expects across, what the device means to do down; those
that a capture shows are marked and counted."""

from __future__ import annotations

from collections.abc import Mapping

from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import wrap
from sticktrace.drawing.scene import LEAST_WIDTH, Frame, Mark, Scene, Sketch
from sticktrace.text import count_of
from sticktrace.transport.cases import CASES

_HOST = ("Hn: no data", "Hi: data in", "Ho: data out")
_DEVICE = ("Dn: none", "Di: in", "Do: out")
_GRID = (((1,), (4,), (9,)), ((2,), (5, 6, 7), (10,)), ((3,), (8,), (11, 12, 13)))
"""Cases by row (device) and column (host): BOT 1.0 6.7, Table 6.1."""

_SIDE = 10


def case_grid(seen: Mapping[int, int], width: int = 80, title: str = "The thirteen cases") -> Scene:
    """``seen`` counts the exchanges of each case."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    y = heading(sketch, title, "BOT 1.0 6.7") + 1
    cell = min(24, (sketch.width - _SIDE) // 3)
    for column, name in enumerate(_HOST):
        sketch.say(_SIDE + column * cell + 2, y, name, "strong")
    y += 1
    for row, name in enumerate(_DEVICE):
        height = 2 + 2 * max(len(cases) for cases in _GRID[row])
        sketch.say(0, y + 1, name, "strong")
        for column, cases in enumerate(_GRID[row]):
            x = _SIDE + column * cell
            sketch.add(Frame(x, y, cell, height, "quiet"))
            for at, case in enumerate(cases):
                _case(sketch, x + 1, y + 1 + 2 * at, case, seen.get(case, 0))
        y += height
    sketch.add(Mark(0, y + 1, "done", "good"))
    end = sketch.say(2, y + 1, "seen in this capture", "good") + 3
    sketch.add(Mark(end, y + 1, "ring", "quiet"))
    sketch.say(end + 2, y + 1, "not seen", "quiet")
    _legend(sketch, y + 3, seen)
    told = ", ".join(f"case {case} {count_of(count, 'time')}" for case, count in sorted(seen.items()) if count)
    return sketch.scene(title, f"Seen: {told or 'none'}.")


def _relation(case: int) -> str:
    return CASES[case].partition(":")[0]


def _case(sketch: Sketch, x: int, y: int, case: int, count: int) -> None:
    mood = "good" if count else "quiet"
    sketch.add(Mark(x, y, "done" if count else "ring", mood, case, CASES[case]))
    sketch.say(x + 2, y, f"{case:>2} {_relation(case)}", "strong" if count else "quiet", case, CASES[case])
    if count:
        sketch.say(x + 2, y + 1, f"{count:,} ×", "good", case)


def _legend(sketch: Sketch, y: int, seen: Mapping[int, int]) -> None:
    """In words those that were seen; all of them where none was."""
    told = [case for case in CASES if seen.get(case)] or list(CASES)
    for case in told:
        name, _, words = CASES[case].partition(": ")
        sketch.say(0, y, f"{case:>2}", "strong", case)
        for line in wrap(f"{name}: {words}", sketch.width - 4):
            sketch.say(4, y, line, "plain", case)
            y += 1
