"""A diagnosis as text for a person: three lines when all is well, else verdict, stages and findings."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator

from sticktrace.codes.documents import cited
from sticktrace.findings.finding import FAULT, NOTE, RISK, Finding, Pattern
from sticktrace.findings.ladder import FAILED, NOT_SEEN, REACHED, Rung
from sticktrace.findings.missing import PAGE
from sticktrace.findings.verdict import Diagnosis, StickReport
from sticktrace.text import count_of

Style = Callable[[str, str], str]
"""Takes text and a mood ("good", "bad", "warn", "quiet", "head") and returns it coloured, or as it is."""

MOST_DEVICES, MOST_FINDINGS = 16, 60
"""So many are told at length; a damaged capture can hold thousands."""

_MOODS = {FAULT: "bad", RISK: "warn", NOTE: "quiet", REACHED: "good", FAILED: "bad", NOT_SEEN: "quiet"}
_WORDS = {FAULT: "FAULT", RISK: "RISK", NOTE: "note"}
_MARKS = {REACHED: "reached", FAILED: "FAILED", NOT_SEEN: "not seen"}


def lines(diagnosis: Diagnosis, style: Style, width: int = 0, everything: bool = False) -> Iterator[str]:
    """The diagnosis, line by line: the answer, the findings, the ladders. ``width`` 0 means 100 columns; ``everything``
    adds notes, and ladders even when all is well."""
    width = min(width or 100, 120)
    if diagnosis.healthy and not everything:
        yield from _healthy(diagnosis, style, width)
        yield from _missing(diagnosis, style, width)
        return
    for number, text in enumerate(diagnosis.answer.lines):
        label, colon, rest = text.partition(": ") if number else ("", "", text)
        yield from _hanging(f"{style(label + colon, 'head')}{rest}", width, 2 if number else 0)
    main = diagnosis.answer.main
    shown = [f for f in diagnosis.findings if everything or f.severity != NOTE]
    for finding in shown[:MOST_FINDINGS]:
        yield ""
        yield from finding_lines(finding, style, width, told=finding is main)
    for report in diagnosis.reports[:MOST_DEVICES]:
        yield ""
        yield style(report.title, "head")
        yield from _ladder(report, style, width)
    yield from _left_out(diagnosis, shown, style)
    yield from _missing(diagnosis, style, width)


def _left_out(diagnosis: Diagnosis, shown: list[Finding], style: Style) -> Iterator[str]:
    """What is not shown, counted."""
    devices = len(diagnosis.reports) - MOST_DEVICES
    findings, notes = len(shown) - MOST_FINDINGS, len(diagnosis.findings) - len(shown)
    parts = [count_of(devices, "device")] if devices > 0 else []
    parts += [count_of(findings, "finding")] if findings > 0 else []
    if parts:
        yield ""
        yield style(f"{' and '.join(parts)} more; --json has them all", "quiet")
    if notes:
        yield ""
        yield style(f"{count_of(notes, 'note')} not shown; --all shows them", "quiet")


def _missing(diagnosis: Diagnosis, style: Style, width: int) -> Iterator[str]:
    """What would be needed to say more, and where it is told how to record it."""
    if diagnosis.missing:
        yield ""
        yield style("Not in this recording, and how to get it:", "head")
    for one in diagnosis.missing:
        yield from _hanging(f"  {one.fact} ({PAGE}#{one.section})", width, 4)


def _healthy(diagnosis: Diagnosis, style: Style, width: int) -> Iterator[str]:
    """In short: the answer, the stages, the counts."""
    yield from _hanging(style("healthy", "good") + ": " + diagnosis.answer.way, width, 2)
    best = max(diagnosis.reports, key=lambda report: sum(rung.state is REACHED for rung in report.rungs))
    seen = [rung.stage for rung in best.rungs if rung.state is REACHED]
    unseen = [rung.stage for rung in best.rungs if rung.state is not REACHED]
    of = f" of {best.stick.name}" if len(diagnosis.reports) > 1 else ""
    rest = f"; not in this capture: {', '.join(unseen)}" if unseen else ""
    yield from _hanging(f"seen{of}: " + (", ".join(seen) or "no stage") + rest, width, 2)
    notes = len(diagnosis.of(NOTE))
    yield "no faults, no risks" + (f"; {count_of(notes, 'note')}, --all shows them" if notes else ", no notes")


def _ladder(report: StickReport, style: Style, width: int) -> Iterator[str]:
    for rung in report.rungs:
        mark = style(f"{_MARKS[rung.state]:8}", _MOODS[rung.state])
        yield from _hanging(f"  {rung.stage:13}  {mark}  {rung.text}{_evidence(rung)}".rstrip(), width, 27)


def _evidence(thing: Rung | Finding) -> str:
    """``  [exchanges 5, 7; records 10-12]``, shortened."""
    parts = []
    if thing.exchanges:
        parts.append(f"exchange{'s' if len(thing.exchanges) > 1 else ''} {_numbers(thing.exchanges)}")
    if thing.records:
        parts.append(f"record{'s' if len(thing.records) > 1 else ''} {_numbers(thing.records)}")
    return f"  [{'; '.join(parts)}]" if parts else ""


def _numbers(numbers: tuple[int, ...], most: int = 6) -> str:
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    shown = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs[:most])
    return shown + (" ..." if len(runs) > most else "")


def finding_lines(finding: Finding, style: Style, width: int, *, told: bool = False) -> Iterator[str]:
    """One finding: severity and title, the sentence, whose side, causes, what to try, with its word of caution. What
    the answer has ``told`` of it is not said again."""
    pattern = finding.pattern
    word = style(_WORDS[finding.severity], _MOODS[finding.severity])
    yield f"{word}  {style(pattern.title, 'head')}  ({pattern.slug})"
    who = f"{finding.device}: " if finding.device else ""
    evidence = _evidence(finding).strip()
    causes = finding.causes[1:] if told else finding.causes
    listed = f", listed by ids; here {finding.ids}" if finding.ids else ""
    rows = [
        ("seen", evidence if told else f"{who}{finding.text}  {evidence}".rstrip()),
        *(("log", line) for line in finding.log),
        ("means", " ".join(pattern.explanation.split()) if told else ""),
        ("side", f"{finding.side} ({finding.layer}; {pattern.clause})"),
        ("rule", ", ".join(pattern.rules)),
        ("or" if told else "likely", "; ".join(causes)),
        ("try", "" if told else finding.advice),
        ("known", f"host kernels have a workaround for such devices{listed}: {pattern.workaround}"
         if finding.workaround and finding.severity != NOTE else ""),
        ("CARE", "" if told else pattern.caution),
    ]  # fmt: skip
    for label, text in rows:
        if text:
            yield from _hanging(f"  {label:6}  {text}", width, 10)


def pattern_lines(pattern: Pattern, layer: str, style: Style, width: int = 0) -> Iterator[str]:
    """A row of the catalogue, explained."""
    width = min(width or 100, 120)
    yield f"{style(pattern.slug, 'head')}: {pattern.title}"
    yield f"  {_WORDS[pattern.severity]}; {layer}; side: {pattern.side}; {pattern.clause}"
    yield ""
    yield from _wrapped(pattern.explanation, width)
    yield ""
    yield "likely causes:"
    for cause in pattern.causes:
        yield from _hanging(f"  - {cause}", width, 4)
    yield from _hanging(f"try: {pattern.advice}", width, 5)
    if pattern.instead:
        yield from _hanging(f"where it cannot be left out: {' '.join(pattern.instead.values())}", width, 5)
    yield from _hanging(f"seen in: {pattern.seen_in}", width, 9)
    if pattern.workaround:
        yield from _hanging(f"workaround in host kernels: {pattern.workaround}", width, 4)
    if pattern.caution:
        yield from _hanging(f"care: {pattern.caution}", width, 6)
    if pattern.rules:
        yield from _hanging(
            f"breaks: {', '.join(pattern.rules)} (sticktrace audit --rule {pattern.rules[0]})", width, 8
        )
    for document in cited(pattern.clause):
        yield from _hanging(style(str(document), "quiet"), width, 4)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False) or [""]


def _hanging(text: str, width: int, indent: int) -> list[str]:
    """Wrapped with later lines indented. Colour codes count as text, which only makes a line shorter."""
    return textwrap.wrap(
        text, width, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False,
        drop_whitespace=True, initial_indent="", replace_whitespace=False,
    ) or [text]  # fmt: skip
