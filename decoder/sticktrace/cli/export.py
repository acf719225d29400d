"""`sticktrace export`: the facts as JSON lines or CSV."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

import click

from sticktrace.cli.common import Selecting, capture_argument, labelled, opened, report_damage, words_argument
from sticktrace.errors import SticktraceError

_REQUEST_SENSE = 0x03
READ_AHEAD = 32 << 20
"""Bytes of a capture up to which its first line tells all; a fraction of a second."""
_FORMS = ["jsonl", "csv", "parquet", "arrow", "pcap", "packets"]
_CSV = (
    "number", "time_ns", "duration_ns", "bus", "address", "lun", "tag", "opcode", "command", "cdb", "lba", "blocks",
    "direction", "expected", "moved", "residue", "status", "sense", "case", "stalled", "truncated", "touches", "notes",
)  # fmt: skip


@click.command("export", cls=Selecting)
@capture_argument
@words_argument
@click.option("--as", "form", type=click.Choice(_FORMS), default="jsonl", show_default=True, help="Form.")
@click.option("--to", "target", default="-", metavar="FILE", help="File instead of output; only text needs none.")
@click.option(
    "--speed",
    type=click.Choice(["low", "full", "high"]),
    default="high",
    show_default=True,
    help="Speed of the packets.",
)
@click.option("--overwrite", is_flag=True, help="Write over a file that exists.")
def command(capture: str, words: tuple[str, ...], form: str, target: str, speed: str, overwrite: bool) -> None:
    """Write what CAPTURE holds as JSON lines (docs/json-lines.md), the exchanges as CSV or as columns for data tools
    (docs/data.md), or the records as pcap or packets.

    JSON lines begin with a line of kind "capture"; exchanges, requests and strays follow in time order, then devices,
    stages and findings. KEY:VALUE words select exchanges, as in `sticktrace exchanges`.

    As pcap, any form becomes link type 220; with KEY:VALUE words the chosen exchanges and all control requests, which
    makes a small file to attach to a report (`sticktrace redact` takes out what is private).

    As packets, what a host recorded is rendered as the packets that would have carried it, at a speed of your choice:
    pcapng with link type 293, 294 or 295, for teaching and comparing. Nothing in it was recorded on the wire: answers
    NAK, retries and times between packets are not known, and the file says so."""
    from sticktrace.output.selection import Selection

    selection = Selection(words)
    with opened(capture) as source:
        reading = source.reading()
        if form == "pcap":
            _pcap(source, selection, target, overwrite)
            report_damage(source.read_through(), capture)
            return
        if form == "packets":
            _packets(source, selection, target, overwrite, speed)
            report_damage(source.read_through(), capture)
            return
        if form in ("parquet", "arrow"):
            _columns(source, reading, selection, target, overwrite, form)
            report_damage(reading, capture)
            return
        lines = _jsonl(source, reading, selection) if form == "jsonl" else _csv(reading, selection)
        with _target(source, target, overwrite) as out:
            for line in lines:
                out.write(line + "\n")
        report_damage(reading, capture)


@contextmanager
def _target(source: Any, target: str, overwrite: bool) -> Iterator[TextIO]:
    if target == "-":
        yield sys.stdout
        return
    from sticktrace.writing.outputs import new_text

    with new_text(Path(target), [source.source.identity], overwrite) as out:
        yield out


def _pcap(source: Any, selection: Any, target: str, overwrite: bool) -> None:
    from sticktrace.output.pcap import write
    from sticktrace.text import safe
    from sticktrace.writing.outputs import new_file

    if target == "-":
        raise click.UsageError("a pcap needs a file: --to FILE")
    if source.form == "log":
        raise SticktraceError(f"{safe(source.name)}: a log tells of traffic and holds none: nothing for a pcap")
    with new_file(Path(target), [source.source.identity], overwrite) as out:
        wanted = _records_of(source.reading(), selection) if selection.words else None
        count = write(source.reading(), out, wanted)
    click.echo(f"{safe(target)}: {count} records", err=True)


def _columns(source: Any, reading: Any, selection: Any, target: str, overwrite: bool, form: str) -> None:
    from sticktrace.storage.arrow import write
    from sticktrace.text import count_of, safe
    from sticktrace.writing.outputs import new_file

    if target == "-":
        raise click.UsageError("columns need a file: --to FILE")
    with new_file(Path(target), [source.source.identity], overwrite) as out:
        count = write(selection.of(labelled(reading, reading)), out, form)
    click.echo(f"{safe(target)}: {count_of(count, 'exchange')}", err=True)


def _packets(source: Any, selection: Any, target: str, overwrite: bool, speed: str) -> None:
    from sticktrace.capture.packets import RENDERED
    from sticktrace.capture.packets.reader import PacketReader
    from sticktrace.output.packet_file import write
    from sticktrace.text import count_of, safe
    from sticktrace.writing.outputs import new_file

    if target == "-":
        raise click.UsageError("packets need a file: --to FILE")
    if isinstance(source.reading().reader, PacketReader):
        raise click.UsageError(f"{source.name} holds packets already; --as pcap makes a capture of a host from it")
    with new_file(Path(target), [source.source.identity], overwrite) as out:
        wanted = _records_of(source.reading(), selection) if selection.words else None
        count, left_out = write(source.reading(), out, speed, wanted)
    click.echo(f"{safe(target)}: {count_of(count, 'packet')}, {RENDERED}", err=True)
    for reason, times in left_out.items():
        click.echo(f"{safe(target)}: left out {times} {reason}", err=True)


def _records_of(reading: Any, selection: Any) -> set[int]:
    """Record numbers of the chosen exchanges, of those that fetched their sense, and of all control requests."""
    from sticktrace.bus.requests import Request
    from sticktrace.transport.items import Exchange

    wanted: set[int] = set()
    askers: dict[int, tuple[int, ...]] = {}

    def noted() -> Iterator[Any]:
        for item in reading:
            if isinstance(item, Request):
                wanted.update(item.records)
            elif isinstance(item, Exchange) and item.opcode == _REQUEST_SENSE:
                askers[item.number] = item.records
            yield item

    chosen = [
        (exchange.records, exchange.sense.exchange if exchange.sense else 0)
        for exchange, _ in selection.of(labelled(noted(), reading))
    ]
    for records, asker in chosen:
        wanted.update(records, askers.get(asker, ()))
    return wanted


def _jsonl(source: Any, reading: Any, selection: Any) -> Iterator[str]:
    """The line of the capture comes first, what it tells is known last. A short capture is read ahead for it; of a long
    one it tells at first what its beginning shows, and comes again at the end."""
    import json

    from sticktrace.bus.requests import Request
    from sticktrace.findings.catalogue import RULES
    from sticktrace.findings.scene import Scene
    from sticktrace.findings.verdict import conclude
    from sticktrace.output.device_text import device_facts
    from sticktrace.output.json_lines import (
        beginning_facts,
        capture_facts,
        exchange_facts,
        request_facts,
        saying_facts,
        stray_facts,
    )
    from sticktrace.transport.items import Exchange, Saying, Stray

    short = len(source.source.data) <= READ_AHEAD
    yield json.dumps(capture_facts(source.read_through()) if short else beginning_facts(source.reading()))
    if selection.words:
        for exchange, touches in selection.of(labelled(reading, reading)):
            yield json.dumps(exchange_facts(exchange, touches))
        if not short:
            yield json.dumps(capture_facts(reading))
        return
    scene = Scene(reading, RULES)
    for item in reading:
        scene.see(item)
        if isinstance(item, Exchange):
            yield json.dumps(exchange_facts(item, scene.ledger.label))
        elif isinstance(item, Request):
            yield json.dumps(request_facts(item))
        elif isinstance(item, Stray):
            yield json.dumps(stray_facts(item))
        elif isinstance(item, Saying):
            yield json.dumps(saying_facts(item))
    diagnosis = conclude(scene)
    for stick in scene.ledger.sticks.in_order():
        yield json.dumps(device_facts(stick))
    for facts in diagnosis.lines():
        yield json.dumps(facts)
    if not short:
        yield json.dumps(capture_facts(reading))


def _csv(reading: Any, selection: Any) -> Iterator[str]:
    import csv
    import io

    from sticktrace.output.json_lines import exchange_facts

    def row(values: Any) -> str:
        out = io.StringIO()
        csv.writer(out, lineterminator="").writerow(values)
        return out.getvalue()

    yield row(_CSV)
    for exchange, touches in selection.of(labelled(reading, reading)):
        facts = exchange_facts(exchange, touches)
        sense = facts["sense"]
        facts["sense"] = "" if sense is None else f"{sense['key']:X}/{sense['asc']:02X}/{sense['ascq']:02X}"
        facts["stalled"] = " ".join(facts["stalled"])
        facts["notes"] = "; ".join(facts["notes"])
        yield row(facts[name] for name in _CSV)
