"""Where the lines of a ruler begin and end: at fields and groups where that can be, and long fields folded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sticktrace.drawing.fields import Field, Laid

NARROW, WIDE = 8, 16
WIDE_FROM = 76
"""Columns from which a line holds sixteen bytes: beside them there is room for words."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bytes that are drawn beside each other; ``folded`` ones are only counted."""

    start: int
    end: int
    folded: bool = False


def per_line(width: int) -> int:
    """Bytes on a line of so many columns."""
    return WIDE if width >= WIDE_FROM else NARROW


def stretches(laid: Laid, per: int, start: int = 0, limit: int | None = None, fold: bool = True) -> Iterator[Stretch]:
    """The lines from byte ``start`` on, until ``limit`` bytes are drawn (None: all). ``fold`` folds what a field holds
    behind its first line."""
    at, drawn = start, 0
    while at < laid.size and (limit is None or drawn < limit):
        end = _end_of(laid, at, per)
        yield Stretch(at, end)
        drawn += end - at
        at = end
        if at >= laid.size:
            return
        inside = laid.at(at)
        if fold and inside.start < at and inside.end - at > per:
            yield Stretch(at, inside.end, folded=True)
            at = inside.end


def _end_of(laid: Laid, at: int, per: int) -> int:
    end = min(at + per, laid.size)
    if end == laid.size:
        return end
    for group in laid.beginning(at + 1, end):
        if group.end > end:
            return group.start
    last = laid.at(end - 1)
    if last.end > end and last.start > at and (last.end - last.start <= per or last.start - at >= per // 2):
        return last.start
    return _whole_field(last, at, end)


def _whole_field(last: Field, at: int, end: int) -> int:
    """Bits are never torn apart: a field split into bits goes to the next line, or all of it stands on this one."""
    if last.split and last.end > end:
        return last.start if last.start > at else last.end
    return end
