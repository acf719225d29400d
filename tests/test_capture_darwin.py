"""Link type 266, with records built by hand from its published layout (little-endian, 32 bytes and what follows)."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.capture import reader_of
from sticktrace.capture.reader import Reader
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, STALL, Transfer

SUBMITTED, COMPLETED = 0, 1
TYPE_CONTROL, TYPE_ISOCHRONOUS, TYPE_BULK, TYPE_INTERRUPT = range(4)
HIGH, SUPER = 2, 3
LOCATION = 0x14140000  # bus 20, port 1 of the root, port 4 of the hub there

GET_MAX_LUN = bytes.fromhex("a1 fe 00 00 00 00 01 00")  # BOT 1.0 3.2


def record(
    event: int, ident: int, endpoint: int, kind: int, payload: bytes = b"", *, length: int = -1, status: int = 0,
    location: int = LOCATION, speed: int = HIGH, address: int = 5, frames: int = 0, size: int = 32,
) -> bytes:  # fmt: skip
    head = struct.pack(
        "<HBBIIIQIBBBB", 0x0100, size, event, len(payload) if length < 0 else length, status, frames, ident, location,
        speed, address, endpoint, kind,
    )  # fmt: skip
    return head + bytes(size - 32) + payload


def read(*records: bytes) -> tuple[list[Transfer], Reader]:
    data = struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65_535, 266)
    for number, one in enumerate(records):
        data += struct.pack("<IIII", 1_927_368_000, number * 100, len(one), len(one)) + one
    reader = reader_of("macOS", data)
    return [*reader.transfers(), *reader.finish()], reader


def payload(reader: Reader, transfer: Transfer) -> bytes:
    return bytes(reader.payload[transfer.data_at : transfer.data_at + transfer.captured])


def test_bulk_transfers_are_joined_by_id() -> None:
    """All data that moved rides on the completion, also of OUT transfers."""
    (out, back), reader = read(
        record(SUBMITTED, 7, 0x02, TYPE_BULK, length=31), record(SUBMITTED, 8, 0x81, TYPE_BULK, length=4096),
        record(COMPLETED, 7, 0x02, TYPE_BULK, b"USBC" + bytes(27)), record(COMPLETED, 8, 0x81, TYPE_BULK, bytes(512)),
    )  # fmt: skip
    assert (out.bus, out.address, out.endpoint, out.kind, out.status) == (20, 5, 0x02, BULK, 0)
    assert (out.records, out.requested, out.actual, out.captured) == ((1, 3), 31, 31, 31)
    assert (out.submitted_ns, out.completed_ns) == (0, 200_000)
    assert payload(reader, out)[:4] == b"USBC"
    assert (back.records, back.requested, back.actual, back.captured) == ((2, 4), 4096, 512, 512)


@pytest.mark.parametrize("endpoint", [0x00, 0x80])
def test_control_request(endpoint: int) -> None:
    (transfer,), reader = read(
        record(SUBMITTED, 9, endpoint, TYPE_CONTROL, GET_MAX_LUN, length=1),
        record(COMPLETED, 9, endpoint, TYPE_CONTROL, b"\3"),
    )
    assert (transfer.kind, transfer.endpoint, transfer.setup) == (CONTROL, 0x80, GET_MAX_LUN)
    assert (transfer.requested, transfer.actual, transfer.status) == (1, 1, 0)
    assert payload(reader, transfer) == b"\3"


def test_control_request_with_data_going_out() -> None:
    """The data may stand behind the setup bytes, or come with the completion only."""
    setup, data = bytes.fromhex("21 00 00 00 00 00 0c 00"), bytes(range(12))
    for first, last in ((setup + data, b""), (setup, data), (setup + data, data)):
        (transfer,), reader = read(
            record(SUBMITTED, 9, 0, TYPE_CONTROL, first, length=12),
            record(COMPLETED, 9, 0, TYPE_CONTROL, last, length=12),
        )
        assert (transfer.endpoint, transfer.requested, transfer.actual) == (0, 12, 12)
        assert payload(reader, transfer) == data


def test_interrupt_and_isochronous() -> None:
    """Each isochronous frame has a header of 28 bytes before the data."""
    (hub, sound), reader = read(
        record(SUBMITTED, 1, 0x81, TYPE_INTERRUPT, length=1), record(COMPLETED, 1, 0x81, TYPE_INTERRUPT, b"\2"),
        record(COMPLETED, 2, 0x83, TYPE_ISOCHRONOUS, bytes(56) + b"data", length=4, frames=2),
    )  # fmt: skip
    assert (hub.kind, payload(reader, hub)) == (INTERRUPT, b"\2")
    assert (sound.kind, payload(reader, sound), sound.submitted_ns) == (ISOCHRONOUS, b"data", -1)


@pytest.mark.parametrize(
    ("code", "errno"),
    [  # IOReturn values in practice, from memory of the public headers; errno as the kernel documents the condition
        (0, 0), (0xE000404F, STALL), (0xE00002EB, -104), (0xE00002ED, -71), (0xE0004051, -110), (0xE00002E7, -121),
        (0xE00002E8, -75), (0xE00002C0, -19), (0xE0001234, -71),
    ],
)  # fmt: skip
def test_statuses_are_mapped(code: int, errno: int) -> None:
    (transfer,), _ = read(
        record(SUBMITTED, 1, 0x81, TYPE_BULK, length=13), record(COMPLETED, 1, 0x81, TYPE_BULK, length=0, status=code)
    )
    assert (transfer.status, transfer.actual) == (errno, 0)


def test_speed_and_place_are_told() -> None:
    _, reader = read(
        record(COMPLETED, 1, 0x81, TYPE_BULK, location=0x14140000, speed=HIGH, address=5),
        record(COMPLETED, 2, 0x81, TYPE_BULK, location=0x00000000, speed=SUPER, address=1),
        record(COMPLETED, 3, 0x81, TYPE_BULK, location=0x02123456, speed=9, address=6),
    )  # fmt: skip
    assert reader.told(20, 5) == ("high", "the capture's header", "bus 20, port 1, port 4")
    assert reader.told(0, 1) == ("super", "the capture's header", "bus 0, the host controller itself")
    assert reader.told(2, 6) == (
        "", "the capture's header", "bus 2, port 1, port 2, port 3, port 4, port 5, port 6",
    )  # fmt: skip
    assert reader.told(20, 6) is None


def test_halves_without_a_partner_are_kept() -> None:
    (lost, waiting), _ = read(
        record(COMPLETED, 1, 0x81, TYPE_BULK, b"x"), record(SUBMITTED, 2, 0x02, TYPE_BULK, length=4_096)
    )
    assert (lost.submitted_ns, lost.status) == (-1, 0)
    assert (waiting.completed_ns, waiting.status, waiting.captured) == (-1, None, 0)


def test_a_longer_header_is_skipped_and_a_wrong_one_counted() -> None:
    (transfer,), reader = read(
        record(COMPLETED, 1, 0x81, TYPE_BULK, b"data", size=40),
        record(COMPLETED, 1, 0x81, TYPE_BULK)[:31],
        record(5, 1, 0x81, TYPE_BULK), record(COMPLETED, 1, 0x81, 9),
        struct.pack("<HB", 0x100, 33) + record(COMPLETED, 1, 0x81, TYPE_BULK)[3:],
    )  # fmt: skip
    assert payload(reader, transfer) == b"data"
    assert reader.skipped == {
        "record shorter than the 32-byte header of link type 266": 1,
        "record of link type 266 whose header cannot be right": 3,
    }


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=12))
def test_any_bytes_are_counted(records: list[bytes]) -> None:
    """Whatever a record holds: one place each, no exception, no bytes beyond the record."""
    found, reader = read(*(one for one in records))
    assert sum(len(t.records) for t in found) + sum(reader.skipped.values()) == reader.records
    assert all(t.captured <= 60 for t in found)
