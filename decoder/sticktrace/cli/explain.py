"""`sticktrace explain`: every byte of an exchange, of a control request, or of hex given here, accounted for."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

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
from sticktrace.cli.drawing import PICTURE, columns, draw, drawing_options, save

_KINDS = ("cbw", "csw", "cdb", "ufi", "setup", "descriptors", "sense", "inquiry", "vpd", "capacity",
          "format-capacities", "mode6", "mode10", "luns", "uas", "port-status", "identify", "packet")  # fmt: skip


class Wanted(NamedTuple):
    """How the account is to look."""

    table: bool
    ladder: bool
    as_json: bool
    whole: bool
    start: int
    picture: Path | None
    overwrite: bool


@click.command("explain")
@click.argument("words", nargs=-1, required=True, metavar="CAPTURE NUMBER | CAPTURE rNUMBER | HEX... | -")
@click.option(
    "--take-for",
    "kind",
    type=click.Choice(_KINDS),
    metavar="KIND",
    help=f"Read the hex as this, whatever it looks like: {', '.join(_KINDS)}.",
)
@click.option("--table", is_flag=True, help="A row a field instead of the drawing, with the clause of each.")
@click.option("--ladder", is_flag=True, help="What went from host to stick and back, drawn to time, until the next "
              "command: recovery too.")  # fmt: skip
@click.option("--from", "start", metavar="BYTE", default=0, type=click.IntRange(0), help="Begin the data at this byte.")
@click.option("--all", "whole", is_flag=True, help="All of the data, however long.")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text.")
@drawing_options
@patterns_option
def command(
    words: tuple[str, ...], kind: str | None, table: bool, ladder: bool, start: int, whole: bool, as_json: bool,
    picture: Path | None, overwrite: bool,
) -> None:  # fmt: skip
    """Account for every byte of exchange NUMBER of CAPTURE, of its control request rNUMBER (see `requests`), or of
    HEX, or of hex on standard input ("-"), where arrays of firmware and lines of a console do as well.

    The bytes stand in lines; below them each field is bracketed, with what it means at the end of its bracket. Above
    stand command, data and status as strips as long as each took.

    What the hex is, is told by itself: a CBW, CSW, command block, setup packet (with its data behind it), descriptors,
    sense, INQUIRY or other parameter data, a packet of the bus from its PID on. Parameter data that does not say what
    it is, like that of LOG SENSE, is explained behind its command block: --take-for cdb, or ufi for the 12-byte form.

    \b
    Examples:
      sticktrace explain stick.pcap 12
      sticktrace explain stick.pcap 12 --ladder --picture recovery.svg
      sticktrace explain stick.pcap r30
      sticktrace explain 70 00 06 00 00 00 00 0A 00 00 00 00 28 00 00 00 00 00
      sticktrace explain --take-for cdb 28 00 00 00 08 20 00 00 08 00
      sticktrace compose inquiry length=36 --cbw --c | sticktrace explain -
    """
    wanted = Wanted(table, ladder, as_json, whole, start, picture, overwrite)
    if sum((table, ladder, as_json)) > 1 or (picture and (table or as_json)):
        raise click.UsageError("--table, --ladder and --json are three forms; choose one (--picture draws)")
    if is_there(words[0]):
        _of_capture(words, wanted)
    elif ladder:
        raise click.UsageError("--ladder needs a capture and the number of an exchange")
    else:
        _hex(words, kind, wanted)


def _of_capture(words: tuple[str, ...], wanted: Wanted) -> None:
    if len(words) != 2 or not re.fullmatch("r?[0-9]{1,18}", words[1]):
        raise click.UsageError(f"give the number of an exchange or a request: sticktrace explain {words[0]} 12, or r30")
    number = int(words[1].removeprefix("r"))
    with opened(words[0]) as source:
        if words[1].startswith("r"):
            _request(source, number, wanted)
        elif wanted.ladder:
            _ladder(source, number, wanted)
        else:
            _exchange(source, number, wanted)


def _exchange(source: Any, number: int, wanted: Wanted) -> None:
    from sticktrace.output.breakdown import DUMPED, account, parts_of
    from sticktrace.output.exchange_drawing import Extent, drawn_account, exchange_scene
    from sticktrace.output.sectors import Blocks

    reading = source.reading()
    blocks = Blocks(reading)
    found, touches = blocks.seek(reading, number)
    if found is None:
        raise click.UsageError(f"{source.name} has {reading.router.out.numbered} exchanges, there is no {number}")
    extent, timed = Extent(wanted.start, wanted.whole), reading.reader.timed
    if wanted.as_json:
        parts = parts_of(found, reading.read, sectors=blocks.explain)
        _print_json([p.explanation for p in parts if p.explanation] + [e for p in parts for _, e in p.sectors])
        return
    if wanted.picture is not None:
        scene = exchange_scene(found, reading.read, PICTURE, extent, blocks.explain, timed)
        save(scene, wanted.picture, wanted.overwrite, source)
    elif wanted.table:
        shown = (wanted.start, None if wanted.whole else DUMPED)
        echo_all(account(found, reading.read, style, touches, blocks.explain, width(), shown))
    else:
        echo_all(drawn_account(found, reading.read, draw, style, touches, blocks.explain, width=columns(),
                               extent=extent, timed=timed))  # fmt: skip
    report_damage(reading, source.name)


def _ladder(source: Any, number: int, wanted: Wanted) -> None:
    from sticktrace.drawing.time_ladder import time_ladder
    from sticktrace.output.steps import steps_of

    reading = source.reading(in_blocks=False)
    steps = steps_of(reading, source.reading(), number)
    if not steps:
        raise click.UsageError(f"{source.name}: no transfer of an exchange {number} is in this capture")
    title = f"Exchange {number}, from host to stick and back"
    if wanted.picture is not None:
        save(time_ladder(steps, PICTURE, title), wanted.picture, wanted.overwrite, source)
    else:
        echo_all(draw(time_ladder(steps, columns(), title)))


def _request(source: Any, number: int, wanted: Wanted) -> None:
    from sticktrace.output.request_account import request_account, request_parts, request_scene, seek

    reading = source.reading()
    found, count = seek(reading, number)
    if found is None:
        raise click.UsageError(f"{source.name} has {count} control requests, there is no r{number}")
    if wanted.as_json:
        _print_json([explanation for explanation, _ in request_parts(found, reading.read) if explanation])
    elif wanted.picture is not None:
        save(request_scene(found, number, reading.read, PICTURE), wanted.picture, wanted.overwrite, source)
    else:
        echo_all(request_account(found, number, reading.read, draw, style, columns(), wanted.table))
        report_damage(reading, source.name)


def _hex(words: tuple[str, ...], kind: str | None, wanted: Wanted) -> None:
    from sticktrace.cli.hex_input import arrays_in, bytes_from
    from sticktrace.output.sectors import sector_readings
    from sticktrace.storage.recognise import read_as, recognise

    typed = words == ("-",)
    text = sys.stdin.buffer.read().decode("utf-8", "replace") if typed else " ".join(words)
    data = b"".join(arrays_in(text))
    if not data:
        try:
            data = bytes_from(text)
        except click.UsageError:
            if kind or not typed or not _console(text, wanted):
                raise
            return
    readings = [read_as(kind, data)] if kind else [*recognise(data), *sector_readings(data)]
    if wanted.as_json:
        _print_json([part for reading in readings for part in reading.parts])
    elif wanted.picture is not None:
        from sticktrace.output.hex_account import hex_scene

        save(hex_scene(readings, data, PICTURE), wanted.picture, wanted.overwrite)
    else:
        echo_all(_account(readings, data, wanted))


def _account(readings: list[Any], data: bytes, wanted: Wanted) -> Iterator[str]:
    from sticktrace.output.exchange_drawing import Extent
    from sticktrace.output.explaining import dump, lines
    from sticktrace.output.hex_account import drawn_parts, hex_doubts, unknown

    if not readings:
        yield f"{len(data)} bytes that fit no layout known here; --take-for tries one all the same"
        if wanted.table:
            yield from dump(data[wanted.start :], wanted.start, len(data) if wanted.whole else 512)
        else:
            yield from unknown(data, draw, columns(), Extent(wanted.start, wanted.whole))
    for reading in readings:
        yield style(f"{reading.kind}: {reading.why}", "good")
        for doubt in hex_doubts(reading, data):
            yield style(f"look at: {doubt}", "warn")
        if wanted.table:
            for part in reading.parts:
                yield from lines(part, style, width=width())
        else:
            yield from drawn_parts(reading, draw, columns(), Extent(wanted.start, wanted.whole))
        yield ""


def _console(text: str, wanted: Wanted) -> bool:
    """Explain what console lines say. Returns whether anything in them was understood."""
    import json

    from sticktrace.capture.line_patterns import LinePatterns
    from sticktrace.output.console_account import account_lines, facts, told_in
    from sticktrace.output.hex_account import told_drawing, told_scene

    found = told_in(text, LinePatterns(patterns_file()))
    if not found:
        return False
    if wanted.as_json:
        click.echo(json.dumps(facts(found), indent=2))
    elif wanted.picture is not None:
        save(told_scene(found, PICTURE), wanted.picture, wanted.overwrite)
    elif wanted.table:
        echo_all(account_lines(found, style, width()))
    else:
        echo_all(told_drawing(found, draw, style, columns()))
    return True


def _print_json(parts: list[Any]) -> None:
    import json

    from sticktrace.output.explaining import facts

    click.echo(json.dumps([facts(part) for part in parts], indent=2))
