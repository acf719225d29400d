"""The documented JSON shapes (docs/json-lines.md): one function per kind of line."""

from __future__ import annotations

from typing import Any

from sticktrace.bus.events import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.codes.asc import meaning as asc_meaning
from sticktrace.grammar.vocabulary import lba_and_blocks
from sticktrace.output.wire_text import wire_facts
from sticktrace.session import Reading
from sticktrace.transport.items import Exchange, Field, Item, Saying, Sense, Stray


def capture_facts(reading: Reading) -> dict[str, Any]:
    """``kind:"capture"``: the recording itself, as known after a whole pass."""
    reader = reading.reader
    return {
        "kind": "capture",
        "format": reader.form,
        "link_types": sorted(reader.link_types),
        "records": reader.records,
        "first_time_ns": reader.origin_ns,
        "last_time_ns": None if reader.origin_ns is None else reader.origin_ns + reader.last_ns,
        "damage": [str(damage) for damage in reading.damage],
        "assumed": reading.assumed,
    }


def beginning_facts(reading: Reading) -> dict[str, Any]:
    """The same of a pass not begun, as far as the beginning of the capture tells; the rest is None."""
    for _ in reading.reader.transfers():
        break
    unknown = ("records", "last_time_ns", "damage", "assumed")
    return {key: None if key in unknown else value for key, value in capture_facts(reading).items()}


def sense_facts(sense: Sense | None) -> dict[str, Any] | None:
    """Sense as key, codes and the assigned meaning."""
    if sense is None:
        return None
    return {"key": sense.key, "asc": sense.asc, "ascq": sense.ascq, "meaning": asc_meaning(sense.asc, sense.ascq)}


def exchange_facts(exchange: Exchange, touches: str = "") -> dict[str, Any]:
    """``kind:"exchange"``; ``touches`` is what its blocks are on the volume."""
    lba, blocks = lba_and_blocks(exchange.cdb)
    return {
        "kind": "exchange",
        "number": exchange.number,
        "time_ns": exchange.time_ns,
        "duration_ns": None if exchange.told else exchange.duration_ns,
        "bus": exchange.bus,
        "address": exchange.address,
        "lun": exchange.lun,
        "tag": None if exchange.told or Field.TAG in exchange.not_printed else exchange.tag,
        "opcode": exchange.opcode,
        "command": exchange.command,
        "cdb": exchange.cdb.hex(),
        "lba": lba,
        "blocks": blocks,
        "direction": exchange.direction,
        "expected": None if exchange.told or Field.LENGTH in exchange.not_printed else exchange.expected,
        "moved": None if exchange.told else exchange.moved,
        "residue": exchange.residue,
        "status": exchange.status,
        "sense": sense_facts(exchange.sense),
        "case": exchange.case,
        "stalled": list(exchange.stalled),
        "truncated": exchange.truncated,
        "transport": exchange.transport,
        "touches": touches or None,
        "records": list(exchange.records),
        "notes": list(exchange.notes),
        "remarks": [remark.facts() for remark in exchange.remarks],
        "not_printed": list(exchange.not_printed),
        "wire": wire_facts(exchange.wire),
    }


def request_facts(request: Request) -> dict[str, Any]:
    """``kind:"request"``: a control request."""
    return {
        "kind": "request",
        "time_ns": request.time_ns,
        "duration_ns": max(0, request.end_ns - request.time_ns),
        "bus": request.bus,
        "address": request.address,
        "setup": request.setup.hex() or None,
        "name": request.name,
        "arguments": request.words,
        "result": request.result,
        "moved": request.actual,
        "records": list(request.records),
        "wire": wire_facts(request.wire),
    }


def stray_facts(stray: Stray) -> dict[str, Any]:
    """``kind:"stray"``: bulk traffic on storage endpoints that belongs to no exchange."""
    return {
        "kind": "stray",
        "time_ns": stray.time_ns,
        "bus": stray.bus,
        "address": stray.address,
        "endpoint": stray.endpoint,
        "what": stray.kind,
        "reason": stray.reason,
        "remark": stray.remark.facts(),
        "records": list(stray.records),
    }


def event_facts(event: BusEvent) -> dict[str, Any]:
    """``kind:"event"``: what happened to a device."""
    return {
        "kind": "event",
        "time_ns": event.time_ns,
        "bus": event.bus,
        "address": event.address,
        "what": event.kind,
        "text": event.text,
        "done": event.done,
        "records": list(event.records),
    }


def item_facts(item: Item, touches: str = "") -> dict[str, Any]:
    """Any item as the line of its kind."""
    if isinstance(item, Exchange):
        return exchange_facts(item, touches)
    if isinstance(item, Request):
        return request_facts(item)
    if isinstance(item, BusEvent):
        return event_facts(item)
    return stray_facts(item) if isinstance(item, Stray) else saying_facts(item)


def saying_facts(saying: Saying) -> dict[str, Any]:
    """``kind:"statement"``: what a log says, and of which device."""
    where = {"bus": saying.bus, "address": saying.address, "lun": saying.lun, "in_exchange": saying.in_exchange}
    return {**saying.statement.facts(), **where}
