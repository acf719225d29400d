"""Gaps in the tags of a host that counts: so many commands are missing from the recording. BOT 1.0 5.1 lets a host
choose any tag, so everything else is no gap."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import pytest

from lanes import Bench, Run
from sticktrace.capture.transfer import Transfer
from sticktrace.findings.verdict import diagnose
from sticktrace.transport.items import FAILED, Exchange
from sticktrace.transport.remarks import Said, Why, reason
from sticktrace.transport.tags import TagCounter
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, merge, session, wire
from workshop.stage import kernel_host

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import opened


def told(tags: list[int]) -> list[tuple[int, int]]:
    """The tag after each gap that is told, and how many are missing before it."""
    bench = Bench()
    steps = [step for tag in tags for step in (bench.cbw(tag=tag), bench.csw(tag=tag))]
    return gaps(Run(bench, steps).exchanges)


def gaps(exchanges: list[Exchange]) -> list[tuple[int, int]]:
    return [(e.tag, numbers[0]) for e in exchanges for kind, numbers in e.remarks if kind is Said.MISSING_BEFORE]


def up(first: int, last: int) -> list[int]:
    return list(range(first, last + 1))


@pytest.mark.parametrize(("tags", "want"), [
    ([*up(1, 9), 16], [(16, 6)]),
    (up(1, 9) + up(16, 40) + up(42, 50), [(16, 6), (42, 1)]),
    (up(0x1000, 0x1010) + up(0x1012, 0x1020), [(0x1012, 1)]),
])  # fmt: skip
def test_a_jump_of_a_host_that_counts(tags: list[int], want: list[tuple[int, int]]) -> None:
    assert told(tags) == want


@pytest.mark.parametrize("tags", [
    [*up(1, 7), 12],  # too short a run to know
    [7] * 20 + [12],  # one tag for ever
    up(1, 30) + up(1, 30),  # counts anew: another bring-up
    up(1, 30) + up(1, 3) + up(9, 12),  # and has not been seen to count since
    [n * 0x9E37_79B1 & 0xFFFF_FFFF for n in range(60)],  # at random
    list(range(2, 60, 2)),  # by two
    [*up(1, 20), 0x8000_0000, *up(0x8000_0001, 0x8000_0004)],  # a new beginning
    [*up(0xFFFF_FFF0, 0xFFFF_FFFF), *up(0, 4)],  # 32 bits wrap
    [tag for pair in zip(up(1, 20), up(1, 20), strict=True) for tag in pair],  # each twice: repeated
])  # fmt: skip
def test_other_tags_say_nothing(tags: list[int]) -> None:
    assert told(tags) == []


def test_a_host_whose_jumps_are_many_does_not_count() -> None:
    """Eight steps for each jump: with fewer, it is another kind of tag."""
    tags = list(itertools.accumulate([1, 1, 1, 1, 1, 1, 1, 1, 1, *[3, 1, 1] * 10]))
    assert len(told(tags)) == 1


def test_a_command_that_cannot_be_read_is_not_missing() -> None:
    bench = Bench()
    steps: list[Transfer | str] = [s for tag in up(1, 9) for s in (bench.cbw(tag=tag), bench.csw(tag=tag))]
    steps += [bench.out(wire.cbw(10, 0, 0, 0, wire.test_unit_ready()), captured=0), "RESET"]
    steps += [s for tag in (11, 12) for s in (bench.cbw(tag=tag), bench.csw(tag=tag))]
    assert gaps(Run(bench, steps).exchanges) == []


def test_one_counter_for_two_lanes() -> None:
    """The tags in between went to the other stick."""
    counters: list[TagCounter] = []
    one, other = TagCounter(counters), TagCounter(counters)
    assert [one.take(tag, tag * 1_000_000) for tag in up(1, 12)] == [0] * 12
    assert [other.take(tag, tag * 1_000_000) for tag in up(13, 15)] == [0] * 3
    assert one.take(16, 16_000_000) == 0
    assert [one.take(tag, tag * 1_000_000) for tag in up(17, 30)] == [0] * 14 and one.take(40, 40_000_000) == 9


@pytest.mark.parametrize(("elapsed_ns", "want"), [(0, 40), (50_000, 0), (400_000, 40)])
def test_there_was_time_for_what_is_missing(elapsed_ns: int, want: int) -> None:
    """40 commands do not fit into 50 µs; a text without times does not tell."""
    counter = TagCounter([])
    for tag in up(1, 12):
        counter.take(tag, 0)
    assert counter.take(53, elapsed_ns) == want


def test_units_of_one_device_share_a_counter() -> None:
    bench = Bench()
    steps = [s for tag in up(1, 30) for s in (bench.cbw(tag=tag, lun=tag % 3), bench.csw(tag=tag))]
    assert gaps(Run(bench, steps).exchanges) == []


def test_two_sticks_each_with_its_own() -> None:
    recorders = [Recorder(), Recorder()]
    recorders[1].wait(70_000)
    recorders[1]._ids += 0x10_0000
    for number, recorder in enumerate(recorders):
        host = Host(recorder, Stick(Identity(), [Unit(Medium(1000))]))
        host.enumerate(2 + number)
        for lba in range(12):
            host.execute(wire.read10(lba))
        host.tag += 5 * number
        host.wait_ms(5)
        host.execute(wire.read10(0))
    with opened(merge(*recorders).pcap()) as capture:
        found = gaps(list(capture.exchanges()))
    assert len(found) <= 1 and all(count == 5 for _, count in found)


def test_what_stood_open_before_a_gap_is_not_held_against_the_device() -> None:
    """Its status, and the sense of a failed one, may be among what is missing."""
    bench = Bench()
    steps: list[Transfer | str] = [s for tag in up(1, 9) for s in (bench.cbw(tag=tag), bench.csw(tag=tag))]
    run = Run(bench, [*steps, bench.cbw(512, tag=10), bench.cbw(tag=14), bench.csw(tag=14)])
    assert gaps(run.exchanges) == [(14, 3)] and reason(run.exchanges[9].remarks) is Why.RECORDS_MISSING

    bench = Bench()
    steps = [s for tag in up(1, 9) for s in (bench.cbw(tag=tag), bench.csw(tag=tag))]
    sense = bytes.fromhex("70 00 05 00 00 00 00 0a 00 00 00 00 20 00 00 00 00 00")
    steps += [bench.cbw(tag=10), bench.csw(status=1, tag=10), bench.cbw(18, tag=13, cdb=wire.request_sense()),
              bench.come(sense), bench.csw(tag=13)]  # fmt: skip
    failed = Run(bench, steps).exchanges[9]
    assert failed.status is FAILED and failed.sense is None


@pytest.mark.parametrize("end", [0, 1, 2])
def test_records_lost_in_the_middle_make_no_fault(end: int) -> None:
    """A stretch is cut out of a session, from a command's middle to another's: a note, and nobody is blamed."""
    host = kernel_host(Stick(Identity(), [session.tide_unit()]))
    session.identify(host)
    for lba in range(20):
        host.execute(wire.read10(lba))
    bulk = [n for n, half in enumerate(host.recorder.halves) if half.kind == 3]
    first = bulk[-6 * 8 + end]
    del host.recorder.halves[first : first + 6 * 3]
    with opened(host.recorder.pcap()) as capture:
        diagnosis = diagnose(capture.reading())
    assert diagnosis.faults == []
    assert "commands-missing" in {finding.slug for finding in diagnosis.findings}
