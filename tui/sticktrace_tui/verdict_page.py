"""The verdict: how far the stick came, what failed first, findings with their evidence, and where records ended."""

from __future__ import annotations

from sticktrace import FAULT, RISK, Diagnosis, Exchange, Finding, Rung, State, StickReport, count_of, safe
from sticktrace.output.device_text import unit_lines
from sticktrace_tui import rows
from sticktrace_tui.cells import Line, fit, wrap
from sticktrace_tui.model import DONE, FOLLOWING, OPENING, READING, STOPPED, Model
from sticktrace_tui.pages import Entry, Goal

_FAULTS_SHOWN = 12
_MARKS = {State.REACHED: ("✓", "good"), State.FAILED: ("✗", "bad")}
_SEVERITY = {FAULT: ("!! fault", "bad"), RISK: ("!  risk ", "warn")}


def build(model: Model, width: int) -> list[Entry]:
    """The lines of the page."""
    watchers = model.watchers
    diagnosis = watchers.diagnosis or watchers.so_far
    out = [Entry(line) for line in wrap(_state(model), width, "quiet")]
    if diagnosis is not None:
        out.append(Entry([]))
        out += [Entry(line) for text in diagnosis.answer.lines for line in wrap(text, width, "strong")]
    if diagnosis is not None or model.state == FOLLOWING:
        for report in watchers.standing() if watchers.diagnosis is None else watchers.diagnosis.reports:
            out += _device(model, report, width)
    if diagnosis is not None:
        out += _findings(model, diagnosis, width)
    out += [Entry([]), *faults(model), Entry([])]
    return out + _places(model, width)


def _state(model: Model) -> str:
    done = f"{count_of(len(model), 'storage exchange')}, {count_of(len(model.woven), 'other item')}"
    if model.state == OPENING:
        return "Opening the capture…"
    if model.state == READING:
        return f"Reading: {done} so far. The verdict comes when all is read; z stops reading."
    if model.state == FOLLOWING:
        return f"Following the capture as it grows: {done} so far; the verdict is that of what has come. z ends it."
    words = {DONE: "The whole capture is read", STOPPED: "Reading was stopped, so there is no verdict"}
    return f"{words.get(model.state, model.state)}: {done}."


def _goal(model: Model, exchanges: tuple[int, ...], records: tuple[int, ...]) -> Goal | None:
    """Where the evidence can be looked at."""
    for number in exchanges:
        row = model.row_of(number)
        if row is not None:
            return Goal(row)
    return next((Goal(code) for code in map(model.code_of_record, records) if code is not None), None)


def _device(model: Model, report: StickReport, width: int) -> list[Entry]:
    stick = report.stick
    out = [Entry([]), Entry([(safe(report.title), "head"), (f"  bus {stick.bus}, address {stick.address}", "quiet")])]
    for _, unit in sorted(stick.units.items()):
        for text in unit_lines(unit):
            out += [Entry(line) for line in wrap(text[16:], width, "plain", " " * 16, f"  {text[2:16]}")]
    return out + [_rung(model, rung, width) for rung in report.rungs]


def _rung(model: Model, rung: Rung, width: int) -> Entry:
    sign, mood = _MARKS.get(rung.state, ("·", "quiet"))
    line: Line = [(f"  {sign} {rung.stage:<14}", mood), (f"{rung.state:<9} ", mood)]
    if rung.text:
        line.append((fit(rung.text, max(8, width - 27)).rstrip(), "plain"))
    return Entry(line, _goal(model, rung.exchanges, rung.records))


def _findings(model: Model, diagnosis: Diagnosis, width: int) -> list[Entry]:
    if not diagnosis.findings:
        so_far = " so far" if model.busy else ""
        return [Entry([]), Entry([(f"No findings{so_far}: nothing in this capture calls for attention.", "good")])]
    out = [Entry([]), Entry([(f"Findings ({len(diagnosis.findings)}), the weightiest first", "head")])]
    for finding in diagnosis.findings:
        out += _finding(model, finding, width)
    return out


def _finding(model: Model, finding: Finding, width: int) -> list[Entry]:
    sign, mood = _SEVERITY.get(finding.severity, ("-  note ", "quiet"))
    goal = _goal(model, finding.exchanges, finding.records)
    head = f"{finding.pattern.title}: {finding.text}"
    lines = wrap(head, width, mood if finding.severity == FAULT else "plain", " " * 11, f"  {sign} ")
    lines[0][0] = (lines[0][0][0], mood)
    out = [Entry(line, goal if n == 0 else None) for n, line in enumerate(lines)]
    if finding.severity in (FAULT, RISK):
        pattern = finding.pattern
        told = (("likely: ", "; ".join(finding.causes), "quiet"), ("try: ", finding.advice, "place"),
                ("mind: ", pattern.caution, "warn"))  # fmt: skip
        for lead, text, tone in told:
            if text:
                out += [Entry(line) for line in wrap(text, width, tone, " " * 20, f"{lead:>20}")]
    rest = f"{finding.side}; {finding.pattern.clause}; sticktrace about {finding.slug}"
    return out + [Entry(line) for line in wrap(rest, width, "quiet", " " * 11)]


def faults(model: Model) -> list[Entry]:
    """What went wrong, in order, each line leading there."""
    codes = model.faults().tolist()
    if not codes:
        words = "Nothing failed: every command passed, every request was answered." if model.state == DONE else ""
        return [Entry([(words or "Nothing failed so far.", "good")])]
    diagnosis = model.watchers.diagnosis
    mood = "plain" if diagnosis is not None and not diagnosis.faults else "bad"
    title = f"What did not pass, in order ({len(codes):,})"
    out = [Entry([(title, "head"), (" - not all of it is a fault" if mood == "plain" else "", "quiet")])]
    for code in codes[:_FAULTS_SHOWN]:
        out.append(Entry(_fault(model, code, mood), Goal(code)))
    if len(codes) > _FAULTS_SHOWN:
        more = f"  and {len(codes) - _FAULTS_SHOWN:,} more: press Enter for the exchanges that did not pass"
        out.append(Entry([(more, "plain")], Goal(words="status:bad")))
    return out


def _fault(model: Model, code: int, mood: str) -> Line:
    item = model.item(code)
    when = (f"  {item.time_ns / 1e9:>11.6f} s  ", "quiet")
    if isinstance(item, Exchange):
        return [when, (rows.command_words(model, code, item, 1, 1), "plain"), (f"  {rows.outcome_words(item)}", mood)]
    return [when, (rows.woven_words(model, -1 - code, 1), mood)]


def _places(model: Model, width: int) -> list[Entry]:
    if model.reading is None or model.busy:
        return []
    places = model.reading.places()
    out = [Entry([("Where every record ended", "head")])]
    out += [Entry([(f"  {count:>12,}  ", "plain"), (place, "quiet")]) for place, count in places.most_common()]
    out.append(Entry([(f"  {model.reading.records:>12,}  ", "strong"), ("records in all", "quiet")]))
    for log in model.reading.logs:
        out += [Entry(line) for line in wrap(log, width, "plain", "  ")]
    for damage in model.reading.damage[:20]:
        out += [Entry(line) for line in wrap(f"damaged: {damage}", width, "warn", "  ")]
    if model.woven.left_out:
        words = f"{model.woven.left_out:,} more requests are counted but have no line here"
        out.append(Entry([(f"  {words}", "warn")]))
    return out
