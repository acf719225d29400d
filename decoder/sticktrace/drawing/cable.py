"""The cable: the way from the host to each stick from left to right, hub by hub, with what is known of each leg, cut
through where it broke."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from sticktrace.drawing.lettering import heading
from sticktrace.drawing.measure import wrap
from sticktrace.drawing.scene import LEAST_PAGE, Frame, Mark, Scene, Sketch, Stroke

_LEG, _BOX, _MOST_LEG, _MOST_BOX = 10, 12, 22, 30
"""Least and most columns of a leg and of a box."""


@dataclass(frozen=True, slots=True)
class Leg:
    """What joins a box to the next: ``above`` the line (the port), ``below`` it (speed, current). ``broken`` says
    how it broke, "" where it holds."""

    to: Box
    above: str = ""
    below: tuple[str, ...] = ()
    broken: str = ""


@dataclass(frozen=True, slots=True)
class Box:
    """Host, hub or stick: its lines, the first its name, and the legs that leave it."""

    lines: tuple[str, ...]
    legs: tuple[Leg, ...] = ()
    key: int = -1
    mood: str = "plain"


@dataclass(slots=True)
class _Plan:
    """Columns of a box and of a leg."""

    box: int
    leg: int
    tops: dict[int, int] = field(default_factory=dict)


def cable(hosts: list[Box], width: int = 80, title: str = "Who is plugged in where") -> Scene:
    """One line of boxes a host; a hub that serves several is as high as all that hangs on it. Where the way is too long
    for the width, each stick's is drawn by itself, in lines."""
    sketch = Sketch(max(LEAST_PAGE, width))
    y = heading(sketch, title) + 1
    for host in hosts:
        depth = _depth(host)
        if depth * _BOX + (depth - 1) * _LEG <= sketch.width:
            y = _place(sketch, host, 0, y, _plan(sketch.width, depth)) + 1
        else:
            for way in _ways(host):
                y = _in_lines(sketch, host, way, y) + 1
    return sketch.scene(title, " ".join(_told(host) for host in hosts))


def _depth(box: Box) -> int:
    return 1 + max((_depth(leg.to) for leg in box.legs), default=0)


def _plan(width: int, depth: int) -> _Plan:
    if depth == 1:
        return _Plan(min(_MOST_BOX, width), 0)
    least = _LEG + 2 if depth * _BOX + (depth - 1) * (_LEG + 2) <= width else _LEG
    leg = min(_MOST_LEG, max(least, (width - depth * _MOST_BOX) // (depth - 1)))
    return _Plan(min(_MOST_BOX, (width - (depth - 1) * leg) // depth), leg)


def _place(sketch: Sketch, box: Box, x: int, y: int, plan: _Plan) -> int:
    """A box with all that hangs on it; returns the row below."""
    lines = _lines(box, plan.box)
    low, begin = y, x + plan.box + plan.leg
    for leg in box.legs:
        low = max(_place(sketch, leg.to, begin, low, plan), low + _leg(sketch, leg, x + plan.box - 1, begin, low)) + 1
    low = max(low - 1, y + len(lines) + 2)
    _box(sketch, box, x, y, plan.box, low - y, lines)
    return low


def _lines(box: Box, size: int) -> list[str]:
    return [piece for line in box.lines for piece in wrap(line, size - 4)]


def _box(sketch: Sketch, box: Box, x: int, y: int, w: int, h: int, lines: list[str]) -> None:
    sketch.add(Frame(x, y, w, h, box.mood, box.key, "; ".join(box.lines)))
    named = len(wrap(box.lines[0], w - 4)) if box.lines else 0
    for at, line in enumerate(lines):
        sketch.say(x + 2, y + 1 + at, line, "strong" if at < named else "plain", box.key)


def _leg(sketch: Sketch, leg: Leg, x1: int, x2: int, y: int) -> int:
    """The line from one border to the next, on the second row of the box that it leads to; returns how many rows it
    and its words take."""
    room, middle, key = x2 - x1 - 1, (x1 + x2) // 2, leg.to.key
    above = wrap(leg.above, room)[:1]
    for line in above:
        sketch.say(x1 + 1 + (room - len(line)) // 2, y, line, "plain", key)
    if leg.broken:
        sketch.add(Stroke(x1, y + 1, middle - 1, y + 1, "plain", key=key), Mark(middle, y + 1, "cut", "bad", key))
        sketch.add(Stroke(middle + 1, y + 1, x2 - 1, y + 1, "quiet", faint=True, key=key))
    else:
        sketch.add(Stroke(x1, y + 1, x2, y + 1, "plain", key=key))
    down = y + 2
    for mood, texts in (("bad", (leg.broken,)), ("quiet", leg.below)):
        for line in (piece for text in texts for piece in wrap(text, room)):
            sketch.say(x1 + 1 + max(0, room - len(line)) // 2, down, line, mood, key)
            down += 1
    return down - y


def _ways(box: Box) -> Iterator[list[Leg]]:
    """The legs from a host to each end of its cables."""
    for leg in box.legs:
        if not leg.to.legs:
            yield [leg]
        for rest in _ways(leg.to):
            yield [leg, *rest]


def _in_lines(sketch: Sketch, host: Box, way: list[Leg], y: int) -> int:
    """One way in as many lines as it takes, each beginning with the leg that leads there."""
    lines = _lines(host, _BOX)
    low = y + len(lines) + 2
    _box(sketch, host, 0, y, _BOX, low - y, lines)
    x = _BOX
    for leg in way:
        if x + _LEG + _BOX > sketch.width:
            x, y = 2, low + 1
        begin = x + _LEG
        taken = _leg(sketch, leg, x - 1, begin, y)
        lines = _lines(leg.to, _BOX)
        _box(sketch, leg.to, begin, y, _BOX, len(lines) + 2, lines)
        low = max(low, y + len(lines) + 2, y + taken)
        x = begin + _BOX
    return low


def _told(box: Box) -> str:
    """The same in words."""
    said = ", ".join(box.lines)
    legs = [f"{', '.join(w for w in (leg.above, *leg.below, leg.broken) if w)} to {_told(leg.to)}" for leg in box.legs]
    return f"{said}{': ' if legs else '.'}{'; '.join(legs)}"
