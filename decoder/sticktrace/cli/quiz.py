"""`sticktrace quiz`: foretell what the stick answers, and be told what is right and why."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any

import click

from sticktrace.cli.common import capture_argument, echo_all, opened, report_damage, style

_SHOWN = 64
"""Bytes of the data that are shown."""


@click.command("quiz")
@capture_argument
def command(capture: str) -> None:
    """Ask, for each command of CAPTURE, what status the stick gave, what the host has to do next, and what the sense
    says.

    Command and data are shown; the answer comes on standard input, a line each, in plain words or hex. Each field of it
    is marked with the clause where it stands. An answer that cannot be read is asked for again and does not count.
    No record is kept. End the input (Ctrl-D) to stop.

    \b
    Examples:
      sticktrace quiz "$(sticktrace demo stall-recovery --path)"
      printf 'passed\\nfailed\\n' | sticktrace quiz stick.pcap
    """
    from sticktrace.quiz.questions import questions
    from sticktrace.transport.items import Exchange

    if capture == "-":
        raise click.UsageError("the answers come on standard input: give the capture as a file")
    score = [0, 0]
    with opened(capture) as source:
        reading = source.reading()
        for exchange in (item for item in reading if isinstance(item, Exchange)):
            asked = list(questions(exchange))
            if asked:
                echo_all(_shown(exchange, reading.read))
            if not all(_ask(question, score) for question in asked):
                break
        else:
            click.echo("No more questions in this capture." if score[1] else "Nothing in this capture can be asked.")
        report_damage(reading, source.name)
    if score[1]:
        click.echo(f"{score[0]} of {score[1]} fields right.")


def _shown(exchange: Any, read: Any) -> Iterator[str]:
    """The exchange as the host knows it before the status."""
    from sticktrace.output.listing import line_of

    yield ""
    yield style(f"Exchange {exchange.number}: {line_of(exchange).command}", "head")
    yield f"  CBW   {read(exchange.command_at)[:31].hex(' ')}"
    if exchange.expected or exchange.moved:
        yield f"  data  {exchange.moved:,} of {exchange.expected:,} bytes moved"
    if exchange.pieces and (data := read(exchange.pieces[0])[:_SHOWN]):
        more = " ..." if exchange.moved > len(data) else ""
        yield f"        {data.hex(' ')}{more}"
    if exchange.stalled:
        yield f"  STALL in {' and '.join(exchange.stalled)}"


def _ask(question: Any, score: list[int]) -> bool:
    """Ask until an answer can be read, and mark it. Returns False where the input has ended."""
    from sticktrace.quiz.answers import HELP, read

    while True:
        click.echo(f"What is {question.kind}? ", nl=False)
        line = sys.stdin.buffer.readline(1 << 16).decode("utf-8", "replace")
        if not line:
            click.echo()
            return False
        given = read(question.kind, line)
        if given:
            break
        click.echo(f"That cannot be read here, and does not count. Give {HELP[question.kind]}.")
    for field in question.fields:
        if field.name in given:
            right = field.right in (None, given[field.name])
            score[0] += right
            score[1] += 1
            verdict = style("right", "good") if right else style("wrong", "bad")
            click.echo(f"  {verdict}  {field.name}: {field.shown}; {field.why}  [{field.clause}]")
        else:
            click.echo(f"  not told: {field.name}: {field.shown}  [{field.clause}]")
    return True
