"""`sticktrace audit`: captures held against the duties of the standards."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import click

from sticktrace.cli.common import echo_all, opened, patterns_option, report_damage, style


@click.command("audit")
@click.argument("captures", nargs=-1, metavar="CAPTURE...")
@click.option("--broken", is_flag=True, help="Only what was broken.")
@click.option("--unseen", is_flag=True, help="Only what was not put to the test, and why.")
@click.option("--plan", "planned", is_flag=True, help="What to record next, as a check list.")
@click.option(
    "--rule",
    "rule_id",
    metavar="ID",
    default="",
    help="Explain one rule, with its first place in CAPTURE, or an example.",
)
@click.option("--json", "as_json", is_flag=True, help="A JSON line for each rule instead of text.")
@patterns_option
def command(
    captures: tuple[str, ...], broken: bool, unseen: bool, planned: bool, rule_id: str, as_json: bool
) -> None:  # fmt: skip
    """Hold CAPTURE against the rules of the standards: kept, broken, or never put to the test and why.

    The evidence of several captures of one stick adds up; different sticks are kept apart. A rule is broken only by
    what was seen: what a recording lacks breaks none. Exit status 1 when a rule was broken.

    \b
    Examples:
      sticktrace audit stick.pcap
      sticktrace audit desk.pcap board.pcap --broken
      sticktrace audit stick.pcap --plan
      sticktrace audit stick.pcap --rule bot-tag-echo
    """
    from sticktrace.duties.catalogue import rule_of
    from sticktrace.duties.rule import Rule
    from sticktrace.output.audit_text import example_text, rule_text

    rule = rule_of(rule_id) if rule_id else None
    if rule is not None and not as_json:
        echo_all(rule_text(rule, style))
        if not captures and isinstance(rule, Rule):
            echo_all(example_text(rule, style))
    if not captures:
        if as_json and rule is not None:
            raise click.UsageError("lines of JSON are about captures: give one")
        if rule is None and not planned:
            raise click.UsageError("give a capture: sticktrace audit stick.pcap")
        if planned:
            _print(_nothing(), as_json=as_json, planned=True)
        return
    with ExitStack() as stack:
        sources = [stack.enter_context(opened(path)) for path in captures]
        found = _judged(sources)
        if rule is not None:
            _one(rule, found, dict(zip(captures, sources, strict=True)), as_json)
        else:
            _print(found, broken=broken, unseen=unseen, planned=planned, as_json=as_json)
    if found.broken and (rule is None or any(rule.id in (r.id for r in score.broken) for score in found.scores)):
        sys.exit(1)


def _nothing() -> Any:
    from sticktrace.duties.score import Audit

    return Audit([])


def _judged(sources: list[Any]) -> Any:
    from sticktrace.duties.auditing import conclude, engine_of

    engines = []
    for source in sources:
        engine = engine_of(source.reading(), source.name)
        engines.append(engine)
    found = conclude(engines)
    for engine in engines:
        report_damage(engine.reading, engine.name)
    return found


def _print(found: Any, *, as_json: bool, broken: bool = False, unseen: bool = False, planned: bool = False) -> None:
    from sticktrace.output.audit_text import audit_text, plan_text

    if as_json:
        echo_all(_lines(found, broken, unseen, planned))
    elif planned:
        echo_all(plan_text(found, style))
    else:
        echo_all(audit_text(found, style, broken=broken, unseen=unseen))


def _lines(found: Any, broken: bool, unseen: bool, planned: bool) -> Iterator[str]:
    import json

    from sticktrace.duties.catalogue import rules
    from sticktrace.duties.plan import facts, plan

    if planned:
        yield from (json.dumps(facts(action, mine)) for action, mine in plan(found))
        return
    for score in found.scores:
        wanted = score.broken if broken else score.unseen if unseen else rules().values()
        yield from (json.dumps(score.facts(rule)) for rule in wanted)


def _one(rule: Any, found: Any, sources: dict[str, Any], as_json: bool) -> None:
    import json

    from sticktrace.duties.rule import Rule
    from sticktrace.output.audit_text import rule_on_capture
    from sticktrace.output.audit_trace import shower

    if not isinstance(rule, Rule):
        return
    for score in found.scores:
        if as_json:
            click.echo(json.dumps(score.facts(rule)))
        else:
            echo_all(rule_on_capture(rule, score, shower(sources, style), style))
