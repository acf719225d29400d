"""Board fit as text: one line for each limit, why, and what to change."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from sticktrace.board.fit import Fit
from sticktrace.board.outcome import BREAKS, FITS, UNKNOWN
from sticktrace.output.listing import Style, plain
from sticktrace.text import count_of

_MARKS = {FITS: "fits", BREAKS: "BREAKS", UNKNOWN: "cannot tell"}
_MOODS = {FITS: "good", BREAKS: "bad", UNKNOWN: "warn"}
_INDENT = 13
"""Columns of the verdict."""


def fit_text(found: Fit, style: Style = plain, width: int = 0) -> Iterator[str]:
    """The whole report, wrapped to ``width`` columns (0: not wrapped, as in a pipe)."""
    yield style(f"{found.look.stick.title} on {found.board.name}", "head")
    yield _summary(found, style)
    if found.look.others:
        yield "note: also in this capture: " + ", ".join(s.title for s in found.look.others)
    yield ""
    for line in found.lines:
        mark = f"{_MARKS[line.verdict]:<{_INDENT}}"
        head = f"{line.limit} = {value_text(line.value)}: {line.why}"
        rows = _wrapped(head, width)
        yield f"  {style(mark, _MOODS[line.verdict])}{rows[0]}"
        yield from (f"  {'':{_INDENT}}{row}" for row in rows[1:])
        if line.change and line.verdict != FITS:
            rows = _wrapped(f"change: {line.change}", width)
            yield from (f"  {'':{_INDENT}}{style(row, 'quiet')}" for row in rows)
    if found.board.left_out:
        yield f"  not in the profile: {', '.join(found.board.left_out)}"


def _summary(found: Fit, style: Style) -> str:
    broken, unsettled = len(found.broken), len(found.open)
    rest = f"; {count_of(unsettled, 'limit')} cannot be told from this capture" if unsettled else ""
    if broken:
        names = ", ".join(line.limit for line in found.broken)
        return style(f"breaks {count_of(broken, 'limit')}", "bad") + f": {names}{rest}"
    if not found.lines:
        return "the profile gives no limit: nothing to hold against the stick"
    return style("breaks no limit", "good") + rest


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(40, width - _INDENT - 2)) if width else [text]


def value_text(value: Any) -> str:
    """A value as the profile writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)
