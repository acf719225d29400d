"""The exchange listing: one line per exchange, fitted to the width of the terminal, plain in a pipe.

A narrow terminal gets fewer columns and a shorter command, so that the outcome is always seen; the remark of a command
that did not pass follows on lines of its own where it would be cut.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import NamedTuple

from sticktrace.output.unprinted import called
from sticktrace.output.wire_text import brief
from sticktrace.storage.sense import in_words
from sticktrace.text import time_in_words
from sticktrace.transport.items import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, UNTOLD, Exchange, Field, Saying

Style = Callable[[str, str], str]
"""Takes text and a mood ("good", "bad", "warn", "quiet", "head") and returns it coloured, or as it is."""

MARKS = {
    PASSED: "passed", FAILED: "FAILED", PHASE_ERROR: "PHASE ERROR", MISSING: "no status", INVALID: "BAD STATUS",
    UNTOLD: "not printed",
}  # fmt: skip
"""Outcomes as shown; letters, not colour, carry the meaning."""

MOODS = {PASSED: "good", FAILED: "bad", PHASE_ERROR: "bad", MISSING: "warn", INVALID: "bad", UNTOLD: "quiet"}


class Line(NamedTuple):
    """The cells of one exchange, as text."""

    number: str
    time: str
    device: str
    command: str
    bytes: str
    outcome: str
    duration: str
    remark: str


def plain(text: str, _mood: str) -> str:
    """The style without colour."""
    return text


def line_of(exchange: Exchange, touches: str = "") -> Line:
    """The cells of one exchange. ``touches`` is what its blocks are on the volume."""
    if exchange.direction == "none":
        moved = "-"
    elif exchange.told:
        moved = "not told"
    elif exchange.moved == exchange.expected:
        moved = f"{exchange.moved}"
    else:
        asked = "?" if Field.LENGTH in exchange.not_printed else exchange.expected
        moved = f"{exchange.moved}/{asked}"
    return Line(
        f"{exchange.number}",
        f"{exchange.time_ns / 1e9:.6f}" if exchange.end_ns else "-",
        f"{exchange.bus}.{exchange.address}/{exchange.lun}",
        called(exchange),
        moved,
        MARKS[exchange.status],
        time_in_words(exchange.duration_ns) if exchange.duration_ns else "-",
        _remark(exchange, touches),
    )


def _remark(exchange: Exchange, touches: str) -> str:
    words = [touches] if touches else []
    if exchange.sense is not None:
        words.append(in_words(exchange.sense.key, exchange.sense.asc, exchange.sense.ascq))
    if exchange.residue and exchange.status != PHASE_ERROR:
        words.append(f"residue {exchange.residue}")
    if exchange.stalled:
        words.append(f"stall in {' and '.join(exchange.stalled)}")
    if exchange.truncated:
        words.append("data not wholly captured")
    words += exchange.notes
    if exchange.wire is not None:
        words.append(brief(exchange.wire))
    if exchange.not_printed:
        words.append(f"not printed: {', '.join(exchange.not_printed)}")
    return "; ".join(filter(None, words))


HEAD = Line("#", "time s", "dev/lun", "command", "moved/asked", "outcome", "took", "touches, sense, remarks")
_WIDTHS = (6, 12, 8, 34, 15, 11, 10)
_RIGHT = (True, True, False, False, True, False, True)
_FROM = (0, 110, 60, 0, 72, 0, 120)
"""Columns that a terminal must have for each column of ours to be shown."""

_COMMAND, _OUTCOME = 3, 5
_GAP = 2
_LEAST_COMMAND = 10
_INDENT = " " * (_WIDTHS[0] + _GAP)


class Listing:
    """Lays lines out in columns. ``width`` is what they are fitted to (0: no limit, as in a pipe)."""

    def __init__(self, width: int = 0, style: Style = plain) -> None:
        self.width = width
        self.style = style
        self._columns = [at for at, least in enumerate(_FROM) if not width or width >= least]
        self._widths = list(_WIDTHS)
        others = sum(_WIDTHS[at] + _GAP for at in self._columns if at != _COMMAND)
        if width:
            self._widths[_COMMAND] = min(_WIDTHS[_COMMAND], max(_LEAST_COMMAND, width - others))
        self._room = width - others - self._widths[_COMMAND] - _GAP

    def head(self) -> str:
        """The column names."""
        remark = HEAD.remark if not self.width or self._room >= len(HEAD.remark) else ""
        return self.style(self._fit("  ".join([*self._cells(HEAD), remark])), "head")

    def line(self, exchange: Exchange, touches: str = "") -> str:
        """One exchange."""
        cells = line_of(exchange, touches)
        shown = self._cells(cells)
        before = sum(len(cell) + _GAP for cell in shown[: self._columns.index(_OUTCOME)])
        below = self.width and exchange.status != PASSED and len(cells.remark) > self._room
        text = self._fit("  ".join(shown if below else [*shown, cells.remark]))
        end = before + len(cells.outcome)
        if len(text) >= end:
            text = text[:before] + self.style(cells.outcome, MOODS[exchange.status]) + text[end:]
        if below:
            wrapped = textwrap.wrap(cells.remark, max(_LEAST_COMMAND, self.width - len(_INDENT)))
            text = "\n".join([text, *(_INDENT + line for line in wrapped)])
        return text

    def said(self, saying: Saying) -> str:
        """What a log says, at its time."""
        time = f"{saying.time_ns / 1e9:.6f}".rjust(_WIDTHS[1]) + " " * _GAP if 1 in self._columns else ""
        return self._fit(self.style(f"{_INDENT}{time}says: {saying.statement.brief}", "quiet"))

    def aside(self, mark: str, time_ns: int, device: str, words: str) -> str:
        """A line about something else, under the same columns as far as the command."""
        cells = (mark, f"{time_ns / 1e9:.6f}", device)
        front = [at for at in self._columns if at < _COMMAND]
        shown = [cells[at].rjust(_WIDTHS[at]) if _RIGHT[at] else cells[at].ljust(_WIDTHS[at]) for at in front]
        return "  ".join([*shown, words])

    def _cells(self, cells: Line) -> list[str]:
        """The cells of the columns that are shown, but for the remark, each as wide as its column."""
        shown = []
        for at in self._columns:
            cell, width = cells[at], self._widths[at]
            if self.width and at == _COMMAND and len(cell) > width:
                cell = cell[: width - 1] + "…"
            shown.append(cell.rjust(width) if _RIGHT[at] else cell.ljust(width))
        return shown

    def _fit(self, text: str) -> str:
        text = text.rstrip()
        return text[: self.width - 1] + "…" if self.width and len(text) > self.width else text
