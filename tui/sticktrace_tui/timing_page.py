"""Where the time goes: latency of each kind of command as a histogram, throughput over time. Drawn from columns."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from textual import work
from textual.message import Message

from sticktrace import bytes_in_words, time_in_words
from sticktrace.output.wire_text import table_lines
from sticktrace_tui.cells import fit
from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, Goal, TextPage
from sticktrace_tui.palette import HEIGHTS
from sticktrace_tui.rows import command_words, outcome_words

_HEIGHT = 6
_EDGES = 10.0 ** np.arange(3, 11.01, 0.25)
"""Edges of the histogram's columns in nanoseconds: four to a factor of ten, from 1 µs to 100 s."""

_SCALE = "  " + "1 µs".ljust(12) + "1 ms".ljust(12) + "1 s"
"""The head of the spread: twelve columns are a factor of a thousand."""

Column = NDArray[Any]


_COLUMNS = ("time_ns", "end_ns", "moved", "name")


class TimingPage(TextPage):
    """The page. It takes a glance at every exchange, so its lines are made in a thread of its own."""

    class Ready(Message):
        """The lines are made."""

        def __init__(self, entries: list[Entry]) -> None:
            super().__init__()
            self.entries = entries

    def __init__(self, model: Model, id: str | None = None) -> None:
        super().__init__(lambda width: self._lines, id)
        self.model = model
        self._lines = [Entry([]), Entry([("looking at every exchange…", "quiet")])]
        self._made = (-1, -1)

    def rebuild(self) -> None:
        """Make the lines anew if there is anything new."""
        made = len(self.model), self.scrollable_content_region.width
        if made[1] > 0 and made != self._made:
            self._made = made
            self._make(made[1] - 2)
        super().rebuild()

    @work(thread=True, exclusive=True, group="timing")
    def _make(self, width: int) -> None:
        self.post_message(self.Ready(build(self.model, width)))

    def on_timing_page_ready(self, message: Ready) -> None:
        self._lines = message.entries
        super().rebuild()


def build(model: Model, width: int) -> list[Entry]:
    """The lines of the page."""
    if not len(model):
        return [Entry([]), Entry([("no exchange so far, so nothing to time", "quiet")])]
    columns = model.columns(*_COLUMNS)
    took = np.maximum(columns["end_ns"] - columns["time_ns"], 0)
    out = _kinds(model, columns, took, width)
    out += _throughput(columns, width)
    return out + _wire(model, took) + _slowest(model, took, width)


def _kinds(model: Model, columns: dict[str, Column], took: Column, width: int) -> list[Entry]:
    """Per kind: how often, how much, the percentiles, and the spread as a row of heights."""
    out = [Entry([("How long each kind of command took, from its submission to its last record", "head")])]
    columns_of_spread = len(_EDGES) - 1
    spread = width >= 74 + columns_of_spread
    head = f"  {'command':<20}{'count':>9}{'moved':>11}{'half in':>10}{'90 % in':>10}{'longest':>10}"
    out.append(Entry([(head + (_SCALE if spread else ""), "quiet")]))
    counts = np.bincount(columns["name"], minlength=len(model.table.names))
    for kind in np.argsort(-counts, kind="stable")[:20].tolist():
        if not counts[kind]:
            continue
        mask = columns["name"] == kind
        times = took[mask]
        half, most, longest = (int(value) for value in np.percentile(times, (50, 90, 100), method="higher"))
        words = fit(f"  {model.table.names[kind]}", 22) + f"{counts[kind]:>9,}"
        words += f"{bytes_in_words(int(columns['moved'][mask].sum())):>11}"
        words += "".join(f"{time_in_words(value):>10}" for value in (half, most, longest))
        line = [(words, "plain")]
        if spread:
            line.append(("  " + _heights(np.histogram(times, _EDGES)[0]), "place"))
        out.append(Entry(line, Goal(words="command:" + plain(model.table.names[kind]))))
    return [*out, Entry([])]


def plain(name: str) -> str:
    """A command's name as a selection word takes it."""
    return "".join(char for char in name.lower() if char.isalnum())


def _heights(values: Column) -> str:
    """A row of heights, the highest value full."""
    top = max(1, int(values.max()))
    return "".join(HEIGHTS[0 if not value else max(1, round(8 * value / top))] for value in values.tolist())


def _throughput(columns: dict[str, Column], width: int) -> list[Entry]:
    """Bytes a second over the time of the capture, as columns of blocks."""
    start, end = int(columns["time_ns"].min()), int(columns["end_ns"].max())
    cells = max(10, width - 14)
    step = max(1, (end - start) // cells + 1)
    place = np.clip((columns["end_ns"] - start) // step, 0, cells - 1).astype(np.int64)
    per_cell = np.bincount(place, weights=columns["moved"], minlength=cells)
    rate = per_cell * 1e9 / step
    top = float(rate.max())
    label = f"Bytes moved a second, over {time_in_words(max(0, end - start))}; one column is {time_in_words(step)}"
    out = [Entry([(label, "head")])]
    if top <= 0:
        return [*out, Entry([("  no data moved", "quiet")]), Entry([])]
    eighths = np.ceil(rate / top * 8 * _HEIGHT).astype(np.int64)
    for level in range(_HEIGHT - 1, -1, -1):
        fill = np.clip(eighths - 8 * level, 0, 8)
        side = f"{bytes_in_words(int(top))}/s" if level == _HEIGHT - 1 else "0" if level == 0 else ""
        out.append(Entry([(f"{side:>12} ", "quiet"), ("".join(HEIGHTS[value] for value in fill.tolist()), "place")]))
    axis = f"{start / 1e9:.3f} s"
    out.append(Entry([(" " * 13 + axis + f"{end / 1e9:.3f} s".rjust(max(1, cells - len(axis))), "quiet")]))
    return [*out, Entry([])]


def _wire(model: Model, took: Column) -> list[Entry]:
    """What packets add, where the capture holds any."""
    whole_ns, lines = table_lines(model.table, took.tolist())
    head = f"On the wire, {time_in_words(whole_ns)} in commands"
    return [Entry([(head, "head")]), *(Entry([(f"  {line}", "plain")]) for line in lines), Entry([])] if lines else []


def _slowest(model: Model, took: Column, width: int) -> list[Entry]:
    """The slowest exchanges, each line leading there."""
    out = [Entry([("The slowest exchanges", "head")])]
    count = min(8, len(took))
    rows = np.argpartition(-took, count - 1)[:count] if count < len(took) else np.arange(count)
    for row in sorted(rows.tolist(), key=lambda row: -int(took[row])):
        item = model.table[row]
        words = f"  {time_in_words(int(took[row])):>10}  {command_words(model, row, item, 1, 1)}  {outcome_words(item)}"
        out.append(Entry([(fit(words, width - 2), "plain")], Goal(row)))
    return out
