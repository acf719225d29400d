"""How long things took: a row of heights for each kind over one logarithmic axis, so that microseconds and seconds are
seen in one drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sticktrace.drawing.axis import Axis
from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, fit, wrap
from sticktrace.drawing.scene import LEAST_WIDTH, Bar, Mark, Scene, Sketch, Stroke
from sticktrace.text import count_of, time_in_words


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind: its name, how long each took (nanoseconds), and of these the half, the nine tenths and the longest."""

    name: str
    values: Sequence[int]
    half: int
    most: int
    longest: int


def spreads(kinds: list[Kind], width: int = 80, title: str = "How long it took") -> Scene:
    """A cell's height is the share of the times that fall into it, against the fullest cell of its row; the figures
    stand below."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    y = heading(sketch, title) + 1
    names = min(20, max((columns(kind.name) for kind in kinds), default=0))
    low, high = _decades(kinds)
    axis = Axis(low, high, names + 2, sketch.width - names - 2, log=True)
    for key, kind in enumerate(kinds):
        sketch.say(0, y, fit(kind.name, names), "strong", key)
        _heights(sketch, y, key, kind, axis)
        y = _figures(sketch, y + 1, key, kind, axis)
    if kinds:
        sketch.add(*axis.shapes(y))
    return sketch.scene(title, "; ".join(f"{kind.name}: {_told(kind)}" for kind in kinds))


def _decades(kinds: list[Kind]) -> tuple[float, float]:
    """Whole powers of ten around all values, at least two; nothing is shown below 100 ns."""
    low = min((max(100, min(kind.values, default=100)) for kind in kinds), default=1000)
    high = max((max(100, kind.longest) for kind in kinds), default=1000)
    first = math.floor(math.log10(low))
    return 10.0**first, 10.0 ** max(first + 2, math.ceil(math.log10(high)))


def _heights(sketch: Sketch, y: int, key: int, kind: Kind, axis: Axis) -> None:
    counts = _histogram(kind.values, axis)
    top = max(counts, default=0)
    begin = -1
    for cell, count in enumerate([*counts, 1]):
        x = axis.x + cell
        if count and begin >= 0:
            sketch.add(Stroke(begin, y, x - 1, y, "quiet", faint=True))
            begin = -1
        if count and cell < axis.w:
            hint = f"{count_of(count, 'time')} of {len(kind.values):,}"
            sketch.add(Bar(x, y, 1, "head", "solid", key, hint, max(0.125, min(0.999, count / top))))
        elif not count and begin < 0:
            begin = x


def _histogram(values: Sequence[int], axis: Axis) -> list[int]:
    """How many fall into each cell of the axis."""
    import numpy as np

    edges = np.logspace(math.log10(axis.low), math.log10(axis.high), axis.w + 1)
    clipped = np.clip(np.asarray(values, dtype=np.float64), axis.low, axis.high)
    found: list[int] = np.histogram(clipped, edges)[0].tolist()
    return found


def _figures(sketch: Sketch, y: int, key: int, kind: Kind, axis: Axis) -> int:
    """A mark below the half, and the figures at the side of it that has room, or below; returns the next free row."""
    at = axis.cell(max(kind.half, 1))
    sketch.add(Mark(at, y, "write", "quiet", key, "half of them took no longer"))
    text = _told(kind)
    if at + 2 + columns(text) <= sketch.width:
        sketch.say(at + 2, y, text, "quiet", key)
    elif columns(text) <= at - 1:
        sketch.say(at - 1 - columns(text), y, text, "quiet", key)
    else:
        for line in wrap(text, axis.w):
            y += 1
            sketch.say(axis.x, y, line, "quiet", key)
    return y + 1


def _told(kind: Kind) -> str:
    if len(kind.values) == 1:
        return f"once, in {time_in_words(kind.longest)}"
    half, most, longest = time_in_words(kind.half), time_in_words(kind.most), time_in_words(kind.longest)
    return f"{len(kind.values):,} ×, half in {half}, 90 % in {most}, longest {longest}"
