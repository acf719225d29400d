"""The staircase of a bring-up: one step up for each stage, as far as the stick came."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import columns, fit, wrap
from sticktrace.drawing.scene import LEAST_WIDTH, Mark, Scene, Sketch, Stroke
from sticktrace.text import time_in_words

REACHED, FAILED, NOT_SEEN = "reached", "failed", "not seen"
_SIGNS = {REACHED: ("done", "good"), FAILED: ("failed", "bad"), NOT_SEEN: ("ring", "quiet")}


@dataclass(frozen=True, slots=True)
class Tread:
    """One stage: its name, whether it was reached, when (nanoseconds, -1: not known), and what is said of it."""

    name: str
    state: str
    time_ns: int = -1
    words: str = ""


def staircase(treads: list[Tread], width: int = 80, title: str = "Bring-up") -> Scene:
    """The first stage at the bottom left, the last at the top right; words stand where there is more room."""
    sketch = Sketch(max(LEAST_WIDTH, width))
    top = heading(sketch, title)
    run = max(3, min(8, sketch.width // (len(treads) + 2))) if treads else 3
    heights = [_height(sketch, at, run, tread) for at, tread in enumerate(treads)]
    low = top + sum(heights)
    before = -1
    for at, tread in enumerate(treads):
        low -= heights[at]
        before = _tread(sketch, at, run, low, heights[at], tread, before)
    return sketch.scene(title, "; ".join(_words(tread, -1)[0] for tread in treads) + ".")


def _words(tread: Tread, before: int) -> tuple[str, str]:
    """What stands beside a step: its name with the time, and what is said of it."""
    when = ""
    if tread.time_ns >= 0 and tread.state != NOT_SEEN:
        when = f" {time_in_words(tread.time_ns)}"
        if before >= 0:
            wait = tread.time_ns - before
            when += f" (+{time_in_words(wait)})" if wait >= 0 else f" ({time_in_words(-wait)} before)"
    state = "" if tread.state == REACHED else f": {tread.state}"
    return f"{tread.name}{state}{when}", tread.words


def _room(sketch: Sketch, at: int, run: int) -> tuple[int, int, bool]:
    """First column and columns for the words of a step, and whether they stand at its left."""
    left, right = at * run - 1, sketch.width - (at + 1) * run - 4
    return (0, left, True) if left > right else ((at + 1) * run + 4, right, False)


def _height(sketch: Sketch, at: int, run: int, tread: Tread) -> int:
    _, room, _ = _room(sketch, at, run)
    return 1 + min(2, len(wrap(tread.words, room))) if tread.words else 2


def _tread(sketch: Sketch, at: int, run: int, y: int, height: int, tread: Tread, before: int) -> int:
    sign, mood = _SIGNS[tread.state]
    x, end = at * run, (at + 1) * run
    faint = tread.state == NOT_SEEN
    line = "quiet" if faint else mood
    sketch.add(Stroke(x + (1 if faint else 0), y, end, y, line, faint=faint, key=at))
    if not faint:
        sketch.add(Stroke(x, y, x, y + height - (0 if at else 1), line, key=at))
    sketch.add(Mark(end + 2, y, sign, mood, at, tread.words))
    head, said = _words(tread, before)
    begin, room, left = _room(sketch, at, run)
    lines = [fit(head, room), *wrap(said, room)[: height - 1]] if said else [fit(head, room)]
    if said and len(wrap(said, room)) > height - 1:
        lines[-1] = fit(lines[-1] + " …", room)
    for down, text in enumerate(lines):
        start = begin + room - columns(text) if left else begin
        sketch.say(start, y + down, text, ("strong" if tread.state == REACHED else mood) if not down else "quiet", at)
    return max(before, tread.time_ns) if tread.state != NOT_SEEN else before
