"""`sticktrace requests`: every control request, as `exchanges` lists the storage commands."""

from __future__ import annotations

from collections.abc import Iterator

import click

from sticktrace.cli.common import (
    Selecting,
    capture_argument,
    echo_all,
    opened,
    report_damage,
    style,
    width,
    words_argument,
)


@click.command("requests", cls=Selecting)
@capture_argument
@words_argument
@click.option("--json", "as_json", is_flag=True, help="One JSON object a request.")
def command(capture: str, words: tuple[str, ...], as_json: bool) -> None:
    """List the control requests of CAPTURE, one line each: the way of each device from its first descriptor on.

    KEY:VALUE words select, all must hold. A comma means "or", a leading - turns a word round.

    \b
      request:get_descriptor   by name        status:bad     done, stall, "no answer", "not seen", error
      number:10..20            requests       time:1.5..2    seconds
      device:1.4               who            slower:5ms faster:1s
      direction:in             in, out, none  moved:18..     bytes; asked:..64

    \b
    Examples:
      sticktrace requests stick.pcap
      sticktrace requests stick.pcap request:get_descriptor status:bad
      sticktrace explain stick.pcap r30
    """
    import json

    from sticktrace.output.json_lines import request_facts
    from sticktrace.output.request_account import head_of, numbered, request_line
    from sticktrace.output.request_selection import RequestSelection

    selection = RequestSelection(words)
    with opened(capture) as source:
        reading = source.reading()
        seen = shown = 0

        def lines() -> Iterator[str]:
            nonlocal seen, shown
            if not as_json:
                yield style(head_of(width()), "head")
            for seen, request in numbered(reading):
                if not selection.fits(seen, request):
                    continue
                shown += 1
                if as_json:
                    yield json.dumps({**request_facts(request), "number": seen})
                else:
                    yield from request_line(request, seen, style, width())

        echo_all(lines())
        if not seen:
            click.echo("no control request in this capture; its form may hold none (`sticktrace check`)", err=True)
        elif not shown:
            click.echo(f"none of {seen} requests fits {' '.join(words)}", err=True)
        report_damage(reading, capture)
