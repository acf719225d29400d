"""Words beside brackets: right of one where there is room, else left of it, else below."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.drawing.measure import columns, wrap
from sticktrace.drawing.scene import Cell, Sketch, Span, Stroke, cells
from sticktrace.text import safe

_LEAST = 20
"""Columns in which words can be read."""


def heading(sketch: Sketch, title: str, aside: str = "") -> int:
    """The title of a drawing and where it is from, on its first lines; returns the line behind them."""
    y = end = 0
    for y, line in enumerate(wrap(safe(title), sketch.width)):
        end = sketch.say(0, y, line, "head")
    for line in wrap(safe(aside), sketch.width):
        if end + 2 + columns(line) > sketch.width:
            y, end = y + 1, -2
        end = sketch.say(end + 2, y, line, "quiet")
    return y + 1


class Lettering:
    """Puts brackets' words down line by line below ``top``; ``y`` is the line that comes next."""

    def __init__(self, sketch: Sketch, top: int) -> None:
        self.sketch, self.top, self.y = sketch, top, top
        self._from = len(sketch.shapes)
        self._drops: list[tuple[int, int, int]] = []
        self._behind = 0

    def beside(
        self, span: Span, name: str, rest: str, mood: str, key: int = -1, hint: str = "", strong: str = "strong",
        top: int | None = None,
    ) -> None:  # fmt: skip
        """The words of a bracket that stands on the present line, which is left below them. What it covers ends above
        the line ``top``."""
        self._drops.append((span.x, self.top if top is None else top, span.y))
        text = f"{name} {rest}".strip()
        right, left = self.sketch.width - span.x - span.w - 1, span.x - 1
        choices: list[tuple[int, int, list[str]]] = []
        for place, room in enumerate((right, left)):
            if room >= min(_LEAST, columns(text)):
                lines = wrap(text, room)
                choices.append((len(lines), place, lines))
        room = self.sketch.width - self._low(span)
        lines = wrap(text, room)
        choices.append((len(lines) + 1, 2, lines))
        _, place, lines = min(choices)
        x = span.x + span.w + 1 if place == 0 else self._low(span)
        if place == 1:
            x = span.x - 1 - max(map(columns, lines), default=0)
        elif place == 2:
            self.y += 1
        self._write(x, lines, name, mood, key, hint, strong)

    def _low(self, span: Span) -> int:
        return min(span.x, max(1, self.sketch.width // 3))

    def _write(self, x: int, lines: list[str], name: str, mood: str, key: int, hint: str, strong: str) -> None:
        for at, line in enumerate(lines):
            begin = x
            if at == 0 and name and line.startswith(name):
                begin = self.sketch.say(x, self.y, name, strong, key, hint) + 1
                line = line[len(name) + 1 :]
            self.sketch.say(begin, self.y, line, mood, key, hint)
            self.y += 1
        if not lines:
            self.y += 1

    def below(self, x: int, y: int, name: str, rest: str, mood: str) -> None:
        """Words on lines of their own."""
        self.y = y
        self._write(x, wrap(f"{name} {rest}", self.sketch.width - x), name, mood, -1, "", mood)

    def strip(self, span: Span, bits: str, key: int) -> int:
        """Bits beside their bracket, each group of four a label; returns their first column."""
        self._drops.append((span.x, self.top, span.y))
        size = len(bits)
        x = span.x + span.w + 1
        if x + size > self.sketch.width:
            x = span.x - 1 - size
        if x < 0:
            self.y += 1
            x = max(0, min(span.x, self.sketch.width - size))
        for at in range(0, size, 5):
            self.sketch.say(x + at, self.y, bits[at : at + 4], "mark", key)
        self._behind = x + size + 1
        self.y += 1
        return x

    def caption(self, name: str, said: str, key: int, order: str) -> None:
        """What the bits just put down are, behind them or on lines of their own."""
        text = f"{name}: {said}" if name and said else name
        text = f"{text}; {order}" if text and order else text or order
        if not text:
            return
        room = self.sketch.width - self._behind
        lines = wrap(text, room) if room >= _LEAST else []
        x, self.y = (self._behind, self.y - 1) if lines else (1, self.y)
        self._write(
            x, lines or wrap(text, self.sketch.width - 1), f"{name}:" if said else name, "quiet", key, "", "head"
        )

    def guides(self) -> Iterator[Stroke]:
        """Faint lines from the bytes down to their brackets, wherever nothing else stands."""
        taken: set[Cell] = {cell for shape in self.sketch.shapes[self._from :] for cell in cells(shape)}
        for x, top, low in dict.fromkeys(self._drops):
            run: list[int] = []
            for y in range(top, low + 1):
                free = y < low and not any((x + aside, y) in taken for aside in (-1, 0, 1))
                if free:
                    run.append(y)
                    taken.add((x, y))
                else:
                    if len(run) > 1:
                        yield Stroke(x, run[0], x, run[-1], "quiet", faint=True)
                    run = []
