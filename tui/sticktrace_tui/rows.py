"""The text of one line of the exchange table, made only when the line is on the screen."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from rich.cells import cell_len

from sticktrace import (
    MISSING,
    PASSED,
    Exchange,
    Request,
    Saying,
    Stray,
    count_of,
    describe,
    lba_and_blocks,
    sense_in_words,
    time_in_words,
)
from sticktrace.output.listing import MARKS, MOODS
from sticktrace_tui.cells import Line, fit
from sticktrace_tui.model import Model

WIDE_FROM = 120
"""Terminals at least this wide show twice as many bytes in a line of the detail page."""

_SHORTEST, _LONGEST = 1e4, 1e10
"""Ends of the duration bar in nanoseconds, 10 µs and 10 s; the bar is logarithmic, so that both can be seen."""

HIDDEN = "? ask with v"


class Columns(NamedTuple):
    """Widths in cells; 0 leaves a column out. The cursor sign and the fault sign come before them."""

    number: int
    at: int
    unit: int
    command: int
    touches: int
    moved: int
    outcome: int
    took: int
    bar: int


_NUMBER, _COMMAND, _OUTCOME = 6, 22, 20
"""Number, command and outcome are there at any width, the last two at least so wide where there is room."""
_IN_ORDER_OF_USE = (("took", 8), ("at", 10), ("unit", 5), ("moved", 10), ("touches", 18), ("bar", 4))
"""The other columns, the most used first; each comes when there is room for all before it."""


def columns(width: int) -> Columns:
    """Columns for a line of ``width`` cells."""
    room = width - 3 - (_NUMBER + 1) - (_COMMAND + 1) - (_OUTCOME + 1)
    widths = dict.fromkeys(Columns._fields, 0) | {"number": _NUMBER, "command": _COMMAND, "outcome": _OUTCOME}
    for name, size in _IN_ORDER_OF_USE:
        if room < size + 1:
            break
        widths[name] = size
        room -= size + 1
    if room < 0:
        command = max(8, min(_COMMAND, (_COMMAND + _OUTCOME + room) // 2))
        return Columns(**widths | {"command": command, "outcome": max(6, _COMMAND + _OUTCOME + room - command)})
    command = min(room, 44 - _COMMAND, max(0, room * 2 // 5))
    touches = min(28, (room - command) // 2) if widths["touches"] else 0
    widths["command"] += command
    widths["touches"] += touches
    widths["outcome"] += room - command - touches
    return Columns(**widths)


_TITLES = ("#", "at s", "unit", "command", "touches", "moved", "outcome and sense", "took", "")
_RIGHT = (True, True, False, False, False, True, False, True, False)


def _lay(cells: tuple[tuple[str, str], ...], widths: Columns) -> Line:
    line: Line = []
    for (text, mood), width, right in zip(cells, widths, _RIGHT, strict=True):
        if width:
            line += [(fit(text, width, right), mood), (" ", "plain")]
    return line


def head(width: int) -> Line:
    """The titles of the columns."""
    return [("   ", "plain"), *_lay(tuple((title, "head") for title in _TITLES), columns(width))]


def seconds(ns: int, width: int) -> str:
    """Seconds with as many of six decimals as fit."""
    whole = len(f"{ns // 1_000_000_000}")
    return f"{ns / 1e9:.{max(0, min(6, width - whole - 1))}f}"


def duration_bar(ns: int, width: int) -> str:
    """A duration on a logarithmic scale from 10 µs to 10 s."""
    share = math.log(max(ns, 1) / _SHORTEST) / math.log(_LONGEST / _SHORTEST)
    halves = max(1, min(2 * width, round(2 * width * share)))
    return ("━" * (halves // 2) + "╸" * (halves % 2)).ljust(width)


def line_of(model: Model, code: int, size: int, repeats: int, width: int, sign: str, hide: bool) -> Line:
    """The line of an item, or of ``size`` items folded into one. ``sign`` is the reader's own mark or " ". ``hide``
    keeps outcome and sense back."""
    item = model.item(code)
    if isinstance(item, Exchange):
        return _exchange(model, code, item, size, repeats, width, sign, hide)
    return _woven(model, code, item, size, width, sign)


def _exchange(
    model: Model, row: int, item: Exchange, size: int, repeats: int, width: int, sign: str, hide: bool
) -> Line:  # fmt: skip
    end_ns, moved, asked = item.end_ns, item.moved, item.expected
    if size > 1:
        last = model.table[row + size - 1]
        end_ns = max(end_ns, last.end_ns)
        moved = asked = -1
    took = max(0, end_ns - item.time_ns)
    mood = MOODS[item.status]
    trouble = " " if item.status == PASSED else "?" if item.status == MISSING else "!"
    if hide:
        mood, trouble = "quiet", " "
    widths = columns(width)
    cells = (
        (f"{item.number}", "strong"),
        (seconds(item.time_ns, widths.at), "quiet"),
        (f"{item.bus}.{item.address}/{item.lun}", "quiet"),
        (command_words(model, row, item, size, repeats), "strong" if size > 1 else "plain"),
        (model.label(row), "place"),
        (_moved(item, moved, asked), "plain"),
        (HIDDEN if hide else outcome_words(item), mood),
        (time_in_words(took), "plain"),
        (duration_bar(took, widths.bar), "bar"),
    )
    return [(f" {trouble}{sign}", mood if trouble != " " else "head"), *_lay(cells, widths)]


def command_words(model: Model, row: int, item: Exchange, size: int, repeats: int) -> str:
    """The command in words; for a fold how often, and the blocks from the first to the last."""
    if size <= 1:
        return describe(item.cdb, item.device_type)
    lba, blocks = lba_and_blocks(item.cdb)
    last = model.table[row + size - 1 - model.attached[row + size - 1]]
    end_lba, end_blocks = lba_and_blocks(last.cdb)
    words = f"▸{repeats}× {item.command}"
    if lba is None or end_lba is None:
        return words
    highest = max(lba, end_lba) + max(1, end_blocks or blocks or 1) - 1
    return f"{words} LBA {lba}" if highest == lba else f"{words} LBA {lba}..{highest}"


def outcome_words(item: Exchange) -> str:
    """The outcome with the sense, shortest first, for a narrow column."""
    words = MARKS[item.status]
    if item.sense is not None:
        key, asc, ascq = item.sense[:3]
        told = sense_in_words(key, asc, ascq).partition(": ")[2].rpartition(" (")[0]
        words += f" {key:X}/{asc:02X}/{ascq:02X} {told}"
    elif item.stalled:
        words += f", stall in {' and '.join(item.stalled)}"
    elif item.residue:
        words += f", residue {item.residue}"
    return words


def _moved(item: Exchange, moved: int, asked: int) -> str:
    if item.direction == "none":
        return "-"
    if moved < 0:
        return "each " + str(item.moved)
    return f"{moved}" if moved == asked or asked < 0 else f"{moved}/{asked}"


def _woven(model: Model, code: int, item: object, size: int, width: int, sign: str) -> Line:
    widths = columns(width)
    index = -1 - code
    bad = any(model.woven.bad[index : index + size])
    text, mood = woven_words(model, index, size), "bad" if bad else "quiet"
    when = seconds(getattr(item, "time_ns", 0), widths.at)
    device = f"{getattr(item, 'bus', 0)}.{getattr(item, 'address', 0)}"
    line: Line = [(f" {'!' if bad else ' '}{sign}", mood)]
    for words, cells, right in (("", widths.number, False), (when, widths.at, True), (device, widths.unit, False)):
        if cells:
            line += [(fit(words, cells, right), "quiet"), (" ", "plain")]
    room = max(10, width - sum(cell_len(piece) for piece, _ in line))
    return [*line, (fit(text, room), mood)]


def woven_words(model: Model, index: int, size: int) -> str:
    """A request, event, stray or line of a log in words; for a fold how many and which."""
    item = model.woven.items[index]
    if size > 1:
        names: dict[str, int] = {}
        for one in model.woven.items[index : index + min(size, 1000)]:
            names[one.name] = names.get(one.name, 0) + 1
        most = ", ".join(f"{name} {count}×" if count > 1 else name for name, count in names.items())
        return f"▸ {count_of(size, 'control request')}: {most}"
    if isinstance(item, Request):
        return f"~ {item.text}"
    if isinstance(item, Stray):
        return f"≠ {item.kind}: {item.reason}"
    if isinstance(item, Saying):
        return f"says: {item.statement.brief}"
    return f"≡ {item.kind}: {item.text}"


def sentence(model: Model, code: int, size: int, repeats: int, hide: bool) -> Line:
    """The item under the cursor with all its words, for the lines below the table."""
    item = model.item(code)
    if not isinstance(item, Exchange):
        clause = getattr(item, "clause", "")
        return [(woven_words(model, -1 - code, size), "strong"), (f"  {clause}" if clause else "", "quiet")]
    words: Line = [(f"exchange {item.number}", "quiet")]
    words.append((f"  {command_words(model, code, item, size, repeats)}", "strong"))
    if label := model.label(code):
        words.append((f"  on {label}", "place"))
    if hide:
        return [*words, ("  outcome hidden: predict it, then press v", "warn")]
    words.append((f"  {MARKS[item.status]}", MOODS[item.status]))
    if item.sense is not None:
        words.append((f"  {sense_in_words(*item.sense[:3])}", MOODS[item.status]))
    rest = [*(f"stall in {phase}" for phase in item.stalled), *item.notes]
    if item.residue:
        rest.insert(0, f"residue {item.residue}")
    if item.truncated:
        rest.append("data not wholly captured")
    return [*words, (f"  {'; '.join(rest)}" if rest else "", "warn")]


def width_of(line: Line) -> int:
    """The cells that a line takes."""
    return sum(cell_len(text) for text, _ in line)


def broken(line: Line, width: int, most: int) -> list[Line]:
    """A line broken at spaces into at most ``most`` lines."""
    out: list[Line] = [[(" ", "plain")]]
    used = 1
    for text, mood in line:
        for word in re.findall(r"\s+|\S+", text):
            size = cell_len(word)
            if used + size > width and used > 2:
                out.append([("  ", "plain")])
                used = 2
            if word.isspace() and used == 2 and len(out) > 1:
                continue
            out[-1].append((word, mood))
            used += size
    if len(out) > most:
        out = [*out[: most - 1], [*out[most - 1], (" …", "quiet")]]
    return out
