"""The console of a light host stack: the same exchanges and requests come back from its text as from the capture that
it was written from, in many styles; and nothing is made of lines that only look alike.

Transfers are those of recordings and of demo captures; what a control transfer and the wrappers are is USB 2.0 8.5.3
and BOT 1.0 5. How debug builds print them is common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from conftest import ROOT, capture_bytes, capture_names
from console_styles import Style, bare_dump, light_host, one_blank_dump
from sticktrace.capture import reader_of
from sticktrace.capture.transfer import BULK, CONTROL, Transfer
from sticktrace.session import Exchange, Request
from sticktrace.session import open as open_capture
from sticktrace.transport.router import Router

DEMOS = sorted(path for path in (ROOT / "traces" / "demo").glob("*.pcap"))
MOST = 250
"""Transfers of a capture that are written out; the rest of it is more of the same."""

RECORDED = [name for name in capture_names() if name.endswith("usbmon.pcap")]


def transfers_of(data: bytes) -> tuple[list[Transfer], bytes]:
    """The transfers that a console would print; the root hub's reports are none."""
    reader = reader_of("capture", data)
    found = [*reader.transfers(), *reader.finish()]
    return [t for t in found if t.kind in (CONTROL, BULK) and (t.setup or t.endpoint & 0x0F)], bytes(reader.payload)


Rows = tuple[list[Any], list[Any]]


def rows_of(items: Iterable[Any], queued: bool = True) -> Rows:
    """Exchanges and requests of each device, as far as such a text can show them. How much a UAS command was to move is
    told by the lengths of the transfers that were begun, where those are printed."""
    exchanges, requests = [], []
    for item in items:
        if isinstance(item, Exchange):
            told = queued or item.transport == "BOT"
            length, residue = (item.expected, item.residue) if told else (None, None)
            sense = item.sense[:3] if item.sense else None
            exchanges.append((item.bus, item.address, item.lun, item.tag, item.cdb, length, item.moved,
                              residue, item.status, sense))  # fmt: skip
        elif isinstance(item, Request):
            result = item.result if item.result in ("done", "stall", "not seen") else "failed"
            requests.append((item.bus, item.address, item.setup, result, item.actual if item.done else 0))
    return sorted(exchanges, key=lambda row: row[:2]), sorted(requests, key=lambda row: row[:2])


def direct(transfers: list[Transfer], payload: bytes) -> Iterator[Any]:
    """What the transfers give without the way over text."""
    router = Router(lambda at, length: payload[at : at + length], lambda *_: [])
    for transfer in transfers:
        router.feed(transfer)
    router.end()
    yield from router.out.ready()


PLAIN = Style()
STYLES = {
    "plain": PLAIN,
    "lower case": Style(shape=str.lower),
    "upper case": Style(shape=str.upper),
    "place everywhere": Style(place_everywhere=True),
    "no setup and status stages": Style(stages="data"),
    "not queued": Style(queued=False),
    "dump first": Style(queued=False, dump_first=True),
    "dump between": Style(dump_first=True),
    "bare dump": Style(dump=bare_dump),
    "text one blank behind": Style(dump=one_blank_dump),
    "stamped": Style(front="[{n:5}.250] "),
    "levels": Style(front="D ({n}) usbh: "),
    "clock": Style(front="12:00:00.{n:06} <dbg> "),
    "noise": Style(noise=("adc: level 1874 mm", "tick 5000", "store: 12 pages free")),
    "other words": Style(
        ended="xfer done: ep=0x{ep:02x} len={n} result={result}", begun="submit xfer ep 0x{ep:02x}, {n} bytes"
    ),
    "wide": Style(ended="on  EP  {ep:02X}  with  {n}  bytes :  {result}"),
    "tabs": Style(shape=lambda line: line.replace(" ", "\t", 2)),
}


@pytest.mark.parametrize("style", STYLES.values(), ids=STYLES)
@pytest.mark.parametrize("source", [*DEMOS, *RECORDED], ids=lambda source: getattr(source, "stem", source))
def test_what_was_printed_comes_back(source: Path | str, style: Style, tmp_path: Path) -> None:
    if "two_sticks" in str(source) and not style.place_everywhere:
        pytest.skip("which of two sticks with the same endpoints is meant, such a text does not say")
    data = source.read_bytes() if isinstance(source, Path) else capture_bytes(source)
    transfers, payload = transfers_of(data)
    transfers = transfers[:MOST]
    text = tmp_path / "console.txt"
    text.write_text(light_host(transfers, payload, style))
    with open_capture(text) as capture:
        assert capture.form == "hex text"
        exchanges, requests = rows_of(capture.items(), style.queued)
    assert (exchanges, requests) == rows_of(direct(transfers, payload), style.queued)
