"""The three strips of an exchange, command, data and status, each as long as the time that it took."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.drawing.axis import Axis
from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, fit
from sticktrace.drawing.scene import LEAST_WIDTH, Bar, Scene, Sketch
from sticktrace.text import time_in_words

_NAMES = 9
FILLS = {"command": "dense", "data": "solid", "status": "light"}
"""How each strip is told from the others without colour."""


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase: from when to when (nanoseconds; ``end_ns`` -1: not seen, or the capture has no times), and what
    happened in it."""

    name: str
    start_ns: int
    end_ns: int
    words: str = ""
    mood: str = "plain"


def strips(phases: list[Phase], width: int = 80, title: str = "") -> Scene:
    """One row a phase, on one axis of time from the start of the first."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    y = heading(sketch, title) if title else 0
    timed = [phase for phase in phases if phase.end_ns >= phase.start_ns]
    begin = min((phase.start_ns for phase in timed), default=0)
    end = max((phase.end_ns for phase in timed), default=0)
    axis = Axis(0, end - begin, _NAMES, sketch.width - _NAMES)
    for key, phase in enumerate(phases):
        y = _row(sketch, y, key, phase, axis, begin, end > begin)
    if end > begin:
        sketch.add(*axis.shapes(y))
    return sketch.scene(title or "Phases", _described(phases))


def _row(sketch: Sketch, y: int, key: int, phase: Phase, axis: Axis, begin: int, scaled: bool) -> int:
    """A strip and its words, beside it or below; returns the next free row."""
    sketch.say(0, y, fit(phase.name, _NAMES - 1), "strong", key)
    text = _words(phase)
    if not scaled or phase.end_ns < phase.start_ns:
        sketch.say(_NAMES, y, fit(text, sketch.width - _NAMES), phase.mood, key)
        return y + 1
    first, last = axis.at(phase.start_ns - begin), axis.at(phase.end_ns - begin)
    bar = Bar(first, y, last - first, "plain", FILLS.get(phase.name, "solid"), key, text)
    left, right = min(int(first + 0.5), sketch.width - 1), max(int(first + 0.5), int(last + 0.5) - 1)
    if left >= sketch.width - 1 and first >= sketch.width - 1:
        bar = Bar(sketch.width - 1.0, y, 1.0, "plain", bar.fill, key, text)
        left = right = sketch.width - 1
    sketch.add(bar)
    room = sketch.width - right - 2
    if columns(text) <= room:
        sketch.say(right + 2, y, text, phase.mood, key)
    elif columns(text) <= left - 1 - _NAMES:
        sketch.say(left - 1 - columns(text), y, text, phase.mood, key)
    else:
        y += 1
        short = fit(text, sketch.width - _NAMES)
        sketch.say(min(max(_NAMES, left), sketch.width - columns(short)), y, short, phase.mood, key)
    return y + 1


def _words(phase: Phase) -> str:
    took = time_in_words(phase.end_ns - phase.start_ns) if phase.end_ns >= phase.start_ns else ""
    return "  ".join(words for words in (took, phase.words) if words)


def _described(phases: list[Phase]) -> str:
    return "; ".join(f"{phase.name}: {_words(phase) or 'not seen'}" for phase in phases) + "."
