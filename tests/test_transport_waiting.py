"""Transfers that still wait when a capture ends: nothing has moved, and nobody knows yet how they end."""

from __future__ import annotations

from pathlib import Path

import pytest

import sticktrace
from lanes import BULK_OUT, STEP_NS, Bench, Run
from sticktrace.transport.items import MISSING, Exchange
from sticktrace.transport.remarks import Said

MINIMAL = Path(__file__).parent / "data" / "minimal"


def exchanges_of(name: str) -> list[Exchange]:
    """All exchanges of a minimal input; each of its records has one place."""
    with sticktrace.open(MINIMAL / name) as capture:
        reading = capture.reading()
        found = [item for item in reading if isinstance(item, Exchange)]
    assert sum(reading.places().values()) == reading.records
    return found


def kinds(exchange: Exchange) -> list[Said]:
    return [remark.kind for remark in exchange.remarks]


def test_a_read_that_waits_while_other_traffic_goes_on() -> None:
    """Submitted at 1.0011 s of the file's clock; the last record is at 5.5016 s."""
    (exchange,) = exchanges_of("still-waiting-at-end.txt")
    assert (exchange.status, exchange.moved, exchange.truncated) == (MISSING, 0, False)
    assert exchange.remarks[0] == (Said.STILL_WAITING, (5_501_600_000 - 1_001_100_000,))
    assert exchange.duration_ns == 5_501_600_000 - 1_000_900_000
    assert exchange.notes[0] == "still waiting after 4.500 s, when the capture ends"


def test_a_command_that_never_completes_stands_where_it_was_submitted() -> None:
    found = exchanges_of("cbw-never-completes.txt")
    times = [exchange.time_ns for exchange in found]
    assert times == sorted(times) and [e.number for e in found] == list(range(1, len(found) + 1))
    (waiting,) = [e for e in found if e.status is MISSING]
    assert 1 < waiting.number < len(found) and kinds(waiting)[0] is Said.STILL_WAITING


@pytest.mark.parametrize("direction", ["in", "out"])
def test_what_waits_has_not_moved(direction: str) -> None:
    """A WRITE's data was handed to the host controller; that it crossed the bus is not known."""
    bench = Bench()
    data = bench.waiting() if direction == "in" else bench.waiting(BULK_OUT, data=bytes(512))
    exchange = Run(bench, [bench.cbw(512, direction), data]).only()
    assert (exchange.moved, exchange.pieces, exchange.data_ns) == (0, (), -1)
    assert kinds(exchange) == [Said.STILL_WAITING, Said.NO_STATUS]
    assert exchange.end_ns == data.submitted_ns + 7 * STEP_NS


def test_a_status_that_waits() -> None:
    bench = Bench()
    exchange = Run(bench, [bench.cbw(), bench.waiting(asked=13)]).only()
    assert (exchange.status, kinds(exchange)) == (MISSING, [Said.STILL_WAITING, Said.NO_STATUS])


def test_a_command_that_waits() -> None:
    bench = Bench()
    command = bench.cbw()
    command.status, command.completed_ns, command.waited_ns = None, -1, 50 * STEP_NS
    exchange = Run(bench, [command]).only()
    assert kinds(exchange) == [Said.STILL_WAITING, Said.NO_STATUS] and exchange.duration_ns == 50 * STEP_NS
    assert exchange.records == (1, 2)


def test_a_read_that_waits_while_no_command_is_open() -> None:
    bench = Bench()
    (item,) = Run(bench, [bench.waiting()]).strays
    assert item.remark.kind is Said.STILL_WAITING


def test_a_lost_completion_is_something_else() -> None:
    """The device answered, so the transfer did end; the recording lacks the half."""
    bench = Bench()
    lost = bench.come(asked=512, status=None)
    exchange = Run(bench, [bench.cbw(512), lost, bench.csw()]).only()
    assert Said.DATA_END_LOST in kinds(exchange) and Said.STILL_WAITING not in kinds(exchange)
