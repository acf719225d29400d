"""The devices: the cable that they hang on, then the card and the life of each."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace import Stick, time_in_words
from sticktrace.output.cable_drawing import cable_of
from sticktrace.output.device_text import card_lines, life_of
from sticktrace_tui.cells import wrap
from sticktrace_tui.drawn import lines_of
from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, Goal
from sticktrace_tui.rows import broken
from sticktrace_tui.styled import pieces, style

_MOMENTS = 200
"""Lines of one life line; a device that was reset for hours has more."""


def build(model: Model, width: int) -> list[Entry]:
    """The lines of the page."""
    if model.reading is None:
        return [Entry([]), Entry([("Opening the capture…", "quiet")])]
    timed = model.reading.reader.timed
    with model.watchers.lock:
        sticks = model.watchers.sticks()
        if not sticks:
            return [Entry([("  no descriptor and no storage traffic so far says who is there", "quiet")])]
        out = [Entry(line) for line in lines_of(cable_of(sticks, width, timed))]
        for stick in sticks:
            out.append(Entry([]))
            out += _card(stick, width)
            out += _life(model, stick, timed, width)
    return out


def _card(stick: Stick, width: int) -> Iterator[Entry]:
    for n, text in enumerate(card_lines(stick, style)):
        for line in broken(pieces(text if n == 0 else text.strip()), width, 3) if n == 0 else _row(text, width):
            yield Entry(line)


def _row(text: str, width: int) -> list[list[tuple[str, str]]]:
    """A row of the card: its name in 14 cells, then words that wrap beside it."""
    line = pieces(text)
    plain = "".join(piece for piece, _ in line)
    mood = line[0][1] if len(line) == 1 else "plain"
    return wrap(plain[16:], width, mood if mood != "quiet" else "plain", " " * 16, f"  {plain[2:16]}")


def _life(model: Model, stick: Stick, timed: bool, width: int) -> Iterator[Entry]:
    """The story: when, how long after the moment before, what; each leads to the request that shows it."""
    moments = life_of(stick, timed)
    if moments:
        yield Entry([("  its life", "strong")])
    before = None
    for time_ns, text, records in moments[:_MOMENTS]:
        gap = "" if before is None else f"+{time_in_words(time_ns - before)}"
        before = time_ns
        goal = next((Goal(code) for code in map(model.code_of_record, records) if code is not None), None)
        head = f"  {time_ns / 1e9:>11.6f} {gap:>11}  " if timed else "  "
        for n, line in enumerate(wrap(text, width, "plain", " " * len(head), head)):
            yield Entry(line, goal if n == 0 else None)
    if len(moments) > _MOMENTS:
        yield Entry([(f"  and {len(moments) - _MOMENTS:,} moments more", "quiet")])
