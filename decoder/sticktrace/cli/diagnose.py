"""`sticktrace diagnose`: how far the stick came, what failed first, what to try."""

from __future__ import annotations

import sys

import click

from sticktrace.cli.common import capture_argument, echo_all, log_options, opened, report_damage, style, width


@click.command("diagnose")
@capture_argument
@log_options
@click.option("--all", "everything", is_flag=True, help="Notes too, and stages even when all is well.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--fail-on", type=click.Choice(["fault", "risk", "note"]), default="fault", show_default=True,
              help="The least that makes the exit status 1.")  # fmt: skip
def command(capture: str, everything: bool, as_json: bool, fail_on: str) -> None:
    """Say how far the stick in CAPTURE came, what failed first, whose side it is on, and what to try.

    Exit status 1 when something stopped or damaged the work (a fault, or a host that gave up), 3 when all that a text
    holds is storage traffic in a form that is not read, else 0.

    \b
    Examples:
      sticktrace diagnose stick.pcap
      sticktrace diagnose --json stick.pcap
      sticktrace about unit-attention-fatal
    """
    from sticktrace.cli.main import EXIT_UNREADABLE
    from sticktrace.findings.finding import SEVERITIES
    from sticktrace.findings.verdict import diagnose

    with opened(capture) as source:
        reading = source.reading()
        diagnosis = diagnose(reading)
        if as_json:
            import json

            click.echo(json.dumps(diagnosis.facts(), indent=2))
        else:
            from sticktrace.output.diagnosis_text import lines

            echo_all(lines(diagnosis, style, width(), everything))
        report_damage(reading, capture)
    if diagnosis.worst in SEVERITIES[: SEVERITIES.index(fail_on) + 1]:
        sys.exit(1)
    if reading.reader.unread.count and diagnosis.says_nothing:
        sys.exit(EXIT_UNREADABLE)
