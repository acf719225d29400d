"""An audit as text: the table by party and chapter, what was broken, what was not seen, what to record next; and one
rule explained with its trace."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.codes.documents import documents
from sticktrace.duties.catalogue import example_of, rules, unshown
from sticktrace.duties.plan import plan
from sticktrace.duties.rule import PARTIES, Rule, Untestable
from sticktrace.duties.score import Audit, Place, Score
from sticktrace.output.listing import Style, plain
from sticktrace.text import count_of, safe

LETTER = "letter broken, works in practice"


def audit_text(found: Audit, style: Style = plain, *, broken: bool = False, unseen: bool = False) -> Iterator[str]:
    """Card by card. Without a choice: the table, then what was broken."""
    if found.mixed:
        yield style("These are different sticks; each is judged for itself.", "warn")
        yield ""
    for score in found.scores:
        yield style(safe(score.title), "head")
        yield _summary(score)
        if not broken and not unseen:
            yield from _table(score)
        if not unseen:
            yield from broken_lines(score, style)
        if unseen:
            yield from _unseen_lines(score, style)
        yield ""
    if not found.scores:
        yield "There is no stick in these captures, so that no rule was put to the test."


def _summary(score: Score) -> str:
    tested = len(rules()) - len(score.unseen)
    letter = sum(rule.letter for rule in score.broken)
    words = f"{count_of(tested, 'rule')} put to the test: {tested - len(score.broken)} kept, {len(score.broken)} broken"
    if letter:
        words += f" ({letter} of them by the letter only)"
    return f"{words}; {len(score.unseen)} not seen."


def _table(score: Score) -> Iterator[str]:
    chapters = list(dict.fromkeys(rule.chapter for rule in rules().values()))
    width = max(map(len, chapters))
    yield ""
    yield f"  {'':<6}  {'':<{width}}  {'kept':>6}  {'broken':>6}  {'not seen':>8}"
    for party in PARTIES:
        for chapter in chapters:
            mine = [rule for rule in rules().values() if (rule.party, rule.chapter) == (party, chapter)]
            counts = [score.count(rule) for rule in mine]
            kept = sum(count.kept > 0 and not count.broken for count in counts)
            bad = sum(count.broken > 0 for count in counts)
            if kept or bad:
                rest = len(mine) - kept - bad
                yield f"  {party:<6}  {chapter:<{width}}  {kept or '-':>6}  {bad or '-':>6}  {rest or '-':>8}"
    yield ""


def broken_lines(score: Score, style: Style = plain) -> Iterator[str]:
    """The broken rules of a card, those that matter first."""
    if not score.broken:
        yield style("Nothing that was put to the test was broken.", "good")
    for rule in score.broken:
        count = score.count(rule)
        mood, note = ("warn", f" ({LETTER})") if rule.letter else ("bad", "")
        yield style(f"{rule.id}", mood) + f"  {rule.party}, {rule.citation}: {rule.duty}{note}"
        where = "; ".join(place_words(place, len(score.captures) > 1) for place in count.broken_at)
        yield f"    broken {count.broken} of {count.tested} times: {where}"


def place_words(place: Place, with_capture: bool) -> str:
    """``exchange 12 (records 31 to 36)``."""
    records = place.records
    span = f"record {records[0]}" if len(records) == 1 else f"records {records[0]} to {records[-1]}" if records else ""
    words = f"exchange {place.exchange} ({span})" if place.exchange and span else span or f"exchange {place.exchange}"
    return f"{safe(place.capture)}: {words}" if with_capture else words


def _unseen_lines(score: Score, style: Style) -> Iterator[str]:
    reasons: dict[str, list[Rule]] = {}
    for rule in score.unseen:
        why = score.why_not(rule)
        reasons.setdefault(why.partition(":")[0] if why.startswith("never") else why, []).append(rule)
    for why, mine in reasons.items():
        yield style(f"{why}: {count_of(len(mine), 'rule')}", "head")
        for rule in mine:
            tail = f" [{rule.when}]" if why.startswith("never") else ""
            yield f"  {rule.id:<20}  {rule.party:<6}  {rule.citation}: {rule.duty}{tail}"


def plan_text(found: Audit, style: Style = plain) -> Iterator[str]:
    """The check list: what to do, with which bytes, for which rules."""
    for number, (action, mine) in enumerate(plan(found), 1):
        yield style(f"[ ] {number}. {action.what}", "head")
        if action.caution:
            yield style(f"       Care: {action.caution}", "warn")
        for line in action.compose:
            yield f"       sticktrace {line}"
        yield f"       puts {count_of(len(mine), 'rule')} to the test: {', '.join(rule.id for rule in mine)}"


Shower = Callable[[Place], Iterator[str]]
"""Lines that show a place byte by byte."""


def rule_text(rule: Rule | Untestable, style: Style = plain) -> Iterator[str]:
    """One rule: whose it is, what it asks, how it shows."""
    yield style(f"{rule.id}  {rule.duty}", "head")
    known = documents().get(rule.document)
    edition = f" ({known.title}, {known.edition})" if known else ""
    yield f"  who must keep it   {rule.party}"
    yield f"  stands in          {rule.document} {rule.clause}{edition}; clause {rule.sure}"
    if isinstance(rule, Untestable):
        yield f"  no recording shows it: {rule.reason}"
        return
    yield f"  chapter            {rule.chapter}"
    yield f"  put to the test    {rule.when}"
    yield f"  how it shows       {rule.shows}"
    needs = "a recording of the bus, packet by packet" if rule.needs == "packets" else "a recording of transfers"
    yield f"  needs              {needs}"
    yield f"  asked at           {', '.join(rule.at)}" + (f": {rule.sources[0]}" if rule.sources[0] != "True" else "")
    yield f"  kept where         {rule.sources[1]}"
    if rule.letter:
        yield f"  weight             {LETTER}"


def example_text(rule: Rule, style: Style = plain) -> Iterator[str]:
    """An example of a rule kept, in hex, and of the same rule broken, byte by byte."""
    from sticktrace.output.audit_trace import explained

    example = example_of(rule.id)
    yield style("example, kept:", "good")
    for name, data in example.kept:
        yield f"  {name:<13}  {data.hex(' ')}"
    yield style("example, broken:", "bad")
    setup = next((data for name, data in example.broken if name == "setup"), b"")
    for name, data in example.broken:
        yield f"  {name:<13}  {data.hex(' ')}"
    for name, data in example.broken:
        if name != "setup" or len(example.broken) == 1:
            yield from explained(setup + data if name == "data" else data, style)


def rule_on_capture(rule: Rule, score: Score, show: Shower, style: Style = plain) -> Iterator[str]:
    """How a rule fared on a card, with the first place byte by byte."""
    count = score.count(rule)
    yield style(safe(score.title), "head")
    if not count.tested:
        yield f"  {score.why_not(rule)}"
        return
    yield f"  put to the test {count.tested} times: {count.kept} kept, {count.broken} broken"
    places = [(place, "broken", "bad") for place in count.broken_at] or [(p, "kept", "good") for p in count.kept_at]
    for number, (place, verdict, mood) in enumerate(places):
        yield style(f"  {verdict}: {place_words(place, True)}", mood)
        if not number:
            yield from show(place)


def unshown_count() -> int:
    """How many duties no recording can show."""
    return len(unshown())
