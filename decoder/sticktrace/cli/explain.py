"""`sticktrace explain`: every byte of an exchange, or of hex given here, accounted for."""

from __future__ import annotations

import re
import sys
from typing import Any

import click

from sticktrace.cli.common import (
    echo_all,
    is_there,
    opened,
    patterns_file,
    patterns_option,
    report_damage,
    style,
    width,
)

_KINDS = ("cbw", "csw", "cdb", "ufi", "setup", "descriptors", "sense", "inquiry", "vpd", "capacity",
          "format-capacities", "mode6", "mode10", "luns", "uas", "port-status", "identify", "packet")  # fmt: skip
_SHOWN = 60


@click.command("explain")
@click.argument("words", nargs=-1, required=True, metavar="CAPTURE NUMBER | HEX... | -")
@click.option("--as", "kind", type=click.Choice(_KINDS), help="Read the hex as this, whatever it looks like.")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text.")
@patterns_option
def command(words: tuple[str, ...], kind: str | None, as_json: bool) -> None:
    """Account for every byte of exchange NUMBER of CAPTURE, or of HEX, or of hex on standard input ("-"), where lines
    of a console do as well: whatever `diagnose` reads in them is explained.

    What the hex is, is told by itself: a CBW, CSW, command block, setup packet (with its data behind it), descriptors,
    sense, INQUIRY or other parameter data, a packet of the bus from its PID on. Parameter data that does not say what
    it is, like that of LOG SENSE, is explained behind its command block: --as cdb, or --as ufi for the 12-byte form.

    \b
    Examples:
      sticktrace explain stick.pcap 12
      sticktrace explain 70 00 06 00 00 00 00 0A 00 00 00 00 28 00 00 00 00 00
      sticktrace explain 80 06 00 01 00 00 12 00
      sticktrace explain 69 01 E8
      sticktrace explain --as cdb 28 00 00 00 08 20 00 00 08 00
    """
    if is_there(words[0]):
        _exchange(words, as_json)
    else:
        _hex(words, kind, as_json)


def _exchange(words: tuple[str, ...], as_json: bool) -> None:
    from sticktrace.output.breakdown import account, parts_of
    from sticktrace.output.sectors import Blocks

    if len(words) != 2 or not re.fullmatch("[0-9]{1,18}", words[1]):
        raise click.UsageError(f"give the number of an exchange: sticktrace explain {words[0]} 12")
    wanted = int(words[1])
    with opened(words[0]) as source:
        reading = source.reading()
        blocks = Blocks(reading)
        found, touches = blocks.seek(reading, wanted)
        if found is None:
            raise click.UsageError(f"{words[0]} has {reading.router.out.numbered} exchanges, there is no {wanted}")
        if as_json:
            parts = parts_of(found, reading.read, sectors=blocks.explain)
            _print_json([p.explanation for p in parts if p.explanation] + [e for p in parts for _, e in p.sectors])
        else:
            echo_all(account(found, reading.read, style, touches, blocks.explain, width()))
            report_damage(reading, words[0])


def _hex(words: tuple[str, ...], kind: str | None, as_json: bool) -> None:
    from sticktrace.output.explaining import dump, lines
    from sticktrace.output.sectors import sector_readings
    from sticktrace.storage.recognise import read_as, recognise

    text = sys.stdin.buffer.read().decode("utf-8", "replace") if words == ("-",) else " ".join(words)
    try:
        data = bytes_from(text)
    except click.UsageError:
        if kind or words != ("-",) or not _console(text, as_json):
            raise
        return
    readings = [read_as(kind, data)] if kind else [*recognise(data), *sector_readings(data)]
    if as_json:
        _print_json([part for reading in readings for part in reading.parts])
        return
    if not readings:
        click.echo(f"{len(data)} bytes that fit no layout known here; --as tries one all the same")
        echo_all(dump(data))
        return
    for reading in readings:
        click.echo(style(f"{reading.kind}: {reading.why}", "good"))
        for part in reading.parts:
            echo_all(lines(part, style, width=width()))
        click.echo("")


def _console(text: str, as_json: bool) -> bool:
    """Explain what console lines say. Returns whether anything in them was understood."""
    import json

    from sticktrace.capture.line_patterns import LinePatterns
    from sticktrace.output.console_account import account_lines, facts, told_in

    found = told_in(text, LinePatterns(patterns_file()))
    if as_json and found:
        click.echo(json.dumps(facts(found), indent=2))
    else:
        echo_all(account_lines(found, style, width()))
    return bool(found)


def bytes_from(text: str) -> bytes:
    """Bytes from hex as people write it: 55534243, 55 53, 0x55, 0x53,, 55:53, 55h. Raises UsageError with the place."""
    plain = re.sub(r"0[xX]|[,:;{}_\-]|\b([0-9A-Fa-f]{2})[hH]\b", lambda m: m[1] or " ", text)
    digits = "".join(part if len(part) != 1 else "0" + part for part in plain.split())
    bad = re.search(r"[^0-9A-Fa-f]", digits)
    if bad:
        shown = repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "...")
        raise click.UsageError(f"{bad[0]!r} is neither a hex digit nor a file that exists: {shown}")
    if len(digits) % 2 or not digits:
        raise click.UsageError(f"{len(digits)} hex digits make no whole bytes; write two for each")
    return bytes.fromhex(digits)


def _print_json(parts: list[Any]) -> None:
    import json

    from sticktrace.output.explaining import facts

    click.echo(json.dumps([facts(part) for part in parts], indent=2))
