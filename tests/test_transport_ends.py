"""Captures that begin or end in mid exchange or lost records, sense and the command it explains, and the order in which
things come out of the Bulk-Only Transport machine."""

from __future__ import annotations

import pytest

from lanes import Bench, Run, Step
from workshop import wire

BLOCK = bytes(512)
PROTOCOL = -71
"""Kernel documentation, "USB error codes"."""


@pytest.fixture
def bench() -> Bench:
    return Bench()


# -- where the capture begins and ends, and what it lost --------------------------------------------------------------


def test_a_capture_that_starts_in_mid_exchange(bench: Bench) -> None:
    run = Run(bench, [bench.come(BLOCK), bench.csw(tag=41), bench.cbw(0, tag=42), bench.csw(tag=42)])
    assert [stray.kind for stray in run.strays] == ["stray data", "stray status"]
    assert [exchange.status for exchange in run.exchanges] == ["passed"]


def test_a_capture_that_ends_in_mid_exchange(bench: Bench) -> None:
    exchange = Run(bench, [bench.cbw(512), bench.come(BLOCK)]).only()
    assert (exchange.status, exchange.notes) == ("missing", ("no status: the capture ends here",))


def test_strays_of_every_kind(bench: Bench) -> None:
    steps = [bench.come(BLOCK), bench.out(BLOCK), bench.csw(), bench.stall(), bench.come(asked=1, status=PROTOCOL)]
    kinds = [stray.kind for stray in Run(bench, steps).strays]
    assert kinds == ["stray data", "stray data", "stray status", "stray stall", "stray error"]


def test_the_lost_completion_of_a_cbw(bench: Bench) -> None:
    """Recorders lose halves: the answer shows that the submission, which still waits, was done."""
    command = bench.cbw(512)
    command.status, command.completed_ns, command.records = None, -1, command.records[:1]
    bench.overdue.append(command)
    exchange = Run(bench, [bench.come(BLOCK), bench.csw()]).only()
    assert (exchange.status, exchange.moved) == ("passed", 512)
    assert exchange.notes == ("the completion of the command transfer was not recorded",)


def test_a_lost_csw_shows_by_the_next_command(bench: Bench) -> None:
    first, second = Run(bench, [bench.cbw(0), bench.cbw(0, tag=2), bench.csw(tag=2)]).exchanges
    assert (first.status, second.status) == ("missing", "passed")


@pytest.mark.parametrize("tag", [0, 1, 0x3E7, 0xFFFFFFFF])
def test_one_tag_for_ever(bench: Bench, tag: int) -> None:
    """Seen: a firmware uses 3E7h for every command."""
    steps = [step for _ in range(5) for step in (bench.cbw(512, tag=tag), bench.come(BLOCK), bench.csw(tag=tag))]
    run = Run(bench, steps)
    assert [(e.number, e.tag, e.status) for e in run.exchanges] == [(n, tag, "passed") for n in range(1, 6)]


# -- sense ------------------------------------------------------------------------------------------------------------


def sense(bench: Bench, data: bytes, *, lun: int = 0, tag: int = 2, residue: int = 0) -> list[Step]:
    """REQUEST SENSE and its answer."""
    command = bench.cbw(len(data), cdb=wire.request_sense(len(data)), lun=lun, tag=tag)
    return [command, bench.come(data), bench.csw(residue, tag=tag)]


def test_sense_is_attached_to_the_exchange_that_it_explains(bench: Bench) -> None:
    """SPC-4, REQUEST SENSE: right after a failed command it fetches that command's sense."""
    data = wire.fixed_sense(3, 0x11, 0, information=0x1234)
    failed, fetch = Run(bench, [bench.cbw(0), bench.csw(status=1), *sense(bench, data)]).exchanges
    assert failed.sense is not None and failed.sense[:4] == (3, 0x11, 0, fetch.number)
    assert bench.read(failed.sense.at.at, failed.sense.at.captured) == data and fetch.sense is None


def test_descriptor_sense(bench: Bench) -> None:
    """SPC-4 4.5.2: key, ASC and ASCQ in bytes 1 to 3."""
    data = bytes.fromhex("7206280000000000")
    failed, _ = Run(bench, [bench.cbw(0), bench.csw(status=1), *sense(bench, data)]).exchanges
    assert failed.sense is not None and failed.sense[:3] == (6, 0x28, 0)


def test_sense_of_another_unit_explains_nothing(bench: Bench) -> None:
    data = wire.fixed_sense(5, 0x24)
    steps = [bench.cbw(0, lun=0), bench.csw(status=1), *sense(bench, data, lun=1), *sense(bench, data, lun=0, tag=3)]
    failed, other, mine = Run(bench, steps).exchanges
    assert failed.sense is not None and failed.sense.exchange == mine.number != other.number


def test_another_command_of_the_unit_loses_the_sense(bench: Bench) -> None:
    """SPC-4: sense data is kept until the next command of that unit."""
    data = wire.fixed_sense(5, 0x24)
    steps = [bench.cbw(0), bench.csw(status=1), bench.cbw(0, tag=8), bench.csw(tag=8), *sense(bench, data)]
    assert [exchange.sense for exchange in Run(bench, steps).exchanges] == [None, None, None]


def test_sense_that_the_residue_takes_away_is_none(bench: Bench) -> None:
    """Filler beyond the residue does not count (5.2)."""
    data = wire.fixed_sense(5, 0x24)[:8] + b"\xff" * 10
    failed, _ = Run(bench, [bench.cbw(0), bench.csw(status=1), *sense(bench, data, residue=10)]).exchanges
    assert failed.sense is not None and failed.sense[:3] == (5, 0, 0)


# -- order ------------------------------------------------------------------------------------------------------------


def test_fed_whole_or_step_by_step_is_the_same() -> None:
    """Items leave when they are complete, in the order in which they began."""

    def steps(bench: Bench) -> list[Step]:
        return [
            bench.come(BLOCK), bench.cbw(0), bench.csw(status=1), *sense(bench, wire.fixed_sense(2, 0x3A)),
            bench.cbw(512, tag=3), bench.stall(), "CLEARED IN", bench.csw(512, 1, tag=3), bench.cbw(0, tag=4), "RESET",
        ]  # fmt: skip

    one, other = Bench(), Bench()
    by_step = Run(one, steps(one))
    whole = Run(other, [], end=False)
    for step in steps(other):
        whole.lane.feed(step) if not isinstance(step, str) else whole.lane.control(step)
    whole.end()
    assert [item.records for item in by_step.items] == [item.records for item in whole.items]
    times = [item.time_ns for item in by_step.items]
    assert times == sorted(times)
