"""The pcap walk: against the Internet draft, against scapy's reader, and on broken files."""

from __future__ import annotations

import io
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import capture_bytes, capture_names
from sticktrace.capture import reader_of
from sticktrace.capture.pcap import Frame, PcapWalk
from sticktrace.capture.transfer import BULK
from sticktrace.errors import CaptureError
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

PCAPS = [name for name in capture_names() if name.endswith(".pcap")]

# draft-ietf-opsawg-pcap, section 4: magic A1B2C3D4h for microseconds, A1B23C4Dh for nanoseconds, in the writer's order.
FORMS = [("<", 0xA1B2C3D4, 1_000), (">", 0xA1B2C3D4, 1_000), ("<", 0xA1B23C4D, 1), (">", 0xA1B23C4D, 1)]
SECOND = 1_927_368_000  # a day in January 2031


def header(order: str = "<", magic: int = 0xA1B2C3D4, link_type: int = 220) -> bytes:
    return struct.pack(order + "IHHIIII", magic, 2, 4, 0, 0, 262_144, link_type)


def record(payload: bytes, seconds: int = SECOND, fraction: int = 0, order: str = "<", original: int = -1) -> bytes:
    length = len(payload) if original < 0 else original
    return struct.pack(order + "IIII", seconds, fraction, len(payload), length) + payload


def walk(data: bytes) -> tuple[list[Frame], PcapWalk]:
    walker = PcapWalk(data)
    frames = list(walker.walk(data))
    walker.finish(data)
    return frames, walker


@pytest.mark.parametrize(("order", "magic", "tick"), FORMS)
def test_both_byte_orders_and_both_clocks(order: str, magic: int, tick: int) -> None:
    data = header(order, magic) + record(b"abc", SECOND, 500_000, order, original=9)
    frames, walker = walk(data)
    assert frames == [(SECOND * 1_000_000_000 + 500_000 * tick, 40, 3, 9, 220, order)]
    assert not walker.damage


def test_frame_check_bits_are_not_part_of_the_link_type() -> None:
    # draft-ietf-opsawg-pcap, section 4: the high bits of the word hold frame check information.
    frames, _ = walk(header(link_type=0x1400_0000 | 220) + record(b"x"))
    assert frames[0][4] == 220


@pytest.mark.parametrize("name", PCAPS)
def test_same_records_as_scapy(name: str) -> None:
    """scapy's RawPcapReader as a second reader. Excused: it cuts a record at 65,535 bytes without a word."""
    from scapy.utils import RawPcapReader

    data = capture_bytes(name)
    frames, walker = walk(data)
    with RawPcapReader(io.BytesIO(data)) as reader:
        other = list(reader)
    assert not walker.damage
    assert len(frames) == len(other)
    for (time_ns, at, captured, original, _, _), (payload, meta) in zip(frames, other, strict=True):
        assert time_ns == (meta.sec * 1_000_000 + meta.usec) * 1_000
        assert (captured, original) == (meta.caplen, meta.wirelen)
        assert data[at : at + captured][:65_535] == payload


def test_a_long_record_comes_whole_where_scapy_cuts_it() -> None:
    from scapy.utils import RawPcapReader

    data = header() + record(bytes(100_000))
    with RawPcapReader(io.BytesIO(data)) as reader:
        assert len(next(iter(reader))[0]) == 65_535, "the excused difference is gone: drop the excuse"
    assert walk(data)[0][0][2] == 100_000


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("field", range(4))
def test_a_broken_header_loses_one_record(order: str, field: int) -> None:
    records = [record(bytes([n]) * (64 + n), SECOND + n, n, order) for n in range(1, 20)]
    start = 24 + sum(map(len, records[:9]))
    data = bytearray(header(order) + b"".join(records))
    data[start + 4 * field : start + 4 * field + 4] = b"\xee" * 4
    frames, walker = walk(bytes(data))
    places = [frame[1] - 16 for frame in frames]
    whole = [24 + sum(map(len, records[:n])) for n in range(19)]
    assert [place for place in whole if place not in places] in ([], [start])
    assert set(places) <= set(whole)
    if len(places) < 19:
        assert str(walker.damage[0]).startswith(f"byte {start}: ")
        assert f"skipped {len(records[9])} bytes" in str(walker.damage[0])


def test_long_pauses_and_a_clock_that_is_set_are_no_damage() -> None:
    times = [SECOND, SECOND + 3 * 86_400, SECOND + 3 * 86_400 + 1, 100, 101]
    frames, walker = walk(header() + b"".join(record(b"x" * 64, second) for second in times))
    assert [frame[0] // 1_000_000_000 for frame in frames] == times
    assert not walker.damage


def test_cut_off_tail_is_reported_with_its_place() -> None:
    data = header() + record(bytes(64)) + record(bytes(64))[:-1]
    frames, walker = walk(data)
    assert len(frames) == 1
    assert [damage.where for damage in walker.damage] == ["byte 104"]


def test_a_file_still_being_written_is_taken_up_where_it_ended() -> None:
    whole = header() + b"".join(record(bytes([n]) * 40, SECOND + n) for n in range(9))
    walker = PcapWalk(whole[:24])
    frames: list[Frame] = []
    for size in range(24, len(whole) + 1, 7):
        frames += walker.walk(whole[:size])
    frames += walker.walk(whole)
    walker.finish(whole)
    assert frames == walk(whole)[0]
    assert not walker.damage


def test_garbage_ends_in_bounded_time_and_few_words() -> None:
    _, walker = walk(header() + b"\xff" * (3 << 20))
    assert walker.lost and len(walker.damage) == 1
    broken = b"".join(record(bytes(8), SECOND) + b"\xff" * 40 for _ in range(500))
    frames, walker = walk(header() + broken)
    assert len(walker.damage) <= 21
    assert not frames or len(frames) <= 500


SAMPLE = capture_bytes("f02_seabios_boot_ehci-emu.pcap")
CHANGES = st.lists(st.tuples(st.integers(0, len(SAMPLE) - 1), st.integers(0, 255)), max_size=8)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(SAMPLE)), CHANGES)
def test_mutation_raises_nothing_but_capture_error(length: int, changes: list[tuple[int, int]]) -> None:
    data = bytearray(SAMPLE)
    for place, value in changes:
        data[place] = value
    cut = bytes(data[:length])
    try:
        reader = reader_of("mutant", cut)
    except CaptureError:
        return
    transfers = [*reader.transfers(), *reader.finish()]
    assert sum(len(t.records) for t in transfers) + sum(reader.skipped.values()) == reader.records


@settings(max_examples=60, deadline=None)
@given(st.integers(24, len(SAMPLE) - 1), st.integers(1, 255))
def test_one_changed_byte_loses_at_most_the_record_it_is_in(place: int, change: int) -> None:
    data = bytearray(SAMPLE)
    data[place] ^= change
    before = {frame[1] for frame in walk(SAMPLE)[0]}
    after = {frame[1] for frame in walk(bytes(data))[0]}
    assert len(before - after) <= 1
    assert len(after - before) <= 1


@pytest.mark.parametrize("link_type", [189, 220])
@pytest.mark.parametrize("kind", [4, 5, 255])
def test_a_transfer_type_that_the_header_does_not_define_is_counted(link_type: int, kind: int) -> None:
    """Kernel documentation, usbmon: transfer types are 0 to 3. No other is a transfer, nor a mark of ours."""
    recorder = Recorder(link_type)
    Host(recorder, Stick(Identity(), [Unit(Medium(1000))])).execute(wire.inquiry())
    for number in (3, 4):
        recorder.halves[number - 1].kind = kind
    reader = reader_of("strange", recorder.pcap())
    found = [*reader.transfers(), *reader.finish()]
    assert sum(len(transfer.records) for transfer in found) + 2 == reader.records == len(recorder.halves)
    assert {transfer.kind for transfer in found} == {BULK}
    assert reader.skipped == {f"transfer type {kind:#04x} that the header does not define": 2}
