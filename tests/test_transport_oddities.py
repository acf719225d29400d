"""What hosts and devices do to Bulk-Only Transport besides the thirteen cases: stalls, late and wrong CSWs, resets,
errors, invalid wrappers. Clauses are those of BOT 1.0; "seen" marks what real captures showed."""

from __future__ import annotations

import pytest

from lanes import BULK_OUT, Bench, Run, Step
from sticktrace.capture.transfer import STALL
from workshop import wire

BLOCK = bytes(512)
SHORT, PROTOCOL, CANCELLED, GONE = -121, -71, -104, -108
"""Kernel documentation, "USB error codes"."""


@pytest.fixture
def bench() -> Bench:
    return Bench()


# -- stalls -----------------------------------------------------------------------------------------------------------


def test_a_csw_met_by_stall_is_read_again_after_clearing(bench: Bench) -> None:
    """5.3.3 and Figure 2: clear the pipe, read the CSW a second time."""
    exchange = Run(bench, [bench.cbw(0), bench.stall(asked=13), "CLEARED IN", bench.csw()]).only()
    assert (exchange.status, exchange.stalled) == ("passed", ("status",))


def test_a_csw_met_by_stall_twice_ends_in_a_reset(bench: Bench) -> None:
    """5.3.3: a second STALL calls for reset recovery."""
    steps = [bench.cbw(0), bench.stall(asked=13), "CLEARED IN", bench.stall(asked=13), "RESET"]
    exchange = Run(bench, steps).only()
    assert (exchange.status, exchange.residue, exchange.stalled) == ("missing", None, ("status",))


def test_data_then_stall_in_one_transfer(bench: Bench) -> None:
    """6.7.2: the device ends the phase with STALL after some data."""
    steps = [bench.cbw(1024), bench.stall(asked=1024, data=BLOCK), "CLEARED IN", bench.csw(512, 1)]
    exchange = Run(bench, steps).only()
    assert (exchange.moved, exchange.stalled, exchange.status, exchange.notes) == (512, ("data",), "failed", ())


def test_a_stall_that_shows_only_by_the_clearing(bench: Bench) -> None:
    """Seen: an emulator's recording writes -121 for a STALL, and CLEAR_FEATURE(ENDPOINT_HALT) is all that tells."""
    steps = [bench.cbw(512), bench.come(b"", asked=512, status=SHORT), "CLEARED IN", bench.csw(512, 1)]
    exchange = Run(bench, steps).only()
    assert (exchange.stalled, exchange.status) == (("data",), "failed")
    assert exchange.notes == ("the stall of the data phase shows only by the clearing that followed",)


def test_a_zero_length_packet_behind_the_data_is_not_too_much(bench: Bench) -> None:
    """Common practice of some hosts, which end every transfer of whole packets with one; nothing moved that was not
    announced (5.1)."""
    exchange = Run(bench, [bench.cbw(512, "out"), bench.out(BLOCK), bench.out(), bench.csw()]).only()
    assert (exchange.moved, exchange.status, exchange.case) == (512, "passed", 12)
    assert exchange.notes == ("a zero-length packet was sent after the data",)


def test_clearing_outside_an_exchange_belongs_to_none(bench: Bench) -> None:
    run = Run(bench, [bench.cbw(0), bench.csw(), "CLEARED IN"])
    assert run.only().stalled == ()


# -- data -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [64, 512, 4096])
def test_data_in_any_number_of_transfers(bench: Bench, size: int) -> None:
    """Seen: firmware hosts split a data phase into packets, kernels do not."""
    pieces = [bench.come(bytes([at & 0xFF]) * size) for at in range(8192 // size)]
    exchange = Run(bench, [bench.cbw(8192), *pieces, bench.csw()]).only()
    assert (exchange.moved, len(exchange.pieces), exchange.case) == (8192, 8192 // size, 6)


def test_a_zero_length_packet_before_the_csw(bench: Bench) -> None:
    """Common practice: it ends a phase whose last packet was full; bytes and status do not change."""
    exchange = Run(bench, [bench.cbw(512), bench.come(BLOCK), bench.come(b"", asked=13), bench.csw()]).only()
    assert (exchange.moved, exchange.status, exchange.case) == (512, "passed", 6)
    assert exchange.notes == ("a zero-length packet came before the CSW",)


def test_the_csw_in_place_of_data(bench: Bench) -> None:
    """Seen: the device has nothing to say and sends the CSW in the data phase's own transfer."""
    exchange = Run(bench, [bench.cbw(512), bench.come(wire.csw(1, 512, 1), asked=512, status=SHORT)]).only()
    assert (exchange.moved, exchange.residue, exchange.status, exchange.pieces) == (0, 512, "failed", ())


def test_thirteen_bytes_of_data_are_no_csw(bench: Bench) -> None:
    """The signature and the tag make a CSW (6.3.1), not the length."""
    cdb = wire.inquiry(13)
    exchange = Run(bench, [bench.cbw(13, cdb=cdb), bench.come(b"thirteen byte"), bench.csw()]).only()
    assert (exchange.moved, exchange.status) == (13, "passed")


def test_more_than_announced(bench: Bench) -> None:
    """5.1: no more than dCBWDataTransferLength may move."""
    exchange = Run(bench, [bench.cbw(512, "out"), bench.out(BLOCK), bench.out(bytes(64)), bench.csw()]).only()
    assert exchange.moved == 576
    assert "64 bytes more than announced were moved (BOT 1.0 5.1)" in exchange.notes


def test_data_against_the_announced_direction(bench: Bench) -> None:
    """3.5: no bidirectional commands."""
    exchange = Run(bench, [bench.cbw(512), bench.out(bytes(100)), bench.come(BLOCK), bench.csw()]).only()
    assert exchange.moved == 512 and "100 bytes went against the announced direction (BOT 1.0 3.5)" in exchange.notes


def test_payload_cut_by_the_recorder_is_marked(bench: Bench) -> None:
    exchange = Run(bench, [bench.cbw(512), bench.come(BLOCK, captured=256), bench.csw()]).only()
    assert exchange.truncated and exchange.moved == 512 and exchange.pieces[0].captured == 256


# -- status -----------------------------------------------------------------------------------------------------------


def test_a_csw_with_another_tag_is_not_valid(bench: Bench) -> None:
    """6.3.1: dCSWTag must match."""
    run = Run(bench, [bench.cbw(0), bench.csw(tag=99), "RESET"])
    assert run.only().status == "invalid" and "tag 00000063h" in run.only().notes[0]


def test_a_csw_that_comes_late(bench: Bench) -> None:
    """Seen: the host gave up and sent the next command; then the old CSW came, and the new one after it."""
    steps: list[Step] = [
        bench.cbw(0, tag=1), bench.come(asked=13, status=CANCELLED), bench.cbw(0, tag=2), bench.csw(tag=1, status=1),
        bench.csw(tag=2),
    ]  # fmt: skip
    first, second = Run(bench, steps).exchanges
    assert (first.status, first.residue) == ("failed", 0) and "late" in first.notes[-1]
    assert second.status == "passed" and "late CSW" in second.notes[0]


@pytest.mark.parametrize(
    ("answer", "words"),
    [(wire.csw(1)[:12], "12 bytes"), (wire.csw(1) + b"\0", "14 bytes"), (wire.csw(1, signature=1), "wrong signature")],
)
def test_a_csw_that_is_not_valid(bench: Bench, answer: bytes, words: str) -> None:
    """6.3.1: thirteen bytes, the signature."""
    exchange = Run(bench, [bench.cbw(0), bench.come(answer, asked=13), "RESET"]).only()
    assert exchange.status == "invalid" and exchange.residue is None and words in exchange.notes[0]


def test_after_an_invalid_csw_a_valid_one_still_counts(bench: Bench) -> None:
    exchange = Run(bench, [bench.cbw(0), bench.come(bytes(13), asked=13), bench.csw()]).only()
    assert exchange.status == "passed" and exchange.notes


@pytest.mark.parametrize("status", [3, 4, 5, 0x80, 0xFF])
def test_a_reserved_status(bench: Bench, status: int) -> None:
    """Table 5.3: 03h and 04h are obsolete, the rest reserved."""
    exchange = Run(bench, [bench.cbw(0), bench.csw(status=status)]).only()
    assert exchange.status == "invalid" and f"{status:02X}h is reserved" in exchange.notes[0]


def test_a_residue_beyond_the_announced_length(bench: Bench) -> None:
    """6.3.2: not meaningful with status 00h or 01h."""
    exchange = Run(bench, [bench.cbw(512), bench.come(BLOCK), bench.csw(513)]).only()
    assert "larger than dCBWDataTransferLength" in exchange.notes[0] and exchange.case is None


def test_a_status_read_with_a_large_buffer(bench: Bench) -> None:
    """Seen: a status read may post 512 bytes; 13 arrive."""
    exchange = Run(bench, [bench.cbw(0), bench.come(wire.csw(1), asked=512, status=SHORT)]).only()
    assert (exchange.status, exchange.notes) == ("passed", ())


def test_a_status_byte_that_was_not_captured(bench: Bench) -> None:
    exchange = Run(bench, [bench.cbw(0), bench.come(wire.csw(1), captured=12)]).only()
    assert exchange.status == "missing" and "beyond what was captured" in exchange.notes[0]


# -- resets and errors ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("steps", [1, 2, 3])
def test_a_reset_ends_the_exchange_wherever_it_is(bench: Bench, steps: int) -> None:
    """5.3.4."""
    whole = [bench.cbw(1024), bench.come(BLOCK), bench.come(BLOCK)]
    exchange = Run(bench, [*whole[:steps], "RESET"]).only()
    assert (exchange.status, exchange.residue, exchange.case) == ("missing", None, None)
    (note,) = exchange.notes
    assert note.startswith("no status: ") and "reset" in note


@pytest.mark.parametrize("error", [PROTOCOL, CANCELLED, GONE])
def test_errors_and_what_moved_before_them(bench: Bench, error: int) -> None:
    """Timeout, unlinked by the host, device gone."""
    steps = [bench.cbw(1024), bench.come(BLOCK, asked=1024, status=error), "RESET"]
    exchange = Run(bench, steps).only()
    assert (exchange.moved, exchange.status) == (512, "missing") and str(error) in exchange.notes[0]


def test_a_cancelled_read_of_the_csw(bench: Bench) -> None:
    exchange = Run(bench, [bench.cbw(0), bench.come(asked=13, status=CANCELLED)]).only()
    assert "-104" in exchange.notes[0] and exchange.notes[1] == "no status: the capture ends here"


# -- invalid commands -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("packet", "words"),
    [
        (b"USBX" + wire.cbw(1, 0, 0, 0, bytes(6))[4:], "the signature is not 43425355h"),
        (wire.cbw(1, 0, 0, 0, bytes(6))[:30], "30 bytes instead of 31"),
        (wire.cbw(1, 0, 0, 0, bytes(6)) + b"\0", "32 bytes instead of 31"),
    ],
)
def test_a_cbw_that_is_not_valid(bench: Bench, packet: bytes, words: str) -> None:
    """6.2.1; 6.6.1: the device stalls both pipes until reset recovery."""
    steps = [bench.out(packet), bench.stall(asked=13), bench.stall(BULK_OUT, 31), "RESET", bench.cbw(0), bench.csw()]
    run = Run(bench, steps)
    (stray,), (exchange,) = run.strays, run.exchanges
    assert (stray.kind, stray.records) == ("invalid command", tuple(range(1, 7))) and words in stray.reason
    assert "the device stalled" in stray.reason
    assert (exchange.number, exchange.status) == (1, "passed")


def test_an_invalid_cbw_that_the_device_answers_all_the_same(bench: Bench) -> None:
    """Not due (6.6.1), but then the device took it for a CBW, and so does the listing, with a note."""
    packet = wire.cbw(5, 0, 0, 0, bytes(6)) + b"\0"
    exchange = Run(bench, [bench.out(packet), bench.csw(tag=5)]).only()
    assert exchange.status == "passed" and "not valid: 32 bytes" in exchange.notes[0]


@pytest.mark.parametrize(("flags", "lun", "size"), [(0x81, 0, 6), (0xC0, 0, 6), (0, 0x10, 6), (0, 0, 0x26)])
def test_reserved_bits_are_noted_never_fatal(bench: Bench, flags: int, lun: int, size: int) -> None:
    """6.2.2: the CBW is then not meaningful, yet devices accept it."""
    exchange = Run(bench, [bench.out(wire.cbw(1, 0, flags, lun, bytes(6), size)), bench.csw()]).only()
    assert exchange.status == "passed" and "reserved bits" in exchange.notes[0]
    assert (exchange.lun, len(exchange.cdb)) == (0, 6)


@pytest.mark.parametrize(("size", "words"), [(0, "legal are 1 to 16"), (17, "legal are 1 to 16"), (12, "group has 6")])
def test_the_length_of_the_command_block(bench: Bench, size: int, words: str) -> None:
    """5.1: 1 to 16. Seen: firmware sends 12 for every command."""
    exchange = Run(bench, [bench.out(wire.cbw(1, 0, 0, 0, bytes(6), size)), bench.csw()]).only()
    assert exchange.status == "passed" and words in exchange.notes[0]


def test_stall_status_is_that_of_the_kernel() -> None:
    """Kernel documentation, "USB error codes": -EPIPE, endpoint stalled."""
    assert STALL == -32
