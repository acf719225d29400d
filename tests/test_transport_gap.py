"""Where a recorder says that it lost transfers: what is open, and what comes next, is judged by what is there."""

from __future__ import annotations

from pathlib import Path

import pytest

import sticktrace
from lanes import Bench, Run
from sticktrace.capture.transfer import STALL
from sticktrace.findings.verdict import diagnose
from sticktrace.redaction.copying import redact
from sticktrace.transport.items import FAILED, MISSING, PASSED, StrayKind
from sticktrace.transport.remarks import LOST, Said, Why, reason
from test_capture_hex_text import CBW, CSW, INQUIRY, spaced
from workshop import wire


def test_a_status_with_the_right_tag_ends_the_command() -> None:
    """BOT 1.0 6.3.1: the tag says whose it is, whatever of the data is missing."""
    for between in ([], [Bench.come]):
        bench = Bench()
        steps = [bench.cbw(1024), bench.come(bytes(512)), "GAP", *(make(bench, bytes(512)) for make in between)]
        exchange = Run(bench, [*steps, bench.csw()]).only()
        assert (exchange.status, exchange.moved, exchange.case) == (PASSED, 512, None)
        assert exchange.truncated and Said.TRANSFERS_MISSING in {remark.kind for remark in exchange.remarks}


@pytest.mark.parametrize("make", [
    lambda bench: bench.csw(tag=9), lambda bench: bench.come(bytes(512)), lambda bench: bench.out(bytes(512)),
    lambda bench: bench.out(b"ODDS" + bytes(27)), lambda bench: bench.stall(),
])  # fmt: skip
def test_what_follows_may_belong_to_what_is_missing(make) -> None:  # type: ignore[no-untyped-def]
    bench = Bench()
    run = Run(bench, ["GAP", make(bench), bench.cbw(), bench.csw()])
    assert [stray.kind for stray in run.strays] == [StrayKind.REST]
    assert [exchange.status for exchange in run.exchanges] == [PASSED]
    assert not run.exchanges[0].remarks


def test_a_failure_on_the_bus_is_a_failure_all_the_same() -> None:
    bench = Bench()
    run = Run(bench, ["GAP", bench.come(asked=512, status=-71)])
    assert [stray.kind for stray in run.strays] == [StrayKind.ERROR]


@pytest.mark.parametrize("make", [lambda bench: bench.cbw(tag=2), lambda bench: bench.csw(tag=2)])
def test_a_command_whose_end_may_be_missing(make) -> None:  # type: ignore[no-untyped-def]
    bench = Bench()
    run = Run(bench, [bench.cbw(512), "GAP", make(bench)])
    first = run.exchanges[0]
    assert first.status == MISSING and reason(first.remarks) is Why.RECORDS_MISSING
    assert first.remarks[0].kind in LOST


def test_a_reset_behind_a_gap() -> None:
    bench = Bench()
    exchange = Run(bench, [bench.cbw(512), "GAP", bench.stall(), "CLEARED IN", "RESET"]).only()
    assert exchange.status == MISSING and exchange.remarks[0].kind in LOST and not exchange.stalled


def test_sense_is_not_taken_across_a_gap() -> None:
    """The command that it explains may be among the missing ones (SAM-3 5.8.5: sense goes with the next command)."""
    bench = Bench()
    sense = bytes.fromhex("70 00 05 00 00 00 00 0a 00 00 00 00 20 00 00 00 00 00")
    steps = [bench.cbw(), bench.csw(status=1), bench.cbw(18, tag=2, cdb=wire.request_sense()), bench.come(sense),
             bench.csw(tag=2)]  # fmt: skip
    assert Run(bench, steps).exchanges[0].sense is not None
    failed = Run(bench, [*steps[:2], "GAP", *steps[2:]]).exchanges[0]
    assert failed.status == FAILED and failed.sense is None and failed.remarks[0].kind in LOST


def test_a_late_status_is_not_sought_across_a_gap() -> None:
    bench = Bench()
    run = Run(bench, [bench.cbw(512), bench.cbw(512, tag=2), "GAP", bench.csw(tag=1), bench.csw(tag=2)])
    assert [exchange.status for exchange in run.exchanges] == [MISSING, MISSING]
    assert STALL not in {remark.kind for exchange in run.exchanges for remark in exchange.remarks}


LINES = (
    f"1000-20 us dev 2 OUT ep 02 31: {spaced(CBW)}\nlost 3 transfers\n"
    f"2000-20 us bus 1 dev 4 IN ep 81 512/4096 kept 4 STALL: 01 02 03 04\n2100-50 us dev 2 IN ep 81 13: {spaced(CSW)}\n"
    f"2200-20 us dev 2 OUT ep 02 31: {spaced(CBW)}\n2300-20 us dev 2 IN ep 81 36: {spaced(INQUIRY)}\n"
    f"2400-20 us dev 2 IN ep 81 13 status 77:\n"
)  # fmt: skip


def test_all_of_it_balances_and_survives_a_redacted_copy(tmp_path: Path) -> None:
    before, after = tmp_path / "console.txt", tmp_path / "redacted.txt"
    before.write_text(LINES)
    told = []
    for path in (before, after):
        with sticktrace.open(path) as capture:
            reading = capture.reading()
            items = list(reading)
            places = reading.places()
            assert sum(places.values()) == reading.reader.records == 7
            assert places["marks of lost transfers"] == 1
            told.append([(type(item).__name__, item.time_ns, [str(r.kind) for r in getattr(item, "remarks", ())])
                         for item in items])  # fmt: skip
            assert any("3 transfers" in str(damage) for damage in reading.reader.damage)
            if path == before:
                redact(capture, after)
    assert told[0] == told[1]
    text = after.read_text()
    assert "lost 3 transfers" in text and "bus 1 dev 4 IN ep 81 512/4096 status -32:" in text


def test_a_host_that_says_that_it_timed_out_did_not_cancel(tmp_path: Path) -> None:
    """A console prints the end of a transfer, seldom how long it took."""
    path = tmp_path / "console.txt"
    path.write_text(f"OUT ep 02 31: {spaced(CBW)}\nIN ep 81 0/36 TIMEOUT:\n")
    with sticktrace.open(path) as capture:
        (finding,) = diagnose(capture.reading()).findings
    assert finding.slug == "command-timeout" and finding.text.endswith("was given up")
