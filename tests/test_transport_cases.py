"""The thirteen cases of BOT 1.0 6.7 (Table 6.1: H what the host expects, D what the device intends; n nothing, i in,
o out), as transfers, as the workshop's stick plays them, and as recorded from a real device driver."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest

import sticktrace
from conftest import ROOT
from lanes import BULK_OUT, Bench, Run, Step
from sticktrace.grammar.direction import IN
from sticktrace.transport.cases import case_of
from workshop import wire


class Case(NamedTuple):
    """One case: the steps, and what the exchange must say."""

    number: int
    title: str
    steps: Callable[[Bench], list[Step]]
    moved: int
    residue: int
    status: str
    stalled: tuple[str, ...] = ()


READ, WRITE, NOTHING = wire.read10(0), wire.write10(0), wire.test_unit_ready()
BLOCK, TWO = bytes(512), bytes(1024)

CASES = [
    Case(1, "Hn = Dn", lambda b: [b.cbw(0, cdb=NOTHING), b.csw()], 0, 0, "passed"),
    Case(1, "Hn = Dn, failed", lambda b: [b.cbw(0, cdb=NOTHING), b.csw(status=1)], 0, 0, "failed"),
    # 6.7.1: a device that has or wants data which the host does not expect reports a phase error.
    Case(2, "Hn < Di", lambda b: [b.cbw(0, cdb=READ), b.csw(status=2)], 0, 0, "phase error"),
    Case(3, "Hn < Do", lambda b: [b.cbw(0, cdb=WRITE), b.csw(status=2)], 0, 0, "phase error"),
    # 6.7.2: a device with less data fills up, or ends the phase with STALL; the residue tells.
    Case(4, "Hi > Dn, stalled", lambda b: [b.cbw(512, cdb=NOTHING), b.stall(), "CLEARED IN", b.csw(512)],
         0, 512, "passed", ("data",)),
    Case(4, "Hi > Dn, filled up", lambda b: [b.cbw(512, cdb=NOTHING), b.come(BLOCK), b.csw(512)], 512, 512, "passed"),
    Case(4, "Hi > Dn, the CSW comes at once", lambda b: [b.cbw(512, cdb=NOTHING), b.csw(512)], 0, 512, "passed"),
    Case(5, "Hi > Di, short, stalled", lambda b: [
        b.cbw(512, cdb=wire.inquiry()), b.come(bytes(36), asked=512), b.stall(asked=13), "CLEARED IN", b.csw(476)],
         36, 476, "passed", ("status",)),
    Case(5, "Hi > Di, short alone", lambda b: [
        b.cbw(512, cdb=wire.inquiry()), b.come(bytes(36), asked=512), b.csw(476)], 36, 476, "passed"),
    Case(5, "Hi > Di, filled up", lambda b: [b.cbw(512, cdb=wire.inquiry()), b.come(BLOCK), b.csw(476)],
         512, 476, "passed"),
    Case(6, "Hi = Di", lambda b: [b.cbw(512, cdb=READ), b.come(BLOCK), b.csw()], 512, 0, "passed"),
    Case(6, "Hi = Di, in pieces", lambda b: [b.cbw(1024, cdb=READ), b.come(BLOCK), b.come(BLOCK), b.csw()],
         1024, 0, "passed"),
    Case(7, "Hi < Di", lambda b: [b.cbw(512, cdb=READ), b.come(BLOCK), b.csw(status=2)], 512, 0, "phase error"),
    Case(8, "Hi <> Do", lambda b: [b.cbw(512, cdb=WRITE), b.stall(), "CLEARED IN", b.csw(512, 2)],
         0, 512, "phase error", ("data",)),
    # 6.7.3: a device that takes less lets it go by, or ends the phase with STALL.
    Case(9, "Ho > Dn, stalled", lambda b: [
        b.cbw(512, "out", cdb=NOTHING), b.stall(BULK_OUT), "CLEARED OUT", b.csw(512)], 0, 512, "passed", ("data",)),
    Case(9, "Ho > Dn, thrown away", lambda b: [b.cbw(512, "out", cdb=NOTHING), b.out(BLOCK), b.csw(512)],
         512, 512, "passed"),
    Case(10, "Ho <> Di", lambda b: [b.cbw(512, "out", cdb=READ), b.stall(BULK_OUT), "CLEARED OUT", b.csw(512, 2)],
         0, 512, "phase error", ("data",)),
    Case(11, "Ho > Do, thrown away", lambda b: [b.cbw(1024, "out"), b.out(TWO), b.csw(512)], 1024, 512, "passed"),
    Case(11, "Ho > Do, stalled", lambda b: [
        b.cbw(1024, "out"), b.stall(BULK_OUT, 1024, BLOCK), "CLEARED OUT", b.csw(512)], 512, 512, "passed", ("data",)),
    Case(12, "Ho = Do", lambda b: [b.cbw(512, "out"), b.out(BLOCK), b.csw()], 512, 0, "passed"),
    Case(13, "Ho < Do", lambda b: [b.cbw(512, "out"), b.out(BLOCK), b.csw(status=2)], 512, 0, "phase error"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.number}: {case.title}")
def test_case(case: Case) -> None:
    exchange = Run(bench := Bench(), case.steps(bench)).only()
    assert exchange.case == case.number
    assert (exchange.moved, exchange.residue, exchange.status) == (case.moved, case.residue, case.status)
    assert exchange.stalled == case.stalled
    assert exchange.notes == ()
    assert exchange.records == tuple(range(1, bench.records + 1))


def test_all_thirteen_are_here() -> None:
    assert {case.number for case in CASES} == set(range(1, 14))


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.number}: {case.title}")
def test_the_next_exchange_begins_clean(case: Case) -> None:
    """Whatever happened, the command after it is as if alone (after a phase error, reset recovery: 5.3.4)."""
    bench = Bench()
    steps = case.steps(bench)
    recovery: list[Step] = ["RESET", "CLEARED IN", "CLEARED OUT"] if case.status == "phase error" else []
    run = Run(bench, [*steps, *recovery, bench.cbw(512, tag=7), bench.come(BLOCK), bench.csw(tag=7)])
    assert [exchange.number for exchange in run.exchanges] == [1, 2] and not run.strays
    last = run.exchanges[1]
    assert (last.case, last.status, last.moved, last.stalled, last.notes) == (6, "passed", 512, (), ())


def test_the_lesson_of_the_demo_plays_them_in_order() -> None:
    """traces/README.md: the thirteen cases in order; the last two exchanges are a stalled CSW and the next command."""
    with sticktrace.open(ROOT / "traces" / "demo" / "stall-recovery.pcap") as capture:
        cases = [exchange.case for exchange in capture.exchanges()]
    assert cases == [*range(1, 14), 6, 1]


@pytest.mark.parametrize(
    ("residue", "status"), [(None, "missing"), (0, "invalid"), (None, "invalid"), (513, "passed"), (513, "failed")]
)
def test_no_case_where_the_capture_does_not_settle_it(residue: int | None, status: str) -> None:
    """A CSW that is missing, not valid, or not meaningful (6.3.2: the residue exceeds the length) tells nothing."""
    assert case_of(READ, IN, 512, 512, residue, status) is None


def test_a_phase_error_of_an_unknown_command_has_no_case() -> None:
    """The opcode alone would tell what the device wanted."""
    assert case_of(bytes([0xC0, 0, 0, 0, 0, 0]), IN, 512, 512, 0, "phase error") is None
