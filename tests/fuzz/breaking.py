"""Ways to break a capture, and what must hold of a broken one. Used by tests/test_fuzz.py and by tests/fuzz/run.py.

The error contract of the library: nothing but `SticktraceError` is raised for any bytes whatever. And of the account:
every record ends in exactly one place, and nothing that reaches a terminal holds a control character.
"""

from __future__ import annotations

import io
import json
import random
import struct
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from conftest import capture_bytes
from sticktrace.bus.requests import Request
from sticktrace.capture.source import Source
from sticktrace.duties.auditing import audit
from sticktrace.errors import SticktraceError
from sticktrace.output.audit_text import audit_text
from sticktrace.output.breakdown import account
from sticktrace.output.device_text import card_lines, device_facts, story_lines
from sticktrace.output.json_lines import capture_facts, exchange_facts, request_facts, stray_facts
from sticktrace.output.listing import Listing
from sticktrace.session import Capture, Reading
from sticktrace.sticks.sticks import Sticks
from sticktrace.transport.items import Exchange, Stray
from sticktrace.volume.tracker import VolumeTracker
from workshop.scenes_faults import brown_out_on_write
from workshop.scenes_healthy import stall_recovery, uas_stick

LIMIT = 24_000
"""Bytes of a real capture that are kept; enough for its enumeration and some dozen exchanges."""

Edit = tuple[str, int, bytes]
"""What is done (one of `KINDS`), where (taken modulo the length), and the bytes that go with it."""

KINDS = ("set", "insert", "delete", "cut", "repeat", "ones")


def seeds() -> dict[str, bytes]:
    """Whole small captures, one of every form that is read."""
    found = {
        "pcap 220": stall_recovery().pcap(),
        "pcap 220, UAS": uas_stick().pcap()[:LIMIT],
        "usbmon u": brown_out_on_write().usbmon_text().encode()[:LIMIT],
        "usbmon t": stall_recovery().usbmon_text(bus_numbers=False).encode(),
        "hex": stall_recovery().hex_text().encode()[:LIMIT],
    }
    for link_type in (189, 249):
        recorder = stall_recovery()
        recorder.link_type = link_type
        found[f"pcap {link_type}"] = recorder.pcap()
    recorded = {
        "pcap 220, emulator": "l16_sg_bot-emu.pcap", "pcap 220, hub": "l20_hub_uhci-usbmon.pcap",
        "pcap 220, gadget": "g17_raw_bot_orderly-usbmon.pcap", "pcapng little": "c08_fat32_ng_le.pcapng",
        "pcapng big": "c14_two_luns_ng_be.pcapng", "usbmon 1t": "l26_hotplug_1t-usbmon-1t.txt",
    }  # fmt: skip
    return found | {name: capture_bytes(file)[:LIMIT] for name, file in recorded.items()}


def apply(data: bytes, edits: list[Edit]) -> bytes:
    """A capture with the edits done to it, one after the other."""
    out = bytearray(data)
    for kind, where, material in edits:
        at = where % len(out) if out else 0
        size = len(material) or 1
        if kind == "set":
            out[at : at + size] = material[: len(out) - at]
        elif kind == "insert":
            out[at:at] = material
        elif kind == "delete":
            del out[at : at + size]
        elif kind == "cut":
            del out[at:]
        elif kind == "repeat":
            out[at:at] = out[at : at + 8 * size]
        else:
            out[at : at + 4] = b"\xff" * len(out[at : at + 4])
    return bytes(out)


def some_edits(rng: random.Random) -> list[Edit]:
    """A few edits at random."""
    kinds = KINDS[:3] if rng.random() < 0.7 else KINDS
    sizes = (1, 1, 2, 4, 16, 40)
    return [
        (rng.choice(kinds), rng.randrange(1 << 30), rng.randbytes(rng.choice(sizes)))
        for _ in range(rng.randrange(1, 8))
    ]


def opened(data: bytes) -> Capture:
    """A capture from bytes."""
    handle = tempfile.TemporaryFile()  # noqa: SIM115 - the Source closes it
    handle.write(data)
    handle.flush()
    source = Source("fuzz", handle, [])
    try:
        return Capture(source)
    except SticktraceError:
        source.close()
        raise


@dataclass
class Outcome:
    """What a whole pass over a capture gave."""

    exchanges: list[Exchange]
    reading: Reading
    text: list[str]


def examine(data: bytes, deep: bool = True) -> Outcome | None:
    """Read all of it, check the account, and show everything (``deep``). None where it cannot be read at all."""
    try:
        with opened(data) as capture:
            return _examine(capture, deep)
    except SticktraceError as error:
        assert "\n" not in str(error) and str(error), "an error is one line"
        return None


def _examine(capture: Capture, deep: bool) -> Outcome:
    reading = capture.reading()
    sticks, items = Sticks(reading.read), []
    for item in reading:
        items.append(item)
        sticks.see(item)
    exchanges = [item for item in items if isinstance(item, Exchange)]
    check_account(reading, items)
    text = [*show(reading, items, sticks), *audit_text(audit([capture]))] if deep else []
    for line in text:
        check_printable(line)
    return Outcome(exchanges, reading, text)


def check_account(reading: Reading, items: list[Any]) -> None:
    """The sums balance; no record is in two places; exchanges are numbered without a gap."""
    assert sum(reading.places().values()) == reading.records, reading.places()
    exchanges = [item for item in items if isinstance(item, Exchange)]
    assert [exchange.number for exchange in exchanges] == list(range(1, len(exchanges) + 1))
    taken: set[int] = set()
    for item in items:
        if isinstance(item, Exchange | Stray) or (isinstance(item, Request) and not item.in_exchange):
            records = set(item.records)
            assert len(records) == len(item.records), f"a record twice in {item}"
            assert not records & taken, f"records {records & taken} are in two places: {item}"
            assert all(1 <= number <= reading.records for number in records)
            taken |= records
    for exchange in exchanges:
        assert exchange.moved == sum(piece.actual for piece in exchange.pieces), exchange
        assert all(0 <= p.captured <= max(p.actual, p.captured) for p in exchange.pieces)


def show(reading: Reading, items: list[Any], sticks: Sticks) -> Iterator[str]:
    """Everything that the verbs print, line by line."""
    listing, volumes = Listing(), VolumeTracker(reading.read)
    exchanges = [item for item in items if isinstance(item, Exchange)]
    yield json.dumps(capture_facts(reading))
    for item in items:
        if isinstance(item, Exchange):
            yield listing.line(item, volumes.feed(item))
            yield json.dumps(exchange_facts(item))
        elif isinstance(item, Request):
            yield json.dumps(request_facts(item))
        elif isinstance(item, Stray):
            yield json.dumps(stray_facts(item))
    for exchange in exchanges[:12] + exchanges[-3:]:
        yield from account(exchange, reading.read)
    for stick in sticks.all:
        yield json.dumps(device_facts(stick))
        yield from card_lines(stick)
        yield from story_lines(stick)
    yield from (str(change.kind) for change in volumes.changes())
    yield from (str(damage) for damage in reading.damage)


TURNING = "\u2028\u2029\u202a\u202b\u202d\u202e\u2066\u2067"
"""Line separators and characters that turn the direction of text round."""


def check_printable(line: str) -> None:
    """No control character, and none that turns the direction of the text round."""
    bad = [char for char in line if ord(char) < 32 or 0x7F <= ord(char) < 0xA0 or char in TURNING]
    assert not bad, f"{bad!r} in {line!r}"


VERBS = (
    "exchanges", "exchanges --wide", "devices", "devices --story", "devices --json", "diagnose --all",
    "diagnose --json", "timing", "timing --json", "volume", "volume --changes", "volume --json", "check",
    "check --json", "export",
    "export --as csv", "explain 1", "explain 7", "explain --json 2",
    "explain --table 1", "explain --ladder 1", "explain --all --from 9 2", "explain r1", "requests", "devices --cable",
    "volume --map", "draw staircase", "draw cases", "draw spreads",
)  # fmt: skip
"""What is run on a broken capture; the file goes behind the verb."""


def run_verb(path: Path, words: str) -> None:
    """A verb ends with a status that is documented and prints nothing that a terminal would act on."""
    from click.testing import CliRunner

    from sticktrace.cli.main import main

    verb, *options = words.split()
    runner = CliRunner()
    with runner.isolation() as (out, error, *_):
        arguments, sys.argv = sys.argv, ["sticktrace", verb, str(path), *options]
        try:
            main()
            status: Any = 0
        except SystemExit as end:
            status = end.code or 0
        finally:
            sys.argv = arguments
        sys.stdout.flush()
        said = [stream.getvalue().decode() for stream in (out, error)]
    assert status in (0, 1, 2, 3), (words, status)
    assert (any(said) or "--json" in words) and "Traceback" not in said[1], (words, said)
    for line in "".join(said).split("\n"):
        check_printable(line)


def settled(exchanges: list[Exchange], before: int) -> list[tuple[Any, ...]]:
    """What must not change when record ``before`` and later ones are damaged: the exchanges that end before it, less
    the last two, which what follows may still explain (sense, a late CSW)."""
    whole = [e for e in exchanges if e.records and max(e.records) < before]
    return [facts_of(e) for e in whole[:-2]]


def facts_of(exchange: Exchange) -> tuple[Any, ...]:
    """An exchange as comparable values."""
    return (
        exchange.number, exchange.time_ns, exchange.tag, exchange.cdb, exchange.expected, exchange.moved,
        exchange.residue, exchange.status, exchange.sense, exchange.records, exchange.notes,
    )  # fmt: skip


def records_of(data: bytes) -> list[tuple[int, int]]:
    """Start and end of each record of a little-endian pcap file, its 16-byte header included."""
    places, at = [], 24
    while at + 16 <= len(data):
        (size,) = struct.unpack_from("<I", data, at + 8)
        places.append((at, at + 16 + size))
        at += 16 + size
    return places


def text_lines(data: bytes) -> list[tuple[int, int]]:
    """Start and end of each line."""
    places, at = [], 0
    for line in io.BytesIO(data):
        places.append((at, at + len(line)))
        at += len(line)
    return places
