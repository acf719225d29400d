"""A time ladder: what went from host to stick and back, from top to bottom, the distances as long as the time between.

Where steps follow each other faster than a line can show they stand on lines of their own; the times beside them are
exact.
"""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, fit
from sticktrace.drawing.scene import LEAST_WIDTH, Label, Mark, Scene, Sketch, Stroke
from sticktrace.text import time_in_words

OUT, IN, BOTH, LOST = "out", "in", "both", "lost"
"""Ways of a step: host to stick, stick to host, what both see (a reset, a pause), an answer that never came."""

_HOST = 13
_SPARE = 30
"""Lines that a ladder takes beyond one for each step, to show the time between."""
MOST_STEPS = 60
"""Steps that are drawn; of more the middle is left out and counted."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step: when (nanoseconds, -1: the capture has no times), which way, and what."""

    time_ns: int
    way: str
    words: str
    mood: str = "plain"
    hint: str = ""


def time_ladder(steps: list[Step], width: int = 80, title: str = "Time ladder") -> Scene:
    """The steps between two upright lines, host at the left and stick at the right."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    top = heading(sketch, title)
    right = sketch.width - 3
    sketch.add(Label(_HOST - 1, top, "host", "strong"), Label(right - 2, top, "stick", "strong"))
    left_out = len(steps) - MOST_STEPS
    shown = steps if left_out <= 0 else steps[: MOST_STEPS // 2] + steps[-MOST_STEPS // 2 :]
    rows = [top + 2 + row for row in rows_of([step.time_ns for step in shown])]
    if left_out > 0:
        rows = [row + (2 if at >= MOST_STEPS // 2 else 0) for at, row in enumerate(rows)]
        _left_out(sketch, rows[MOST_STEPS // 2] - 1, left_out)
    start = next((step.time_ns for step in shown if step.time_ns >= 0), 0)
    for key, (step, y) in enumerate(zip(shown, rows, strict=True)):
        if step.time_ns >= 0:
            text = fit(f"+{time_in_words(step.time_ns - start)}" if step.time_ns != start else "0", _HOST - 1)
            sketch.say(_HOST - 1 - columns(text), y, text, "quiet", key)
        _step(sketch, y, key, step, right)
    low = (rows[-1] if rows else top + 1) + 1
    for x in (_HOST, right):
        sketch.add(*_upright(sketch, x, top + 1, low))
    return sketch.scene(title, _described(steps, start))


def rows_of(times: list[int]) -> list[int]:
    """A row for each time, from 0 on: one further for each step, and the rest by the time between."""
    total = max(times, default=0) - min(times, default=0)
    rows: list[int] = []
    for at, time in enumerate(times):
        if not at:
            rows.append(0)
            continue
        gap = max(0, time - times[at - 1])
        rows.append(rows[-1] + 1 + (round(gap / total * _SPARE) if total > 0 and time >= 0 else 0))
    return rows


def _step(sketch: Sketch, y: int, key: int, step: Step, right: int) -> None:
    """An arrow with its words inside, or the words alone for what both see."""
    first, last = _HOST + 1, right - 1
    text = fit(step.words, last - first - 7)
    at = first + 3
    sketch.add(Label(at, y, text, step.mood, key, step.hint or step.words))
    end = at + columns(text)
    if step.way == BOTH:
        sketch.add(Stroke(first, y, at - 2, y, step.mood, key=key), Stroke(end + 1, y, last, y, step.mood, key=key))
    elif step.way == OUT:
        sketch.add(Stroke(first, y, at - 2, y, step.mood, key=key))
        sketch.add(Stroke(end + 1, y, last, y, step.mood, head=True, key=key))
    elif step.way == IN:
        sketch.add(Stroke(at - 2, y, first, y, step.mood, head=True, key=key))
        sketch.add(Stroke(end + 1, y, last, y, step.mood, key=key))
    else:
        sketch.add(Mark(first, y, "failed", step.mood, key))


def _left_out(sketch: Sketch, y: int, count: int) -> None:
    sketch.say(_HOST + 4, y, f"… {count:,} steps are not drawn", "quiet")


def _upright(sketch: Sketch, x: int, top: int, low: int) -> list[Stroke]:
    return [Stroke(x, top, x, low, "strong")]


def _described(steps: list[Step], start: int) -> str:
    ways = {OUT: "host to stick", IN: "stick to host", BOTH: "both", LOST: "no answer"}
    times = [time_in_words(step.time_ns - start) if step.time_ns >= 0 else "time not known" for step in steps]
    said = [f"{time}, {ways[step.way]}: {step.words}" for time, step in zip(times, steps[:MOST_STEPS], strict=False)]
    return "; ".join(said) + "."
