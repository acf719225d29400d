"""A scene as lines of text: box characters, or ASCII where an output has no others."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sticktrace.drawing import signs
from sticktrace.drawing.measure import columns
from sticktrace.drawing.scene import Bar, Frame, Label, Mark, Scene, Shape, Span, Stroke, bar_cells
from sticktrace.drawing.signs import EAST, NORTH, SOUTH, WEST

Style = Callable[[str, str], str]
"""Takes text and a mood and returns it coloured, or as it is."""


@dataclass(frozen=True, slots=True)
class Run:
    """Characters beside each other that mean one thing."""

    text: str
    mood: str
    key: int


def _plain(text: str, _mood: str) -> str:
    return text


def text_lines(scene: Scene, style: Style = _plain, ascii_only: bool = False) -> Iterator[str]:
    """The lines of a scene, without spaces at their ends."""
    for runs in runs_of(scene, ascii_only):
        yield "".join(style(run.text, run.mood) if run.mood != "plain" else run.text for run in runs).rstrip()


def runs_of(scene: Scene, ascii_only: bool = False) -> Iterator[list[Run]]:
    """Each line as runs, for those who style and choose for themselves."""
    grid = _Grid(scene, ascii_only)
    for y in range(scene.height):
        yield list(grid.runs(y))


_WHOLE = {NORTH: NORTH | SOUTH, SOUTH: NORTH | SOUTH, EAST: EAST | WEST, WEST: EAST | WEST}
"""A line that ends in a cell is drawn through it."""


class _Grid:
    """The cells of a scene: what stands in them, its mood, and whose it is."""

    def __init__(self, scene: Scene, ascii_only: bool) -> None:
        self.width, self.ascii = scene.width, ascii_only
        self._at: dict[tuple[int, int], tuple[str, str, int]] = {}
        self._lines: dict[tuple[int, int], int] = {}
        for shape in scene.shapes:
            self._draw(shape)
        table = signs.LINES_ASCII if ascii_only else signs.LINES
        for place, mask in self._lines.items():
            if place in self._at:
                _, mood, key = self._at[place]
                self._at[place] = table[_WHOLE.get(mask, mask)], mood, key
        self._rows: dict[int, list[int]] = {}
        for x, y in self._at:
            self._rows.setdefault(y, []).append(x)

    def runs(self, y: int) -> Iterator[Run]:
        """One line."""
        behind = 0
        text, mood, key = "", "plain", -1
        for x in sorted(self._rows.get(y, ())):
            char, its_mood, its_key = self._at[x, y]
            if (its_mood, its_key) != (mood, key) or x > behind:
                if text:
                    yield Run(text, mood, key)
                if x > behind:
                    yield Run(" " * (x - behind), "plain", -1)
                text, mood, key = "", its_mood, its_key
            text += char
            behind = x + columns(char)
        if text:
            yield Run(text, mood, key)

    def _draw(self, shape: Shape) -> None:
        match shape:
            case Label():
                self._label(shape)
            case Span():
                self._span(shape)
            case Stroke():
                self._stroke(shape)
            case Bar():
                fill = self._fill(shape)
                first, last = bar_cells(shape)
                for x in range(first, last + 1):
                    self._at[x, shape.y] = fill, shape.mood, shape.key
            case Frame():
                self._frame(shape)
            case Mark():
                sign = (signs.MARKS_ASCII if self.ascii else signs.MARKS)[shape.kind]
                self._lines.pop((shape.x, shape.y), None)
                self._at[shape.x, shape.y] = sign, shape.mood, shape.key

    def _fill(self, bar: Bar) -> str:
        if bar.h < 1:
            heights = signs.HEIGHTS_ASCII if self.ascii else signs.HEIGHTS
            return heights[max(0, min(7, int(bar.h * 8 + 0.5) - 1))]
        return (signs.FILLS_ASCII if self.ascii else signs.FILLS)[bar.fill]

    def _label(self, label: Label) -> None:
        x = label.x
        for char in signs.in_ascii(label.text) if self.ascii else label.text:
            room = columns(char)
            if not room and (before := self._at.get((x - 1, label.y))):  # a mark that goes onto the letter before
                self._at[x - 1, label.y] = before[0] + char, label.mood, label.key
                continue
            self._at[x, label.y] = char, label.mood, label.key
            x += room

    def _line(self, x: int, y: int, mask: int, mood: str, key: int) -> None:
        self._lines[x, y] = self._lines.get((x, y), 0) | mask
        self._at[x, y] = " ", mood, key

    def _span(self, span: Span) -> None:
        last = span.x + span.w - 1
        if span.group:
            table = signs.GROUP_ASCII if self.ascii else signs.GROUP
            for x in range(span.x, last + 1):
                part = "first" if x == span.x and span.left else "last" if x == last and span.right else "middle"
                self._at[x, span.y] = table["only" if span.w == 1 else part], span.mood, span.key
            return
        if span.w == 1 and span.left and span.right:
            self._at[span.x, span.y] = "|" if self.ascii else "╵", span.mood, span.key
            return
        for x in range(span.x, last + 1):
            first, end = x == span.x, x == last
            mask = (0 if first and span.left else WEST) | (0 if end and span.right else EAST)
            upright = (first and span.left) or (end and span.right)
            self._line(x, span.y, mask | (NORTH if upright else 0), span.mood, span.key)

    def _stroke(self, line: Stroke) -> None:
        dx, dy = (line.x2 > line.x1) - (line.x2 < line.x1), (line.y2 > line.y1) - (line.y2 < line.y1)
        faint = signs.FAINT_ASCII if self.ascii else signs.FAINT
        along = {1: EAST, -1: WEST}.get(dx, 0) | {1: SOUTH, -1: NORTH}.get(dy, 0)
        back = {1: WEST, -1: EAST}.get(dx, 0) | {1: NORTH, -1: SOUTH}.get(dy, 0)
        steps = max(abs(line.x2 - line.x1), abs(line.y2 - line.y1))
        for n in range(steps + 1):
            x, y = line.x1 + n * dx, line.y1 + n * dy
            if line.faint:
                self._at[x, y] = faint["up" if dy else "level"], line.mood, line.key
            elif n == steps and line.head:
                heads = signs.HEADS_ASCII if self.ascii else signs.HEADS
                self._lines.pop((x, y), None)
                self._at[x, y] = heads[dx, dy], line.mood, line.key
            else:
                self._line(x, y, (along if n < steps else 0) | (back if n else 0), line.mood, line.key)

    def _frame(self, box: Frame) -> None:
        right, low = box.x + box.w - 1, box.y + box.h - 1
        for x1, y1, x2, y2 in (
            (box.x, box.y, right, box.y), (box.x, low, right, low),
            (box.x, box.y, box.x, low), (right, box.y, right, low),
        ):  # fmt: skip
            self._stroke(Stroke(x1, y1, x2, y2, box.mood, key=box.key))
