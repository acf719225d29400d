"""USB Attached SCSI (INCITS 471): information units on four pipes, paired by tag. Bytes are the workshop's, which packs
them from the document by itself."""

from __future__ import annotations

from typing import Any

import pytest

from lanes import Bench
from sticktrace.bus.device import Device
from sticktrace.capture.transfer import STALL, Transfer
from sticktrace.transport.items import Exchange, Stray
from sticktrace.transport.sequence import Sequence
from sticktrace.transport.uas import UasLane
from workshop import wire

COMMAND, STATUS, DATA_IN, DATA_OUT = 0x02, 0x81, 0x83, 0x04
USAGE = {COMMAND: "command", STATUS: "status", DATA_IN: "data in", DATA_OUT: "data out"}
BLOCK = bytes(512)


class Units(Bench):
    """A bench that speaks information units."""

    def command(self, tag: int, cdb: bytes, lun: int = 0) -> Transfer:
        """A command IU."""
        return self.bulk(COMMAND, wire.uas_command(tag, lun, cdb))

    def ready(self, tag: int, write: bool = False) -> Transfer:
        """READ READY or WRITE READY."""
        return self.bulk(STATUS, wire.uas_ready(tag, write))

    def sense(self, tag: int, status: int = 0, data: bytes = b"") -> Transfer:
        """A sense IU."""
        return self.bulk(STATUS, wire.uas_sense(tag, status, data))


def run(bench: Units, steps: list[Transfer | str]) -> list[Any]:
    """Everything that comes out of a lane, the end of the capture included."""
    sequence = Sequence()
    lane = UasLane(Device(1, 0), 1, 2, dict(USAGE), sequence, bench.read, bench.late, whole=True)
    items: list[Any] = []
    for step in steps:
        lane.control(step) if isinstance(step, str) else lane.feed(step)
        items += sequence.ready()
    lane.end()
    items += sequence.ready()
    seen = [number for item in items for number in item.records]
    assert sorted(seen) == list(range(1, bench.records + 1)), "each record has one place"
    return items


@pytest.fixture
def bench() -> Units:
    return Units()


def test_a_command_without_data(bench: Units) -> None:
    (exchange,) = run(bench, [bench.command(1, wire.test_unit_ready()), bench.sense(1)])
    assert (exchange.status, exchange.direction, exchange.tag, exchange.transport) == ("passed", "none", 1, "UAS")
    assert exchange.cdb == wire.test_unit_ready() and exchange.notes == ()


def test_a_read(bench: Units) -> None:
    steps = [bench.command(1, wire.read10(0)), bench.ready(1), bench.bulk(DATA_IN, BLOCK), bench.sense(1)]
    (exchange,) = run(bench, steps)
    assert (exchange.status, exchange.direction, exchange.moved, exchange.residue) == ("passed", "in", 512, 0)
    assert exchange.records == tuple(range(1, 9))


def test_a_write(bench: Units) -> None:
    steps = [
        bench.command(1, wire.write10(0)), bench.ready(1, write=True), bench.bulk(DATA_OUT, BLOCK), bench.sense(1)
    ]  # fmt: skip
    (exchange,) = run(bench, steps)
    assert (exchange.status, exchange.direction, exchange.moved) == ("passed", "out", 512)


def test_short_data_leaves_a_residue(bench: Units) -> None:
    data = bench.bulk(DATA_IN, bytes(36), asked=255)
    steps = [bench.command(1, wire.inquiry(255)), bench.ready(1), data, bench.sense(1)]
    (exchange,) = run(bench, steps)
    assert (exchange.expected, exchange.moved, exchange.residue) == (255, 36, 219)


def test_several_commands_in_flight_end_in_another_order(bench: Units) -> None:
    """Tag queueing: READ READY names the tag whose data follows; the listing keeps the order of submission."""
    steps: list[Transfer | str] = [
        bench.command(1, wire.read10(0)), bench.command(2, wire.read10(8)), bench.command(3, wire.test_unit_ready()),
        bench.sense(3), bench.ready(2), bench.bulk(DATA_IN, b"\2" * 512), bench.sense(2),
        bench.ready(1), bench.bulk(DATA_IN, b"\1" * 512), bench.sense(1),
    ]  # fmt: skip
    exchanges = run(bench, steps)
    assert [(e.number, e.tag, e.status, e.moved) for e in exchanges] == [
        (1, 1, "passed", 512), (2, 2, "passed", 512), (3, 3, "passed", 0)
    ]  # fmt: skip
    for exchange in exchanges[:2]:
        assert bench.read(exchange.pieces[0].at, 1) == bytes([exchange.tag])
        assert exchange.notes == ()


def test_without_ready_units_every_command_gets_its_data(bench: Units) -> None:
    """At SuperSpeed streams tell whose data it is, and host captures do not record them."""
    steps = [
        bench.command(1, wire.read10(0)), bench.command(2, wire.read10(8)), bench.bulk(DATA_IN, BLOCK),
        bench.bulk(DATA_IN, BLOCK), bench.sense(1), bench.sense(2),
    ]  # fmt: skip
    one, two = run(bench, steps)
    assert (one.status, one.moved, two.status, two.moved) == ("passed", 512, "passed", 512)


def test_data_in_pieces_of_long_blocks(bench: Units) -> None:
    """Blocks of 4096 bytes: one block is no more than a part of what READ(10) of eight asks for."""
    pieces: list[Transfer | str] = [bench.bulk(DATA_IN, bytes(4096)) for _ in range(8)]
    (exchange,) = run(bench, [bench.command(1, wire.read10(0, 8)), *pieces, bench.sense(1)])
    assert (exchange.status, exchange.moved, len(exchange.pieces)) == ("passed", 8 * 4096, 8)


def test_requests_for_data_that_failed_are_those_of_different_commands(bench: Units) -> None:
    """The device went: each command's request ends without a byte, and none asks twice."""
    gone = -108  # ESHUTDOWN, Linux errno
    steps = [
        bench.command(1, wire.read10(0)), bench.command(2, wire.read10(8)),
        bench.bulk(DATA_IN, asked=512, status=gone), bench.bulk(DATA_IN, asked=512, status=gone),
    ]  # fmt: skip
    for exchange in run(bench, steps):
        assert (exchange.status, exchange.expected, exchange.moved) == ("missing", 512, 0)
        assert "ESHUTDOWN" in exchange.notes[0]


def test_a_command_whose_bytes_were_not_recorded(bench: Units) -> None:
    """It may well have been a command IU: nothing else is claimed."""
    (item,) = run(bench, [bench.bulk(COMMAND, wire.uas_command(1, 0, wire.inquiry(36)), captured=0)])
    assert item.kind == "invalid command"
    assert item.reason == "32 bytes on the command pipe whose start is not in the capture"


def test_sense_comes_with_the_status(bench: Units) -> None:
    data = wire.fixed_sense(5, 0x20)
    (exchange,) = run(bench, [bench.command(1, b"\xff" + bytes(5)), bench.sense(1, 2, data)])
    assert exchange.status == "failed" and exchange.sense is not None
    assert exchange.sense[:4] == (5, 0x20, 0, 0)
    assert bench.read(exchange.sense.at.at, exchange.sense.at.captured) == data


def test_sense_before_the_end_of_the_data(bench: Units) -> None:
    """Seen: the host sees the sense IU complete before the data transfer."""
    steps = [bench.command(1, wire.read10(0)), bench.ready(1), bench.sense(1), bench.bulk(DATA_IN, BLOCK)]
    (exchange,) = run(bench, steps)
    assert (exchange.status, exchange.moved) == ("passed", 512)


def test_a_response_iu_refuses_the_command(bench: Units) -> None:
    """INCITS 471, RESPONSE IU: 0Ah is an overlapped tag."""
    response = bytes((4, 0, 0, 1, 0, 0, 0, 0x0A))
    (exchange,) = run(bench, [bench.command(1, wire.test_unit_ready()), bench.bulk(STATUS, response)])
    assert exchange.status == "failed" and "overlapped tag" in exchange.notes[0].lower()


def test_busy_is_no_pass(bench: Units) -> None:
    """SAM-4 5.3: status 08h."""
    (exchange,) = run(bench, [bench.command(1, wire.test_unit_ready()), bench.sense(1, 8)])
    assert exchange.status == "failed" and exchange.sense is None and "SCSI status 08h" in exchange.notes[0]


@pytest.mark.parametrize("lun", [0, 1, 255])
def test_the_logical_unit(bench: Units, lun: int) -> None:
    """SAM-4 4.6: single level LUN structure, peripheral device addressing."""
    (exchange,) = run(bench, [bench.command(1, wire.test_unit_ready(), lun), bench.sense(1)])
    assert exchange.lun == lun


def test_a_reset_ends_every_open_command(bench: Units) -> None:
    steps = [bench.command(1, wire.read10(0)), bench.command(2, wire.read10(8)), "RESET"]
    for exchange in run(bench, steps):
        (note,) = exchange.notes
        assert exchange.status == "missing" and note.startswith("no status: ") and "reset" in note


def test_the_capture_ends(bench: Units) -> None:
    (exchange,) = run(bench, [bench.command(1, wire.read10(0))])
    assert (exchange.status, exchange.residue) == ("missing", None) and "the capture ends here" in exchange.notes[0]


def test_a_tag_used_again_while_open(bench: Units) -> None:
    first, second = run(
        bench, [bench.command(1, wire.test_unit_ready()), bench.command(1, wire.test_unit_ready()), bench.sense(1)]
    )
    assert (first.status, second.status) == ("missing", "passed")


def test_what_belongs_to_no_command(bench: Units) -> None:
    steps: list[Transfer | str] = [
        bench.sense(9), bench.bulk(DATA_IN, BLOCK), bench.bulk(COMMAND, bytes(31)), bench.bulk(STATUS, status=STALL),
        bench.bulk(STATUS, status=-71), bench.bulk(COMMAND, b"\x05" + bytes(15)),
    ]  # fmt: skip
    items = run(bench, steps)
    assert all(isinstance(item, Stray) for item in items)
    assert [item.kind for item in items] == [
        "stray status", "stray data", "invalid command", "stray stall", "stray error", "task management"
    ]  # fmt: skip


def test_a_stalled_data_pipe(bench: Units) -> None:
    stalled = bench.bulk(DATA_IN, asked=512, status=STALL)
    steps = [bench.command(1, wire.read10(0)), bench.ready(1), stalled, bench.sense(1, 2)]
    (exchange,) = run(bench, steps)
    assert (exchange.stalled, exchange.status, exchange.moved) == (("data",), "failed", 0)


def test_the_lost_completion_of_a_command(bench: Units) -> None:
    command = bench.command(1, wire.read10(0))
    command.status, command.completed_ns = None, -1
    bench.overdue.append(command)
    items = run(bench, [bench.ready(1), bench.bulk(DATA_IN, BLOCK), bench.sense(1)])
    assert [(e.status, e.moved) for e in items if isinstance(e, Exchange)] == [("passed", 512)]
    assert len(items) == 1


@pytest.mark.parametrize("cut", range(0, 33, 4))
def test_units_cut_by_the_recorder(bench: Units, cut: int) -> None:
    """A command IU needs its tag and opcode, 17 bytes; less is told as such and never an error."""
    command = bench.bulk(COMMAND, wire.uas_command(1, 0, wire.read10(0)), captured=cut)
    items = run(bench, [command, bench.sense(1)])
    assert [type(item) for item in items] == ([Exchange] if cut >= 17 else [Stray, Stray])
