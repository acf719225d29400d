"""The verdict: how far the stick came, what failed first, findings with their evidence, and where records ended."""

from __future__ import annotations

from sticktrace.text import count_of
from sticktrace.transport.exchange import Exchange
from sticktrace_tui import rows
from sticktrace_tui.cells import Line, wrap
from sticktrace_tui.model import DONE, FOLLOWING, OPENING, READING, STOPPED, Model
from sticktrace_tui.pages import Entry, Goal

_FAULTS_SHOWN = 12


def build(model: Model, width: int) -> list[Entry]:
    """The lines of the page."""
    out = [Entry([])]
    out += [Entry(line) for line in wrap(_state(model), width, "quiet")]
    out.append(Entry([]))
    out += faults(model, width)
    out += _places(model, width)
    return out


def _state(model: Model) -> str:
    done = f"{count_of(len(model), 'storage exchange')}, {count_of(len(model.woven), 'other line')}"
    if model.state == OPENING:
        return "Opening the capture…"
    if model.state == READING:
        return f"Reading: {done} so far. The verdict comes when all is read; z stops reading."
    words = {FOLLOWING: "Following the capture as it grows", DONE: "The whole capture is read", STOPPED: "Stopped"}
    return f"{words.get(model.state, model.state)}: {done}."


def faults(model: Model, width: int) -> list[Entry]:
    """What went wrong, in order, each line leading there."""
    codes = model.faults().tolist()
    if not codes:
        return [Entry([("Nothing in this capture failed so far.", "good")]), Entry([])]
    out = [Entry([(f"What went wrong, in order ({len(codes)})", "head")])]
    for code in codes[:_FAULTS_SHOWN]:
        out.append(Entry(_fault(model, code), Goal(code)))
    if len(codes) > _FAULTS_SHOWN:
        more = f"  and {len(codes) - _FAULTS_SHOWN:,} more: press Enter for the exchanges that did not pass"
        out.append(Entry([(more, "plain")], Goal(words="status:bad")))
    return [*out, Entry([])]


def _fault(model: Model, code: int) -> Line:
    item = model.item(code)
    when = (f"  {item.time_ns / 1e9:>11.6f} s  ", "quiet")
    if isinstance(item, Exchange):
        return [when, (rows.command_words(model, code, item, 1, 1), "plain"), (f"  {rows.outcome_words(item)}", "bad")]
    return [when, (rows.woven_words(model, -1 - code, 1), "bad")]


def _places(model: Model, width: int) -> list[Entry]:
    if model.reading is None or model.busy:
        return []
    places = model.reading.places()
    out = [Entry([("Where every record ended", "head")])]
    out += [Entry([(f"  {count:>12,}  ", "plain"), (place, "quiet")]) for place, count in places.most_common()]
    out.append(Entry([(f"  {model.reading.records:>12,}  ", "strong"), ("records in all", "quiet")]))
    for damage in model.reading.damage[:20]:
        out += [Entry(line) for line in wrap(f"damaged: {damage}", width, "warn", "  ")]
    if model.woven.left_out:
        words = f"{model.woven.left_out:,} more requests are counted but have no line here"
        out.append(Entry([(f"  {words}", "warn")]))
    return out
