"""`sticktrace exchanges`: every storage command with its data, status and sense."""

from __future__ import annotations

from collections.abc import Iterator

import click

from sticktrace.cli.common import (
    Selecting,
    capture_argument,
    echo_all,
    labelled,
    log_options,
    opened,
    report_damage,
    style,
    width,
    words_argument,
)


@click.command("exchanges", cls=Selecting)
@capture_argument
@log_options
@words_argument
@click.option("--wide", is_flag=True, help="Do not cut lines to the width of the terminal.")
def command(capture: str, words: tuple[str, ...], wide: bool) -> None:
    """List the storage exchanges of CAPTURE, one line each.

    With --log what the log says stands between them; where words select, only what it says of the chosen exchanges.

    KEY:VALUE words select, all must hold. A comma means "or", a leading - turns a word round.

    \b
      command:read,write10     by name        status:bad     passed, failed, ...
      lba:2048..4095           blocks         touches:FAT    what they belong to
      number:10..20            exchanges      time:1.5..2    seconds
      device:1.4 lun:1         who            stalled:any    command, data, status
      slower:5ms faster:1s     how long       moved:4096..   bytes; asked:..512
      sense:3/11/00 sense:3    in hex         direction:in   in, out, none
      tag:3E7h case:5          Bulk-Only Transport's

    \b
    Examples:
      sticktrace exchanges stick.pcap
      sticktrace exchanges stick.pcap command:read,write status:bad
      sticktrace exchanges stick.pcap -command:testunitready
    """
    from sticktrace.output.listing import Listing
    from sticktrace.output.said import Said
    from sticktrace.output.selection import Selection

    selection = Selection(words)
    with opened(capture) as source:
        reading = source.reading()
        listing, said = Listing(0 if wide else width(), style), Said(bool(words))
        shown = 0

        def lines() -> Iterator[str]:
            nonlocal shown
            yield listing.head()
            for exchange, touches in selection.of(labelled(said.passing(reading), reading)):
                yield from map(listing.said, said.before(exchange.number))
                shown += 1
                yield listing.line(exchange, touches)
                yield from map(listing.said, said.after(exchange.number))
            yield from map(listing.said, said.after(0))

        echo_all(lines())
        found = reading.router.out.numbered
        if not found:
            click.echo("no storage exchange in this capture; `sticktrace devices` shows who was on the bus", err=True)
        elif not shown:
            click.echo(f"none of {found} exchanges fits {' '.join(words)}", err=True)
        if lost := reading.not_understood():
            click.echo(f"{lost} records on storage pipes belong to no exchange; `sticktrace check` says why", err=True)
        report_damage(reading, capture)
