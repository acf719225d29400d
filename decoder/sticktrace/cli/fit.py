"""`sticktrace fit`: hold a stick against the limits of a target board."""

from __future__ import annotations

import sys
from typing import Any

import click

from sticktrace.cli.common import echo_all, opened, patterns_option, report_damage, style, unread_option, width


@click.command("fit")
@click.argument("capture", metavar="CAPTURE", required=False)
@click.option("--board", metavar="FILE", help="The board profile (TOML).")
@click.option("--new", "new", is_flag=True, help="Write a commented board profile to standard output.")
@click.option("--device", metavar="BUS.ADDRESS", default="", help="Take this device of the capture.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@patterns_option
@unread_option
def command(capture: str | None, board: str | None, new: bool, device: str, as_json: bool) -> None:
    """Say which limits of a board the stick in CAPTURE breaks. The capture may come from any host.

    Each limit of the profile fits, breaks, or cannot be told from this capture, with the reason and what to change.
    Exit status 1 when a limit is broken.

    \b
    Examples:
      sticktrace fit --new > board.toml
      sticktrace fit stick.pcap --board board.toml
    """
    from sticktrace.board.profile import new_profile, read_board

    if new:
        click.echo(new_profile(), nl=False)
        return
    if not capture or not board:
        raise click.UsageError("give a capture and a profile: sticktrace fit stick.pcap --board board.toml")
    from sticktrace.board.evidence import look_at
    from sticktrace.board.fit import fit
    from sticktrace.output.fit_text import fit_text

    profile = read_board(board)
    with opened(capture) as source:
        reading = source.reading()
        found = fit(look_at(reading, device), profile)
        if as_json:
            import json

            click.echo(json.dumps(found.facts(), indent=2))
        else:
            _say_failure(source)
            echo_all(fit_text(found, style, width()))
        report_damage(reading, capture)
    if found.broken:
        sys.exit(1)


def _say_failure(source: Any) -> None:
    """A capture that failed by itself says so first: what it shows may not be all that the stick can."""
    from sticktrace.findings.verdict import diagnose

    answer = diagnose(source.reading()).answer
    if answer.stopped:
        click.echo(style(f"this capture failed itself: {answer.failed or answer.way}", "warn"))
        click.echo("`sticktrace diagnose` says more; what it does not show cannot be held against the board\n")
