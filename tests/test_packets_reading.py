"""Recordings of packets as a whole: link types, containers, blocks, growth, silence; loss and damage of any kind."""

from __future__ import annotations

import struct
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe import (
    BULK_IN,
    BULK_OUT,
    STICK,
    cbw,
    command,
    csw,
    enumerate_stick,
    kinds,
    payload_of,
    read10,
    transfers_of,
    write10,
)  # fmt: skip
from sticktrace.capture import reader_of
from sticktrace.capture.packets import reader as reader_module
from sticktrace.capture.packets.payload import SPREAD, Payload
from sticktrace.errors import CaptureError
from workshop import bus
from workshop.bus import ACK, DATA0, IN, STALL, Bus, data

PAYLOAD = bytes(n * 7 + n // 256 * 11 & 0xFF for n in range(4096))


def session(speed: str, split: bool = False, low: bool = False) -> Bus:
    """Bring-up and some commands, a hub being polled in between, a stall, a pause."""
    wire = Bus(speed, frames=speed in bus.FRAME_NS, naks=3)
    if split:
        wire.behind[STICK] = (1, 2, False)
    if low:
        wire.low |= {0, STICK}
    enumerate_stick(wire)
    for tag in range(1, 3):
        command(wire, tag, read10(tag, 3), PAYLOAD[:1536])
        wire.nak(1, 1, 2)
        command(wire, tag + 10, write10(tag, 2), PAYLOAD[:1024], inward=False)
    wire.bulk_out(STICK, BULK_OUT, cbw(30, 36, read10(0, 1)))
    wire.stall(STICK, BULK_IN, True)
    wire.control(STICK, bytes((2, 1, 0, 0, 0x81, 0, 0, 0)))
    wire.bulk_in(STICK, BULK_IN, csw(30, 36, 1))
    wire.wait(5_000_000)
    command(wire, 40, read10(9, 1), PAYLOAD[:512])
    return wire


def facts(found: list[Any], reader: Any) -> list[tuple[Any, ...]]:
    """All that a transfer says, with its bytes in place of where they lie."""
    return [
        (t.bus, t.address, t.endpoint, t.kind, t.setup, t.requested, t.actual, t.status, t.submitted_ns, t.completed_ns,
         t.records, t.wire, payload_of(reader, t))
        for t in found
    ]  # fmt: skip


WHOLE = {
    "high": session("high"), "full": session("full"), "split": session("high", split=True), "no word": session(""),
    "low": session("full", low=True),
}  # fmt: skip


@pytest.mark.parametrize("most", [1, 2, 3, 7, 100])
@pytest.mark.parametrize("name", WHOLE)
def test_the_size_of_a_block_makes_no_difference(name: str, most: int) -> None:
    """Transactions may be cut anywhere."""
    recording = WHOLE[name].pcap()
    expected, reader = transfers_of(recording)
    of_blocks = reader_module.blocks
    with patch.object(reader_module, "blocks", lambda walk, data: of_blocks(walk, data, most)):
        found, other = transfers_of(recording)
    assert facts(found, other) == facts(expected, reader)
    assert (other.places, other.skipped, kinds(other)) == (reader.places, reader.skipped, kinds(reader))


@pytest.mark.parametrize("step", [1, 50, 4_099])
def test_a_recording_that_grows(step: int) -> None:
    """Fed as it is written, the same transfers come out; those that are whole come at once."""
    recording = WHOLE["high"].pcap()[: 24 + 150 * step if step == 1 else None]
    expected, whole = transfers_of(recording)
    reader = reader_of("growing", recording[:24])
    found = []
    for end in range(24, len(recording) + step, step):
        reader.data = recording[:end]
        found += reader.transfers()
    assert len(found) >= len(expected) - 1
    found += reader.finish()
    assert facts(found, reader) == facts(expected, whole)


@pytest.mark.parametrize("speed", ["high", "full"])
def test_speed_is_deduced_where_the_link_type_leaves_it_open(speed: str) -> None:
    """By the distance of frames: 1 ms, or 125 µs (USB 2.0 8.4.3.1)."""
    found, reader = transfers_of(WHOLE[speed].pcap(link_type=288))
    expected, told = transfers_of(WHOLE[speed].pcap())
    assert facts(found, reader) == facts(expected, told)
    assert reader.assumed == [f"the speed, {speed}, is deduced from the packets: link type 288 does not say"]
    assert reader.told(0, STICK) == (speed, "deduced from the packets", "")
    assert told.told(0, STICK) == (speed, f"link type {bus.LINK_TYPES[speed]}", "")
    assert not told.assumed


def test_speed_that_nothing_shows_is_not_said() -> None:
    _, reader = transfers_of(WHOLE["no word"].pcap())
    assert reader.assumed == ["link type 288 does not say the speed, and no packet shows it"]
    assert reader.told(0, STICK) is None


def pcapng(interfaces: list[int], packets: list[tuple[int, int, bytes]]) -> bytes:
    """A pcapng file of several interfaces with a clock in ns; packets as (interface, time, bytes)."""
    out = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    for link_type in interfaces:
        out += struct.pack("<IIHHIHHBxxxHHI", 1, 32, link_type, 0, 0, 9, 1, 9, 0, 0, 32)
    for interface, time_ns, packet in packets:
        padded = packet + bytes(-len(packet) % 4)
        total = 32 + len(padded)
        out += struct.pack("<7I", 6, total, interface, time_ns >> 32, time_ns & 0xFFFFFFFF, len(packet), len(packet))
        out += padded + struct.pack("<I", total)
    return out


def test_two_probes_in_one_recording() -> None:
    """One on each side of a hub: every interface is a bus of its own, also with the same link type."""
    high, full = WHOLE["high"], WHOLE["full"]
    both = sorted([(0, *packet) for packet in high.packets] + [(1, *packet) for packet in full.packets],
                  key=lambda packet: packet[1])  # fmt: skip
    for types in ([295, 294], [295, 295]):
        found, reader = transfers_of(pcapng(types, both))
        for number, one in enumerate((high, full)):
            expected, other = transfers_of(one.pcap())
            mine = [payload_of(reader, t) for t in found if t.bus == number]
            assert mine == [payload_of(other, t) for t in expected]


def test_host_records_beside_packets() -> None:
    """An interface of another kind is read as ever; one that is not USB is counted."""
    from workshop import Host, Identity, Recorder, Stick, Unit, wire

    recorder = Recorder()
    host = Host(recorder, Stick(Identity(), [Unit()]))
    host.execute(wire.inquiry())
    records = recorder.pcap()[24:]
    host_packets, at = [], 0
    while at < len(records):
        seconds, fraction, size, _ = struct.unpack_from("<IIII", records, at)
        host_packets.append((1, seconds * 10**9 + fraction * 1000, records[at + 16 : at + 16 + size]))
        at += 16 + size
    packets = [(0, *packet) for packet in WHOLE["high"].packets] + [(2, bus.START_NS, b"other")] * 3
    recording = pcapng([295, 220, 1], packets + host_packets)
    reader = reader_of("mixed", recording)
    found = [*reader.transfers(), *reader.finish()]
    assert {t.bus for t in found if t.wire is None} == {1}
    assert sum(t.wire is None for t in found) == len(host_packets) // 2
    assert reader.skipped == {"link type 1 is not a USB capture that sticktrace reads": 3}
    assert sum(t.weight for t in found) + sum((reader.places + reader.skipped).values()) == reader.records


def test_other_link_types_are_refused_by_number() -> None:
    for link_type in (186, 287, 289, 292, 296):
        with pytest.raises(CaptureError, match=f"link type {link_type} .*288, 293, 294 or 295"):
            reader_of("name", struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, link_type) + bytes(16))


def test_silence_before_address_0_is_a_reset() -> None:
    """Inferred, and the kind of event says so; where the addresses stay, it was suspend and resume (7.1.7.5 to
    7.1.7.7)."""
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    wire.silent(25_000_000)
    wire.wait(1_000_000)
    enumerate_stick(wire)
    wire.silent(50_000_000)
    wire.wait(1_000_000)
    command(wire, 1, b"\0" * 6)
    _, reader = transfers_of(wire.pcap())
    found = [(event.kind, event.value // 1_000_000) for event in reader.wire_events]
    assert found == [("silence", 25), ("silence", 50), ("reset", 25), ("suspend", 50), ("resume", 50)]


def test_no_silence_where_frames_are_not_recorded() -> None:
    wire = Bus("full", frames=False)
    enumerate_stick(wire)
    wire.silent(50_000_000)
    command(wire, 1, b"\0" * 6)
    assert not kinds(transfers_of(wire.pcap())[1])


def test_frames_that_become_more_frequent_after_a_reset() -> None:
    """A device that chirped: the same recording at full speed first, then at high speed (7.1.7.5)."""
    first, then = Bus("full", naks=0), Bus("high", naks=0)
    first.wait(20_000_000)
    then.now_ns = then._next_frame_ns = first.now_ns + 30_000_000
    then.wait(3_000_000)
    enumerate_stick(then)
    first.packets += then.packets
    _, reader = transfers_of(first.pcap(link_type=288))
    assert kinds(reader) == {"silence": 1, "reset": 1, "high-speed handshake": 1}
    assert reader.told(0, STICK).speed == "high"


def test_missing_frames_are_counted() -> None:
    wire = Bus("full")
    wire.wait(40_000_000)
    del wire.packets[10:12], wire.packets[20:21]
    _, reader = transfers_of(wire.pcap())
    assert [(event.kind, event.value) for event in reader.wire_events] == [("frames missing", 3)]


HARMS = ("drop", "double", "swap", "flip", "cut", "noise", "again")
harms = st.lists(st.tuples(st.sampled_from(HARMS), st.integers(0, 9_999), st.integers(0, 255)), min_size=1, max_size=9)
"""What happens to a recording: how, where, and how much or which bits."""


def broken(packets: list[tuple[int, bytes]], how: str, at: int, much: int) -> list[tuple[int, bytes]]:
    """Packets missing, doubled, out of order, damaged, cut, invented, or a stretch recorded again."""
    at %= len(packets) - 1
    (time_ns, packet), (later_ns, other) = packets[at : at + 2]
    some = packets[at : at + 1 + much % 5]
    changed = {
        "drop": [], "double": [packets[at]] * 2, "swap": [(time_ns, other), (later_ns, packet)],
        "flip": [(time_ns, flipped(packet, much))], "cut": [(time_ns, packet[: much % (len(packet) + 1)])],
        "noise": [(time_ns, bytes((much,)) * (much % 6)), packets[at]], "again": some * 2,
    }[how]  # fmt: skip
    taken = {"drop": len(some), "swap": 2, "again": len(some)}.get(how, 1)
    return packets[:at] + changed + packets[at + taken :]


def flipped(packet: bytes, much: int) -> bytes:
    place = much % max(1, len(packet))
    return packet[:place] + bytes(byte ^ 1 << (much & 7) for byte in packet[place : place + 1]) + packet[place + 1 :]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(WHOLE)), harms, st.sampled_from([11, 64]))
def test_whatever_happens_to_packets(name: str, what: list[tuple[str, int, int]], most: int) -> None:
    """Every packet is accounted for, nothing raises, records and times are in order, and blocks make no difference."""
    wire = Bus(WHOLE[name].speed)
    wire.packets = list(WHOLE[name].packets)
    for how, at, much in what:
        wire.packets = broken(wire.packets, how, at, much)
    recording = wire.pcap()
    found, reader = transfers_of(recording)
    for t in found:
        assert 0 <= t.submitted_ns <= max(t.completed_ns, t.submitted_ns)
        assert 1 <= t.records[0] <= t.records[-1] <= reader.records
        assert t.captured <= max(t.actual, -1 if t.incoming else t.requested)  # what was not taken stays readable
    of_blocks = reader_module.blocks
    with patch.object(reader_module, "blocks", lambda walk, data: of_blocks(walk, data, most)):
        again, other = transfers_of(recording)
    assert facts(again, other) == facts(found, reader)
    assert (kinds(other), other.places, other.skipped) == (kinds(reader), reader.places, reader.skipped)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(WHOLE.keys() - {"low"})), st.data())
def test_one_lost_packet_harms_one_exchange_at_most(name: str, data: st.DataObject) -> None:
    """Whichever packet the recording lacks, all that is not of its transfer is as before, and nothing readable is
    wrong. (Without its descriptor, no endpoint of a low-speed device would pass for a bulk one.)"""
    packets = WHOLE[name].packets
    wire = Bus(WHOLE[name].speed)
    number = data.draw(st.integers(0, len(packets) - 1))
    wire.packets = packets[:number] + packets[number + 1 :]
    found, reader = transfers_of(wire.pcap())
    expected, whole = transfers_of(WHOLE[name].pcap())
    mine = [(t.kind, t.endpoint, t.setup, t.actual, t.status, payload_of(reader, t)) for t in found]
    before = [(t.kind, t.endpoint, t.setup, t.actual, t.status, payload_of(whole, t)) for t in expected]
    lost = [one for one in before if one not in mine]
    assert len(lost) <= 2
    for one in mine:
        if one not in before:
            assert any(one[5] in good[5] for good in before)


def test_payload_spread_over_packets_reads_from_any_place() -> None:
    """Slices from the middle of a transfer, across stretches and beyond the end."""
    import numpy as np

    raw = bytes(n * 31 + n // 256 & 0xFF for n in range(5_000))
    offsets = [10, 100, 190, 1_000, 1_700, 2_600]
    payload = Payload(raw)
    place = payload.join([(np.array(offsets), 64), (np.array([3_000]), 20)], 6 * 64 + 20)
    after = payload.join([(np.array([40, 4_000]), 8)], 12)
    whole = b"".join(raw[at : at + 64] for at in offsets) + raw[3_000:3_020]
    assert place == SPREAD
    assert payload[place : place + len(whole)] == whole
    assert payload[after : after + 12] == raw[40:48] + raw[4_000:4_004]
    for start in range(0, len(whole), 37):
        for count in (0, 1, 63, 64, 65, 300):
            expected = (whole + raw[40:48] + raw[4_000:4_004])[start : start + count]
            assert payload[place + start : place + start + count] == expected
    assert payload[5:9] == raw[5:9]


def test_events_stay_few_however_broken_a_recording_is() -> None:
    wire = Bus("high", frames=False)
    for n in range(3_000):
        wire.send(bytes((n & 0xFF, 1, 2)))
        wire.send(data(DATA0, b"x") if n % 3 else bytes((ACK,)))
    wire.transaction(IN, 1, 1, bytes((STALL,)))
    _, reader = transfers_of(wire.pcap())
    assert sum(kinds(reader).values()) > 2_000
    assert len(reader.wire_events) <= 1_000 * len(kinds(reader))
