"""The exchange table and its text pool: what goes in comes out, whatever it is."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import capture_path
from sticktrace.output.selection import Selection
from sticktrace.storage.table import ExchangeTable
from sticktrace.storage.textpool import TextPool
from sticktrace.transport.items import Exchange

TEXTS = st.lists(st.text(st.characters(exclude_characters="\n"), max_size=20), max_size=40)


@given(TEXTS, st.text(min_size=1, max_size=3))
@settings(max_examples=200, deadline=None)
def test_texts_come_back_and_are_found(texts: list[str], wanted: str) -> None:
    pool = TextPool()
    indexes = [pool.add(text) for text in texts]
    assert [pool[index] for index in indexes] == texts
    found = pool.holding("Aa") if wanted == "\n" else pool.holding(wanted)
    asked = ("Aa" if wanted == "\n" else wanted).encode("utf-8", "surrogatepass").lower()
    for text, index in zip(texts, indexes, strict=True):
        assert found[index] == (asked in text.encode("utf-8", "surrogatepass").lower())


def test_a_text_long_forgotten_is_only_stored_again() -> None:
    pool = TextPool()
    first = pool.add("root directory")
    for number in range(10_000):
        pool.add(f"file {number}")
    again = pool.add("root directory")
    assert pool[first] == pool[again] == "root directory"
    assert pool.holding("ROOT")[[first, again]].all()


def values(exchange: Exchange) -> list[object]:
    """Every field of an exchange; its device is the same object or another one."""
    return [getattr(exchange, field.name) for field in dataclasses.fields(exchange)]


def test_rows_equal_the_exchanges_that_went_in() -> None:
    for name in ("g17_raw_bot_orderly-usbmon.pcap", "l19_uas_ehci-usbmon.pcap", "l15_read_error-usbmon.pcap"):
        with sticktrace.open(capture_path(name)) as capture:
            exchanges = list(capture.exchanges())
        table = ExchangeTable()
        for exchange in exchanges:
            table.append(exchange, f"touches {exchange.number}")
        assert [values(row) for row in table] == [values(exchange) for exchange in exchanges]
        assert [table.touches(row) for row in range(len(table))] == [f"touches {e.number}" for e in exchanges]
        labelled = [(exchange, f"touches {exchange.number}") for exchange in exchanges]
        chosen = [touches for _, touches in Selection('touches:"HES 7"').of(iter(labelled))]
        assert chosen == [touches for _, touches in labelled if "hes 7" in touches]


def test_rows_keep_what_a_console_did_not_print(tmp_path: Path) -> None:
    log = tmp_path / "console.txt"
    block = "28 00 00 00 08 00 00 00 01 00"
    log.write_text(f"cbw.tag = 0x5 ; cbw.len = 512 ; cbw.flags = 0x80\nCBWCB: {block}\ncsw.status: 0\n")
    with sticktrace.open(log) as capture:
        (exchange,) = capture.exchanges()
        assert exchange.not_printed == ("bCBWLUN", "bCBWCBLength", "dCSWTag", "dCSWDataResidue")
        assert capture.exchanges()[0].not_printed == exchange.not_printed
