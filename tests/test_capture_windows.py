"""Link type 249, with records built by hand from its published layout (all fields little-endian and packed)."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.capture.binary import BinaryReader
from sticktrace.capture.pcap import PcapWalk
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, STALL, Transfer

DOWN, BACK = 0, 1  # info, bit 0
SETUP, DATA, STATUS, COMPLETE = 0, 1, 2, 3  # stage byte of control records
CONTROL_TRANSFER, BULK_OR_INTERRUPT, RESET_PIPE = 0x0008, 0x0009, 0x001E  # URB functions
STALL_PID, CANCELED = 0xC0000004, 0xC0010000  # USBD status

# Bulk-Only Transport 1.0, 3.2: Get Max LUN.
GET_MAX_LUN = bytes.fromhex("a1 fe 00 00 00 00 01 00")


def record(
    irp: int, info: int, endpoint: int, kind: int, payload: bytes = b"", *, stage: int = -1, status: int = 0,
    function: int = BULK_OR_INTERRUPT, length: int = -1, extra: bytes = b"",
) -> bytes:  # fmt: skip
    tail = (bytes([stage]) if stage >= 0 else b"") + extra
    length = len(payload) if length < 0 else length
    return struct.pack(
        "<HQIHBHHBBI", 27 + len(tail), irp, status, function, info, 1, 15, endpoint, kind, length
    ) + tail + payload  # fmt: skip


def read(*records: bytes) -> tuple[list[Transfer], BinaryReader]:
    data = struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65_535, 249)
    for number, one in enumerate(records):
        data += struct.pack("<IIII", 1_927_368_000, number * 100, len(one), len(one)) + one
    reader = BinaryReader("pcap", data, PcapWalk(data))
    return [*reader.transfers(), *reader.finish()], reader


def payload(reader: BinaryReader, transfer: Transfer) -> bytes:
    return bytes(reader.payload[transfer.data_at : transfer.data_at + transfer.captured])


def test_bulk_transfers_are_joined_by_request_id() -> None:
    transfers, reader = read(
        record(7, DOWN, 0x02, BULK, bytes(31)), record(8, DOWN, 0x81, BULK),
        record(7, BACK, 0x02, BULK), record(8, BACK, 0x81, BULK, b"USBS" + bytes(9)),
    )  # fmt: skip
    out, back = transfers
    assert (out.bus, out.address, out.endpoint, out.kind, out.status) == (1, 15, 0x02, BULK, 0)
    assert (out.records, out.requested, out.actual, out.captured) == ((1, 3), 31, 31, 31)
    assert (out.submitted_ns, out.completed_ns) == (0, 200_000)
    assert (back.records, back.requested, back.actual) == ((2, 4), -1, 13)
    assert payload(reader, back)[:4] == b"USBS"


def test_control_request_of_a_newer_recorder() -> None:
    transfers, reader = read(
        record(9, DOWN, 0x80, CONTROL, GET_MAX_LUN, stage=SETUP, function=CONTROL_TRANSFER),
        record(9, BACK, 0x80, CONTROL, b"\x03", stage=COMPLETE, function=CONTROL_TRANSFER),
    )
    (transfer,) = transfers
    assert transfer.setup == GET_MAX_LUN
    assert (transfer.requested, transfer.actual, transfer.status, transfer.function) == (1, 1, 0, 8)
    assert payload(reader, transfer) == b"\x03"


def test_control_request_of_an_older_recorder_has_three_records() -> None:
    transfers, reader = read(
        record(9, DOWN, 0x80, CONTROL, GET_MAX_LUN, stage=SETUP, function=CONTROL_TRANSFER),
        record(9, BACK, 0x80, CONTROL, b"\x03", stage=DATA, function=CONTROL_TRANSFER),
        record(9, BACK, 0x80, CONTROL, stage=STATUS, function=CONTROL_TRANSFER),
    )
    (transfer,) = transfers
    assert (transfer.records, transfer.completed_ns, payload(reader, transfer)) == ((1, 2, 3), 200_000, b"\x03")


def test_control_data_that_goes_out_stands_behind_the_setup_bytes_or_in_a_record_of_its_own() -> None:
    setup = bytes.fromhex("21 00 00 00 00 00 0c 00")  # MSC overview 1.4, Table 3: ADSC carries a 12-byte command
    one = read(
        record(9, DOWN, 0x00, CONTROL, setup + bytes(range(12)), stage=SETUP, function=CONTROL_TRANSFER),
        record(9, BACK, 0x00, CONTROL, stage=COMPLETE, function=CONTROL_TRANSFER),
    )
    two = read(
        record(9, DOWN, 0x00, CONTROL, setup, stage=SETUP, function=CONTROL_TRANSFER),
        record(9, DOWN, 0x00, CONTROL, bytes(range(12)), stage=DATA, function=CONTROL_TRANSFER),
        record(9, BACK, 0x00, CONTROL, stage=STATUS, function=CONTROL_TRANSFER),
    )
    for transfers, reader in (one, two):
        (transfer,) = transfers
        assert (transfer.setup, transfer.requested, transfer.actual) == (setup, 12, 12)
        assert payload(reader, transfer) == bytes(range(12))


def test_requests_by_function_alone_have_no_setup_bytes() -> None:
    transfers, _ = read(
        record(9, DOWN, 0x81, 0xFE, function=RESET_PIPE), record(9, BACK, 0x81, 0xFE, function=RESET_PIPE)
    )
    (transfer,) = transfers
    assert (transfer.kind, transfer.setup, transfer.function, transfer.endpoint) == (CONTROL, b"", RESET_PIPE, 0x81)


@pytest.mark.parametrize("stated", [BULK, INTERRUPT, CONTROL, 0xFE, 0xFF])
def test_the_function_is_asked_before_the_kind(stated: int) -> None:
    """usb.h (from memory): 001Eh is a pipe reset, 0008h a control transfer, 0009h and 0037h bulk or interrupt."""
    transfers, _ = read(
        record(9, DOWN, 0x81, stated, function=RESET_PIPE), record(9, BACK, 0x81, stated, function=CONTROL_TRANSFER),
        record(8, DOWN, 0x81, stated, function=0x0037), record(8, BACK, 0x81, stated, b"x", function=0x0037),
    )  # fmt: skip
    assert [t.kind for t in transfers] == [CONTROL, stated if stated in (BULK, INTERRUPT) else BULK]
    assert [(t.records, t.function) for t in transfers] == [((1, 2), RESET_PIPE), ((3, 4), 0x0037)]


def test_status_becomes_an_errno() -> None:
    transfers, _ = read(
        record(1, DOWN, 0x81, BULK), record(1, BACK, 0x81, BULK, status=STALL_PID),
        record(2, DOWN, 0x02, BULK, bytes(512)), record(2, BACK, 0x02, BULK, status=CANCELED),
    )  # fmt: skip
    assert [transfer.status for transfer in transfers] == [STALL, -104]
    assert transfers[1].actual == 0, "how much of a failed OUT transfer went out is not in the record"
    assert transfers[1].captured == 512, "what was submitted can still be read"


def test_header_length_is_believed_not_assumed() -> None:
    # An isochronous header: start frame, packet count, error count, then one 12-byte packet descriptor.
    extra = struct.pack("<III", 0, 1, 0) + bytes(12)
    (transfer,), reader = read(
        record(1, DOWN, 0x83, ISOCHRONOUS, extra=extra), record(1, BACK, 0x83, ISOCHRONOUS, b"sound", extra=extra)
    )
    assert payload(reader, transfer) == b"sound"


def test_lost_halves_and_reused_ids() -> None:
    transfers, _ = read(
        record(1, BACK, 0x81, BULK, b"x"), record(2, DOWN, 0x81, BULK), record(2, DOWN, 0x02, BULK, b"y"),
        record(2, BACK, 0x02, BULK), record(3, DOWN, 0x81, BULK),
    )  # fmt: skip
    assert [(t.records, t.submitted_ns >= 0, t.status) for t in transfers] == [
        ((1,), False, 0), ((2,), True, None), ((3, 4), True, 0), ((5,), True, None),
    ]  # fmt: skip


def test_cut_payload_keeps_its_length() -> None:
    (transfer,), _ = read(record(1, DOWN, 0x81, BULK), record(1, BACK, 0x81, BULK, bytes(64), length=512))
    assert (transfer.actual, transfer.captured) == (512, 64)


def test_impossible_headers_are_counted() -> None:
    transfers, reader = read(bytes(26), struct.pack("<H", 5) + bytes(30), struct.pack("<H", 999) + bytes(30))
    assert not transfers
    assert sum(reader.skipped.values()) == reader.records == 3


@settings(max_examples=100, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=12))
def test_any_bytes_are_accounted_for(records: list[bytes]) -> None:
    transfers, reader = read(*[one or b"\0" for one in records])
    assert sum(len(t.records) for t in transfers) + sum(reader.skipped.values()) == reader.records
    for transfer in transfers:
        assert transfer.captured >= 0 and transfer.data_at + transfer.captured <= len(reader.payload)
