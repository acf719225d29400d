"""Axes: where a value stands on a line of so many columns, and round numbers to write beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from sticktrace.drawing.measure import columns
from sticktrace.drawing.scene import Label, Mark, Shape, Stroke
from sticktrace.text import time_in_words

_ROUND = (1, 2, 5)


@dataclass(frozen=True, slots=True)
class Axis:
    """``low`` to ``high`` (nanoseconds) along ``w`` columns from column ``x``; ``log``: each factor of ten is as long
    as the next."""

    low: float
    high: float
    x: int
    w: int
    log: bool = False

    def at(self, value: float) -> float:
        """The column of a value, within the axis."""
        low, high, value = self.low, self.high, min(max(value, self.low), self.high)
        if self.log:
            low, high, value = math.log10(low), math.log10(high), math.log10(value)
        share = (value - low) / (high - low) if high > low else 0.0
        return self.x + share * self.w

    def cell(self, value: float) -> int:
        """The cell of a value, the last one included."""
        return min(int(self.at(value)), self.x + self.w - 1)

    def ticks(self) -> Iterator[float]:
        """Round values on the axis: of a logarithmic one each power of ten."""
        if self.log:
            power = math.ceil(math.log10(self.low) - 1e-9)
            while 10.0**power <= self.high * (1 + 1e-9):
                yield 10.0**power
                power += 1
            return
        step = self._step()
        value = math.ceil(self.low / step) * step
        while value <= self.high:
            yield value
            value += step

    def _step(self) -> float:
        wanted = max(1.0, (self.high - self.low) * 14 / max(14, self.w))
        power: float = 10.0 ** math.floor(math.log10(wanted))
        return next((power * n for n in _ROUND if power * n >= wanted), power * 10.0)

    def shapes(self, y: int, words: str = "quiet") -> Iterator[Shape]:
        """The line on row ``y`` with its ticks, and values below it where there is room."""
        free = begun = self.x
        for value in self.ticks():
            cell, text = self.cell(value), round_time(value)
            begin = min(cell, self.x + self.w - columns(text))
            if begin < free or cell < begun:
                continue
            if cell > begun:
                yield Stroke(begun, y, cell - 1, y, "quiet")
            yield Mark(cell, y, "tick", "quiet")
            yield Label(begin, y + 1, text, words)
            free, begun = begin + columns(text) + 1, cell + 1
        if begun < self.x + self.w:
            yield Stroke(begun, y, self.x + self.w - 1, y, "quiet")


def round_time(ns: float) -> str:
    """A round time without needless digits: ``5 ms``, ``1.5 s``, ``0``."""
    whole = round(ns)
    if not whole:
        return "0"
    number, unit = time_in_words(whole).split(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number} {unit}"
