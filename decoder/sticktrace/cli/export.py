"""`sticktrace export`: the facts as JSON lines or CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TextIO

import click

from sticktrace.cli.common import capture_argument, labelled, opened, report_damage, words_argument

_CSV = (
    "number", "time_ns", "duration_ns", "bus", "address", "lun", "tag", "opcode", "command", "cdb", "lba", "blocks",
    "direction", "expected", "moved", "residue", "status", "sense", "case", "stalled", "truncated", "touches", "notes",
)  # fmt: skip


@click.command("export")
@capture_argument
@words_argument
@click.option("--as", "form", type=click.Choice(["jsonl", "csv"]), default="jsonl", show_default=True, help="Form.")
@click.option("--to", "target", type=click.File("w", encoding="utf-8"), default="-", help="File instead of output.")
def command(capture: str, words: tuple[str, ...], form: str, target: TextIO) -> None:
    """Write what CAPTURE holds as JSON lines (docs/json-lines.md) or as CSV of the exchanges.

    JSON lines begin with a line of kind "capture"; exchanges, requests and strays follow in time order, then devices,
    stages and findings. KEY:VALUE words select exchanges, as in `sticktrace exchanges`.
    """
    from sticktrace.output.selection import Selection

    selection = Selection(words)
    with opened(capture) as source:
        reading = source.reading()
        lines = _jsonl(source, reading, selection) if form == "jsonl" else _csv(reading, selection)
        for line in lines:
            target.write(line + "\n")
        report_damage(reading, capture)


def _jsonl(source: Any, reading: Any, selection: Any) -> Iterator[str]:
    """The capture line comes first but is known last, so the capture is read twice: once for it, once for the rest."""
    import json

    from sticktrace.bus.requests import Request
    from sticktrace.diagnosis.account import Account
    from sticktrace.diagnosis.catalogue import RULES
    from sticktrace.diagnosis.verdict import conclude
    from sticktrace.output.device_text import device_facts
    from sticktrace.output.facts import capture_facts, exchange_facts, request_facts, stray_facts
    from sticktrace.storage.units import Units
    from sticktrace.transport.events import Stray
    from sticktrace.transport.exchange import Exchange

    yield json.dumps(capture_facts(source.skim()))
    if selection.words:
        for exchange, touches in selection.of(labelled(reading)):
            yield json.dumps(exchange_facts(exchange, touches))
        return
    units, account = Units(reading.bus), Account(reading, RULES)
    for item in reading:
        account.see(item)
        if isinstance(item, Exchange):
            units.see(item, reading.read)
            yield json.dumps(exchange_facts(item, account.volumes.label))
        elif isinstance(item, Request):
            yield json.dumps(request_facts(item))
        elif isinstance(item, Stray):
            yield json.dumps(stray_facts(item))
    for device in reading.bus.devices:
        yield json.dumps(device_facts(device, units))
    for facts in conclude(account).lines():
        yield json.dumps(facts)


def _csv(reading: Any, selection: Any) -> Iterator[str]:
    import csv
    import io

    from sticktrace.output.facts import exchange_facts

    def row(values: Any) -> str:
        out = io.StringIO()
        csv.writer(out, lineterminator="").writerow(values)
        return out.getvalue()

    yield row(_CSV)
    for exchange, touches in selection.of(labelled(reading)):
        facts = exchange_facts(exchange, touches)
        sense = facts["sense"]
        facts["sense"] = "" if sense is None else f"{sense['key']:X}/{sense['asc']:02X}/{sense['ascq']:02X}"
        facts["stalled"] = " ".join(facts["stalled"])
        facts["notes"] = "; ".join(facts["notes"])
        yield row(facts[name] for name in _CSV)


