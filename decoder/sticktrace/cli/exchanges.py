"""`sticktrace exchanges`: every storage command with its data, status and sense."""

from __future__ import annotations

from collections.abc import Iterator

import click

from sticktrace.cli.common import (
    capture_argument,
    echo_all,
    labelled,
    opened,
    report_damage,
    style,
    width,
    words_argument,
)


@click.command("exchanges")
@capture_argument
@words_argument
@click.option("--wide", is_flag=True, help="Do not cut lines to the width of the terminal.")
def command(capture: str, words: tuple[str, ...], wide: bool) -> None:
    """List the storage exchanges of CAPTURE, one line each.

    KEY:VALUE words select, all must hold: command:read status:failed lba:2048..4095 lun:1 slower:5ms
    sense:3/11 number:10..20 device:1.4 stalled:any time:1.5..2. A comma means "or", a leading - turns a word round.

    \b
    Examples:
      sticktrace exchanges stick.pcap
      sticktrace exchanges stick.pcap command:read,write status:bad
      sticktrace exchanges stick.pcap -- -command:testunitready
    """
    from sticktrace.output.listing import Listing
    from sticktrace.output.selection import Selection

    selection = Selection(words)
    with opened(capture) as source:
        reading = source.reading()
        listing = Listing(0 if wide else width(), style)
        shown = 0

        def lines() -> Iterator[str]:
            nonlocal shown
            yield listing.head()
            for exchange, touches in selection.of(labelled(reading, reading)):
                shown += 1
                yield listing.line(exchange, touches)

        echo_all(lines())
        found = reading.router.out.numbered
        if not found:
            click.echo("no storage exchange in this capture; `sticktrace devices` shows who was on the bus", err=True)
        elif not shown:
            click.echo(f"none of {found} exchanges fits {' '.join(words)}", err=True)
        if lost := reading.not_understood():
            click.echo(f"{lost} records on storage pipes belong to no exchange; `sticktrace check` says why", err=True)
        report_damage(reading, capture)
