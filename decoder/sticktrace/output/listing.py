"""The exchange listing: one line per exchange, cut to the width of the terminal, plain in a pipe."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from sticktrace.storage.commands import describe
from sticktrace.storage.sense import in_words
from sticktrace.text import time_in_words
from sticktrace.transport.exchange import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, Exchange

Style = Callable[[str, str], str]
"""Takes text and a mood ("good", "bad", "warn", "quiet", "head") and returns it coloured, or as it is."""

MARKS = {PASSED: "passed", FAILED: "FAILED", PHASE_ERROR: "PHASE ERROR", MISSING: "no status", INVALID: "BAD STATUS"}
"""Outcomes as shown; letters, not colour, carry the meaning."""

MOODS = {PASSED: "good", FAILED: "bad", PHASE_ERROR: "bad", MISSING: "warn", INVALID: "bad"}


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
    elif exchange.moved == exchange.expected:
        moved = f"{exchange.moved}"
    else:
        moved = f"{exchange.moved}/{exchange.expected}"
    return Line(
        f"{exchange.number}",
        f"{exchange.time_ns / 1e9:.6f}" if exchange.end_ns else "-",
        f"{exchange.bus}.{exchange.address}/{exchange.lun}",
        describe(exchange.cdb),
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
    return "; ".join(words)


HEAD = Line("#", "time s", "dev/lun", "command", "moved/asked", "outcome", "took", "touches, sense, remarks")
_WIDTHS = (6, 12, 8, 34, 15, 11, 10)
_RIGHT = (True, True, False, False, True, False, True)


class Listing:
    """Lays lines out in columns. ``width`` cuts them (0: no limit, as in a pipe)."""

    def __init__(self, width: int = 0, style: Style = plain) -> None:
        self.width = width
        self.style = style

    def head(self) -> str:
        """The column names."""
        return self.style(self._fit(HEAD), "head")

    def line(self, exchange: Exchange, touches: str = "") -> str:
        """One exchange."""
        cells = line_of(exchange, touches)
        text = self._fit(cells)
        at = text.find(cells.outcome, sum(_WIDTHS[:5]) + 5)
        if at < 0:
            return text
        end = at + len(cells.outcome)
        return text[:at] + self.style(cells.outcome, MOODS[exchange.status]) + text[end:]

    def _fit(self, cells: Line) -> str:
        if self.width and len(cells.command) > _WIDTHS[3]:
            cells = cells._replace(command=cells.command[: _WIDTHS[3] - 1] + "…")
        parts = [
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(cells, _WIDTHS, _RIGHT, strict=False)
        ]
        text = "  ".join([*parts, cells.remark]).rstrip()
        if self.width and len(text) > self.width:
            return text[: self.width - 1] + "…"
        return text
