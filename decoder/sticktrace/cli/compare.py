"""`sticktrace compare`: the first difference that matters between two captures."""

from __future__ import annotations

import sys

import click

from sticktrace.cli.common import echo_all, opened, patterns_option, report_damage, style, unread_option


@click.command("compare")
@click.argument("good", metavar="GOOD")
@click.argument("bad", metavar="BAD")
@click.option("--good-device", metavar="BUS.ADDRESS", default="", help="Take this device of GOOD.")
@click.option("--bad-device", metavar="BUS.ADDRESS", default="", help="Take this device of BAD.")
@click.option("--all", "everything", is_flag=True, help="List every difference, however small.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@patterns_option
@unread_option
def command(good: str, bad: str, good_device: str, bad_device: str, everything: bool, as_json: bool) -> None:
    """Lay two captures side by side: one that works and one that does not.

    Two recordings of the same stick on different hosts, of two sticks on one host, or from before and after a change.
    Steps are aligned, whatever their number and read sizes; the first difference that matters comes first, then the
    others, then the facts side by side. File contents are not compared.

    Exit status 0 when the two are identical, 1 when they differ.

    \b
    Examples:
      sticktrace compare desk.pcap board.pcap
      sticktrace compare before.txt after.txt --good-device 1.2 --bad-device 1.4
    """
    from sticktrace.comparison.compare import compare
    from sticktrace.comparison.side import Telling
    from sticktrace.output.compare_text import compare_text

    with opened(good) as left, opened(bad) as right:
        one, other = Telling(left), Telling(right)
        found = compare(one, other, good_device, bad_device)
        if as_json:
            import json

            click.echo(json.dumps(found.facts(), indent=2))
        else:
            echo_all(compare_text(found, style, everything))
        report_damage(one.reading, good)
        report_damage(other.reading, bad)
    if not found.identical:
        sys.exit(1)
