"""Packets become transfers: what counts, where a transfer ends, what a recording lacks. Clauses are those of USB
2.0."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from probe import (
    BULK_IN,
    BULK_OUT,
    GET_CONFIGURATION,
    GET_DEVICE,
    GET_MAX_LUN,
    STICK,
    cbw,
    clear_halt,
    command,
    csw,
    enumerate_stick,
    kinds,
    payload_of,
    read10,
    transfers_of,
    write10,
)  # fmt: skip
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, STALL, Transfer
from workshop import bus
from workshop.bus import ACK, DATA0, DATA1, IN, NAK, NYET, OUT, PING, SETUP, Bus, data, token
from workshop.identity import Alternate, Identity

PAYLOAD = bytes(n * 7 + n // 256 * 11 & 0xFF for n in range(4096))


def bulk_only(found: list[Transfer]) -> list[Transfer]:
    return [transfer for transfer in found if transfer.kind == BULK]


def shapes(found: list[Transfer]) -> list[tuple[int, int, int | None]]:
    """Endpoint, bytes moved and status of the bulk transfers."""
    return [(t.endpoint, t.actual, t.status) for t in bulk_only(found)]


def a_read(speed: str = "high", size: int = 0, known: bool = True, payload: bytes = PAYLOAD) -> Bus:
    """One READ(10) on a stick; without ``known`` the recording begins after its descriptors were read."""
    wire = Bus(speed, frames=speed in bus.FRAME_NS)
    enumerate_stick(wire, size=size)
    if not known:
        wire.packets.clear()
    command(wire, 1, read10(0, 8), payload)
    return wire


@pytest.mark.parametrize("known", [True, False], ids=["described", "start after descriptors"])
@pytest.mark.parametrize(("speed", "size"), [("high", 512), *(("full", size) for size in (8, 16, 32, 64))])
@pytest.mark.parametrize("length", [1, 8, 13, 31, 36, 64, 192, 255, 511, 512, 513, 4096])
def test_command_data_and_status_are_three_transfers(speed: str, size: int, known: bool, length: int) -> None:
    """Whatever the packet size, and whether or not data fill the last packet (5.8.3; BOT 1.0 5.3)."""
    found, reader = transfers_of(a_read(speed, size, known, PAYLOAD[:length]).pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, length, 0), (0x81, 13, 0)]
    assert [payload_of(reader, t) for t in bulk_only(found)] == [
        cbw(1, length, read10(0, 8)), PAYLOAD[:length], csw(1),
    ]  # fmt: skip
    assert not kinds(reader)


@pytest.mark.parametrize("size", [8, 16, 32, 64])
def test_data_to_the_device_ends_with_what_was_announced(size: int) -> None:
    wire = Bus("full")
    enumerate_stick(wire, size=size)
    command(wire, 1, write10(0, 1), PAYLOAD[:512], inward=False)
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x02, 512, 0), (0x81, 13, 0)]
    assert payload_of(reader, bulk_only(found)[1]) == PAYLOAD[:512]


@pytest.mark.parametrize("size", [8, 64])
def test_start_in_the_data_phase(size: int) -> None:
    """No command in the recording: the status still comes by itself, as it begins as a CSW does."""
    wire = a_read("full", size)
    tokens = [n for n, (_, packet) in enumerate(wire.packets) if packet == token(IN, STICK, BULK_IN)]
    del wire.packets[: tokens[5]]
    found, reader = transfers_of(wire.pcap())
    (first, status) = found
    assert (status.actual, payload_of(reader, status)) == (13, csw(1))
    assert payload_of(reader, first) == PAYLOAD[-first.actual :]
    assert first.actual % size == 0


def test_halves_records_and_what_packets_add() -> None:
    wire = Bus("high", frames=False, naks=5)
    enumerate_stick(wire)
    first = len(wire.packets)
    command(wire, 1, read10(0, 1), PAYLOAD[:512])
    found, _ = transfers_of(wire.pcap())
    out, read, status = bulk_only(found)
    assert out.records == (first + 1, first + 3)
    assert read.records == (first + 4, first + 16)
    assert status.records == (first + 17, first + 29)
    times = [time_ns - wire.packets[0][0] for time_ns, _ in wire.packets]
    assert (read.submitted_ns, read.completed_ns) == (times[first + 3], times[first + 15])
    assert (read.requested, out.requested) == (-1, 31)
    assert read.wire is not None
    assert read.wire[:2] == (3, 5)
    assert read.wire.nak_ns == times[first + 13] - times[first + 3]
    assert read.weight == 3


def test_full_packets_and_a_packet_of_no_bytes() -> None:
    """A device that has less than was asked ends full packets with one of no bytes (5.8.3)."""
    wire = Bus("high")
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 4096, read10(0, 8)))
    wire.bulk_in(STICK, BULK_IN, PAYLOAD[:1024], zlp=True)
    wire.bulk_in(STICK, BULK_IN, csw(1, 3072))
    found, _ = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 1024, 0), (0x81, 13, 0)]
    assert [t.wire and t.wire.short for t in bulk_only(found)] == [True, True, True]


@pytest.mark.parametrize("speed", ["high", "full"])
def test_control_requests(speed: str) -> None:
    """The three forms of 8.5.3: data in, data out, no data; and a request refused by STALL."""
    wire = Bus(speed)
    identity = Identity()
    wire.control(1, GET_CONFIGURATION, identity.configuration(), size=8)
    wire.control(1, bytes.fromhex("21 00 00 00 00 00 0c 00"), bytes(range(12)), size=8)
    wire.control(1, bytes.fromhex("00 09 01 00 00 00 00 00"))
    wire.control(1, GET_MAX_LUN, stalls=True)
    wire.control(1, GET_MAX_LUN, b"\3")
    found, reader = transfers_of(wire.pcap())
    assert [(t.kind, t.endpoint, t.requested, t.actual, t.status) for t in found] == [
        (CONTROL, 0x80, 255, 32, 0), (CONTROL, 0x00, 12, 12, 0), (CONTROL, 0x00, 0, 0, 0),
        (CONTROL, 0x80, 1, 0, STALL), (CONTROL, 0x80, 1, 1, 0),
    ]  # fmt: skip
    assert payload_of(reader, found[0]) == identity.configuration()
    assert payload_of(reader, found[1]) == bytes(range(12))
    assert found[0].setup == GET_CONFIGURATION


def test_a_stall_ends_a_transfer() -> None:
    """With data before it, it is the data phase's; where all data has come, it is the status read's (BOT 1.0 6.7.2)."""
    wire = Bus("high")
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 4096, read10(0, 8)))
    wire._move(IN, STICK, BULK_IN, PAYLOAD[:1024], False)
    wire.stall(STICK, BULK_IN, True)
    wire.control(STICK, clear_halt(0x81))
    wire.bulk_in(STICK, BULK_IN, csw(1, 3072, 1))
    wire.bulk_out(STICK, BULK_OUT, cbw(2, 1024, read10(0, 2)))
    wire._move(IN, STICK, BULK_IN, PAYLOAD[:1024], False)
    wire.stall(STICK, BULK_IN, True)
    wire.bulk_out(STICK, BULK_OUT, cbw(3, 1024, write10(0, 2), False))
    wire.stall(STICK, BULK_OUT, False)
    found, _ = transfers_of(wire.pcap())
    assert shapes(found) == [
        (0x02, 31, 0), (0x81, 1024, STALL), (0x81, 13, 0), (0x02, 31, 0), (0x81, 1024, 0), (0x81, 0, STALL),
        (0x02, 31, 0), (0x02, 0, STALL),
    ]  # fmt: skip


def silence(wire: Bus, pid: int, endpoint: int, times: int) -> None:
    """Attempts to which nobody answers."""
    for _ in range(times):
        packets = [data(wire.pipe(STICK, endpoint, False).toggle, b"x")] if pid == OUT else []
        wire.transaction(pid, STICK, endpoint, *packets)


@pytest.mark.parametrize("times", [1, 2, 3, 4])
def test_no_answer(times: int) -> None:
    """Three attempts in a row end the transfer (10.2.6); fewer are retries."""
    wire = Bus("high")
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 13, read10(0, 1)))
    silence(wire, IN, BULK_IN, times)
    wire.bulk_in(STICK, BULK_IN, b"thirteen byte", naks=0)
    found, reader = transfers_of(wire.pcap())
    ends = shapes(found)[1:]
    assert ends == ([(0x81, 0, -62)] if times >= 3 else []) + [(0x81, 13, 0)]
    assert [t.wire.retries for t in bulk_only(found)[1:] if t.wire] == ([3, times - 3] if times >= 3 else [times])
    assert kinds(reader) == {"no answer": times} | ({"three strikes": 1} if times >= 3 else {})


@pytest.mark.parametrize("pid", [IN, OUT])
def test_a_device_that_went_away(pid: int) -> None:
    wire = Bus("full")
    enumerate_stick(wire)
    silence(wire, pid, BULK_IN if pid == IN else BULK_OUT, 3)
    found, _ = transfers_of(wire.pcap())
    assert shapes(found) == [(0x81 if pid == IN else 0x02, 0, -62)]


def test_setup_without_an_answer_is_a_request_without_an_answer() -> None:
    """The setup packet is known all the same; three attempts are one request."""
    wire = Bus("full")
    for _ in range(6):
        wire.transaction(SETUP, 0, 0, data(DATA0, GET_DEVICE))
    wire.control(0, GET_DEVICE, Identity().device())
    found, _ = transfers_of(wire.pcap())
    assert [(t.setup, t.status, t.actual) for t in found] == [
        (GET_DEVICE, -62, 0), (GET_DEVICE, -62, 0), (GET_DEVICE, 0, 18),
    ]  # fmt: skip


def test_damaged_data_is_sent_again() -> None:
    """A host that finds the CRC wrong keeps silent; the device sends the same data with the same toggle (8.6.4)."""
    wire = Bus("high", frames=False, naks=0)
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(0, 1)))
    pipe = wire.pipe(STICK, BULK_IN, True)
    wire.transaction(IN, STICK, BULK_IN, flip(data(pipe.toggle, PAYLOAD[:512]), 100))
    wire.bulk_in(STICK, BULK_IN, PAYLOAD[:512])
    wire.bulk_in(STICK, BULK_IN, csw(1))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 512, 0), (0x81, 13, 0)]
    assert payload_of(reader, bulk_only(found)[1]) == PAYLOAD[:512]
    assert bulk_only(found)[1].wire.retries == 1
    assert kinds(reader) == {"crc16": 1}
    event = reader.wire_events[0]
    assert (event.kind, event.address, event.endpoint, event.size) == ("crc16", STICK, 0x81, 515)
    assert reader.data[event.at : event.at + 101] == data(DATA0, PAYLOAD[:512])[:100] + flip(PAYLOAD[99:100], 0)


def flip(packet: bytes, place: int) -> bytes:
    return packet[:place] + bytes((packet[place] ^ 0x10,)) + packet[place + 1 :]


def test_three_damaged_answers_in_a_row_end_it() -> None:
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(0, 1)))
    for _ in range(3):
        wire.transaction(IN, STICK, BULK_IN, flip(data(DATA0, PAYLOAD[:512]), 100))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 0, -84)]
    assert kinds(reader) == {"crc16": 3, "three strikes": 1}


@pytest.mark.parametrize("size", [512, 13])
def test_a_repeat_is_discarded(size: int) -> None:
    """The device did not hear the ACK and sends the same once more: acknowledged and thrown away (8.6.4)."""
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 2 * size, read10(0, 1)))
    pipe = wire.pipe(STICK, BULK_IN, True)
    for part in (PAYLOAD[:size], PAYLOAD[size : 2 * size]):
        wire.bulk_in(STICK, BULK_IN, part)
        wire.transaction(IN, STICK, BULK_IN, data(pipe.toggle ^ DATA0 ^ DATA1, part), bytes((ACK,)))
    wire.bulk_in(STICK, BULK_IN, csw(1))
    found, reader = transfers_of(wire.pcap())
    sizes = [1024] if size == 512 else [13, 13]
    assert shapes(found)[1:] == [*((0x81, n, 0) for n in sizes), (0x81, 13, 0)]
    assert b"".join(payload_of(reader, t) for t in bulk_only(found)[1:-1]) == PAYLOAD[: 2 * size]
    assert kinds(reader) == {"repeat": 2}
    assert reader.places["repeats that the receiver discards"] == 6


def test_out_data_sent_again_counts_once() -> None:
    """The host heard no ACK; whether the device has it already, the toggle tells the device (8.6.3)."""
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    wrapper = cbw(1, 1024, write10(0, 2), False)
    wire.bulk_out(STICK, BULK_OUT, wrapper)
    pipe = wire.pipe(STICK, BULK_OUT, False)
    wire.transaction(OUT, STICK, BULK_OUT, data(pipe.toggle, PAYLOAD[:512]))
    wire.bulk_out(STICK, BULK_OUT, PAYLOAD[:1024])
    wire.bulk_in(STICK, BULK_IN, csw(1))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x02, 1024, 0), (0x81, 13, 0)]
    assert payload_of(reader, bulk_only(found)[1]) == PAYLOAD[:1024]
    assert bulk_only(found)[1].wire.retries == 1


def pieces(found: list[Transfer], reader: Any) -> tuple[int, bytes]:
    """The data of the transfers between command and status: how long, and what is readable, zeros where nothing is."""
    between = bulk_only(found)[1:-1]
    return sum(t.actual for t in between), b"".join(payload_of(reader, t).ljust(t.actual, b"\0") for t in between)


def without(part: int) -> bytes:
    """The payload with zeros for one packet."""
    return PAYLOAD[: 512 * part] + bytes(512) + PAYLOAD[512 * part + 512 :]


def numbered(wire: Bus, packet: Callable[[bytes], bool], which: int = 0) -> int:
    """The 1-based number of a packet."""
    return [n for n, (_, one) in enumerate(wire.packets, 1) if packet(one)][which]


def in_data(payload: bytes) -> Callable[[bytes], bool]:
    return lambda packet: packet[1:-2] == payload and len(packet) > 3


@pytest.mark.parametrize("part", range(8))
def test_a_handshake_missing_in_the_recording_changes_nothing(part: int) -> None:
    """The next packet's toggle shows that it went over (8.6.1)."""
    wire = a_read()
    wire.drop(numbered(wire, in_data(PAYLOAD[512 * part : 512 * part + 512])) + 1)
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 4096, 0), (0x81, 13, 0)]
    assert payload_of(reader, bulk_only(found)[1]) == PAYLOAD
    assert kinds(reader) == {"no handshake": 1}


def test_the_last_handshake_missing_in_the_recording() -> None:
    wire = a_read()
    wire.drop(numbered(wire, in_data(csw(1))) + 1)
    command(wire, 2, read10(8, 8), PAYLOAD)
    found, _ = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 4096, 0), (0x81, 13, 0)] * 2


@pytest.mark.parametrize("part", range(8))
def test_data_missing_in_the_recording(part: int) -> None:
    """The acknowledgement tells that it went over. What follows stands where it belongs; of the last packet nothing
    tells the length."""
    wire = a_read()
    wire.drop(numbered(wire, in_data(PAYLOAD[512 * part : 512 * part + 512])))
    found, reader = transfers_of(wire.pcap())
    assert pieces(found, reader) == ((4096, without(part)) if part < 7 else (3584, PAYLOAD[:3584]))
    assert shapes(found)[-1] == (0x81, 13, 0)
    assert kinds(reader) == {"unseen data": 1}


@pytest.mark.parametrize("part", range(1, 7))
def test_a_transaction_missing_in_the_recording(part: int) -> None:
    """The toggle is that of the packet before, the contents are not: one is missing in between."""
    wire = a_read()
    number = numbered(wire, in_data(PAYLOAD[512 * part : 512 * part + 512]))
    del wire.packets[number - 2 : number + 1]
    found, reader = transfers_of(wire.pcap())
    assert pieces(found, reader) == (4096, without(part))
    assert shapes(found)[-1] == (0x81, 13, 0)
    assert kinds(reader) == {"toggle": 1}


@pytest.mark.parametrize("inward", [True, False], ids=["in", "out"])
def test_a_request_whose_setup_data_is_missing(inward: bool) -> None:
    """The data stage itself tells which way it goes (8.5.3)."""
    wire = Bus("full")
    asked = GET_DEVICE if inward else bytes.fromhex("2100000000000c00")
    wire.control(1, asked, Identity().device() if inward else bytes(range(12)), size=8)
    wire.drop(numbered(wire, in_data(asked)))
    (found,), _ = transfers_of(wire.pcap())
    assert (found.kind, found.endpoint, found.setup, found.actual) == (
        CONTROL, 0x80 if inward else 0, b"", 18 if inward else 12,
    )  # fmt: skip


def test_data_garbled_in_the_recording_alone() -> None:
    """The host acknowledged it, so it was right on the wire; here it is not readable."""
    wire = a_read()
    wire.change(numbered(wire, in_data(PAYLOAD[1024:1536])), lambda packet: flip(packet, 9))
    found, reader = transfers_of(wire.pcap())
    assert pieces(found, reader) == (4096, without(2))
    assert kinds(reader) == {"crc16": 1, "damage taken": 1}


def test_babble() -> None:
    """More than a packet of this endpoint can have; the host answers nothing and gives up at once (8.7.4)."""
    wire = Bus("full", naks=0)
    enumerate_stick(wire, size=64)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 13, read10(0, 1)))
    wire.transaction(IN, STICK, BULK_IN, data(DATA0, bytes(100)))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 0, -75)]
    assert kinds(reader) == {"babble": 1}


def test_more_than_was_asked_on_the_control_pipe() -> None:
    """A device that sends 18 bytes where 8 were asked."""
    wire = Bus("full", naks=0)
    eight = bytes.fromhex("8006000100000800")
    wire.transaction(SETUP, 0, 0, data(DATA0, eight), bytes((ACK,)))
    wire.transaction(IN, 0, 0, data(DATA1, Identity().device()))
    found, reader = transfers_of(wire.pcap())
    assert [(t.setup, t.actual, t.status) for t in found] == [(eight, 0, -75)]
    assert kinds(reader) == {"babble": 1}


def test_ping_and_nyet() -> None:
    """High speed asks before it sends, and the device may say that this was the last that it has room for (8.5.1)."""
    wire = Bus("high", frames=False, naks=0)
    enumerate_stick(wire)
    start = len(wire.packets)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 1024, write10(0, 2), False))
    pipe = wire.pipe(STICK, BULK_OUT, False)
    for at in (0, 512):
        wire.nak(STICK, BULK_OUT, 3, inward=False)
        wire.go(PING, STICK, BULK_OUT, answer=ACK)
        wire.go(OUT, STICK, BULK_OUT, data(pipe.toggle, PAYLOAD[at : at + 512]), NYET)
        pipe.toggle ^= DATA0 ^ DATA1
    wire.bulk_in(STICK, BULK_IN, csw(1))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x02, 1024, 0), (0x81, 13, 0)]
    assert payload_of(reader, bulk_only(found)[1]) == PAYLOAD[:1024]
    assert bulk_only(found)[1].wire.naks == 6
    assert reader.places == {"NAK'd tokens": 12, "PING answered ACK": 4}
    assert len(wire.packets) - start == 12 + 4 + 4 * 3


def test_a_halt_that_is_cleared_starts_the_toggle_anew() -> None:
    """DATA0 after CLEAR_FEATURE(ENDPOINT_HALT), whatever came before (9.4.5): no repeat, nothing missing."""
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    command(wire, 1, b"\0" * 6)
    wire.bulk_out(STICK, BULK_OUT, cbw(2, 8, read10(0, 1)))
    wire.stall(STICK, BULK_IN, True)
    wire.control(STICK, clear_halt(0x81))
    wire.bulk_in(STICK, BULK_IN, csw(2, 8, 1))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found)[-2:] == [(0x81, 0, STALL), (0x81, 13, 0)]
    assert not kinds(reader)


GIVING_UP: dict[str, Callable[[Bus], None]] = {
    "class reset": lambda wire: wire.control(STICK, bytes.fromhex("21ff000000000000")),
    "halt cleared": lambda wire: wire.control(STICK, clear_halt(0x81)),
    "configured anew": lambda wire: wire.control(STICK, bytes.fromhex("0009010000000000")),
    "next command": lambda wire: wire.bulk_out(STICK, BULK_OUT, cbw(2, 0, b"\0" * 6)),
    "reset and a new address": lambda wire: (wire.wait(20_000_000), enumerate_stick(wire, 3))[0],
    "any request, after a pause": lambda wire: (wire.wait(20_000_000), wire.control(STICK, GET_DEVICE, bytes(18)))[0],
}


@pytest.mark.parametrize("how", GIVING_UP)
def test_a_read_that_the_host_gives_up(how: str) -> None:
    """Only NAK, then something that shows that the host waits no longer: the transfer ended, and comes before that."""
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(0, 1)))
    wire.nak(STICK, BULK_IN, 2_000)
    before = len(wire.packets)
    GIVING_UP[how](wire)
    found, _ = transfers_of(wire.pcap())
    at = next(n for n, t in enumerate(found) if t.endpoint == 0x81)
    assert (found[at].actual, found[at].status, found[at].weight) == (0, -110, 0)
    assert found[at].wire.naks == 2_000
    assert found[at].records[1] <= before
    assert all(t.records[0] < before for t in found[:at])
    assert all(t.records[0] > before for t in found[at + 1 :])


def test_a_read_that_waits_at_the_end() -> None:
    wire = Bus("high", naks=0)
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(0, 1)))
    wire.nak(STICK, BULK_IN, 20)
    found, _ = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 0, None)]
    assert found[-1].completed_ns == -1


def test_a_poll_of_a_hub_is_not_given_up_by_requests() -> None:
    """The status change endpoint is asked all the time, also while requests go to the hub."""
    hub = Identity(codes=(9, 0, 1), alternates=(Alternate(codes=(9, 0, 0), endpoints=((0x81, 3, 1, 12),)),))
    wire = Bus("high", naks=0)
    wire.control(1, GET_CONFIGURATION, hub.configuration())
    for _ in range(5):
        wire.nak(1, 1, 3)
        wire.control(1, bytes.fromhex("a300000001000400"), bytes(4))
        wire.wait(20_000_000)
    wire.bulk_in(1, 1, b"\x02", naks=2)
    found, _ = transfers_of(wire.pcap())
    polls = [t for t in found if t.kind == INTERRUPT]
    assert [(t.actual, t.status, t.wire.naks) for t in polls if t.wire] == [(1, 0, 17)]


def test_a_rare_poll_without_a_descriptor_is_not_given_up_either() -> None:
    """An endpoint that is asked every 32 ms, of which nothing tells that it is an interrupt endpoint."""
    wire = Bus("full", naks=0)
    for n in range(12):
        wire.nak(1, 1, 1)
        wire.wait(16_000_000)
        if n % 3 == 2:
            wire.control(1, bytes.fromhex("a300000001000400"), bytes(4))
        wire.wait(16_000_000)
    wire.bulk_in(1, 1, b"\x02", naks=1)
    found, _ = transfers_of(wire.pcap())
    assert [(t.actual, t.status, t.wire.naks) for t in found if t.kind != CONTROL and t.wire] == [(1, 0, 13)]


def test_two_sticks_at_once() -> None:
    """Packets of two devices in turn, each its own transfers."""
    first, second = a_read(), Bus("high")
    enumerate_stick(second, 3)
    command(second, 9, read10(0, 4), PAYLOAD[::-1][:2048], address=3)
    wire = Bus("high")
    groups = [transactions(one) for one in (first, second)]
    while any(groups):
        for group in groups:
            for packet in group.pop(0) if group else ():
                wire.send(packet)
    found, reader = transfers_of(wire.pcap())
    moved = {t.address: payload_of(reader, t) for t in bulk_only(found) if t.actual > 100}
    assert moved == {2: PAYLOAD, 3: PAYLOAD[::-1][:2048]}
    assert sorted(t.actual for t in bulk_only(found)) == [13, 13, 31, 31, 2048, 4096]


def transactions(wire: Bus) -> list[list[bytes]]:
    """The packets of a bus by transaction, without frames."""
    groups: list[list[bytes]] = []
    for _, packet in wire.packets:
        if packet[0] == bus.SOF:
            continue
        if packet[0] in (IN, OUT, SETUP, PING):
            groups.append([])
        groups[-1].append(packet)
    return groups


@pytest.mark.parametrize("low", [False, True])
def test_split_transactions_are_given_to_the_device(low: bool) -> None:
    """A slower device behind a high-speed hub (8.4.2, 11.14): one transfer each, told speed, hub and port."""
    wire = Bus("high", naks=2)
    wire.behind[STICK] = (1, 3, low)
    enumerate_stick(wire, size=8 if low else 64)
    command(wire, 1, read10(0, 8), PAYLOAD)
    command(wire, 2, write10(0, 8), PAYLOAD, inward=False)
    found, reader = transfers_of(wire.pcap())
    data_kind = [t for t in found if t.kind != CONTROL]
    assert [(t.endpoint, t.actual, t.status) for t in data_kind] == [
        (0x02, 31, 0), (0x81, 4096, 0), (0x81, 13, 0), (0x02, 31, 0), (0x02, 4096, 0), (0x81, 13, 0),
    ]  # fmt: skip
    assert [payload_of(reader, t) for t in data_kind if t.actual == 4096] == [PAYLOAD] * 2
    told = reader.told(0, STICK)
    assert (told.speed, told.place) == ("low" if low else "full", "port 3 of the hub at address 1")
    assert reader.places["split transactions under way"] > 0
    assert not kinds(reader)


def test_a_hub_that_reports_an_error_downstream() -> None:
    """ERR to a complete split, three times (8.4.5, 11.17.1)."""
    wire = Bus("high", naks=0)
    wire.behind[STICK] = (1, 3, False)
    enumerate_stick(wire, size=64)
    for _ in range(3):
        wire.go(IN, STICK, BULK_IN, answer=bus.ERR)
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x81, 0, -71)]
    assert kinds(reader) == {"split error": 3, "three strikes": 1}


def test_low_speed_device_on_a_full_speed_bus() -> None:
    """PRE goes before each low-speed packet that the host sends (8.6.5)."""
    wire = Bus("full", naks=1)
    wire.low |= {0, 5}
    keyboard = Identity(packet_size_0=8, alternates=(Alternate(codes=(3, 1, 1), endpoints=((0x81, 3, 8, 10),)),))
    wire.control(0, GET_DEVICE, keyboard.device(), size=8)
    wire.control(0, b"\0\5\5\0\0\0\0\0")
    wire.control(5, GET_CONFIGURATION, keyboard.configuration(), size=8)
    wire.pipe(5, 1, True).size = 8
    for report in (bytes(8), b"\0\0\4" + bytes(5)):
        wire.bulk_in(5, 1, report, naks=4)
    found, reader = transfers_of(wire.pcap())
    assert [(t.kind, t.actual, t.status) for t in found] == [
        (CONTROL, 18, 0), (CONTROL, 0, 0), (CONTROL, 25, 0), (INTERRUPT, 8, 0), (INTERRUPT, 8, 0),
    ]  # fmt: skip
    assert reader.told(0, 5).speed == "low"
    assert reader.told(0, 9).speed == "full"
    assert reader.places["PRE before low-speed packets"] == sum(p == b"\x3c" for _, p in wire.packets)


def test_link_power_management_moves_nothing() -> None:
    """EXT and the token behind it, which looks like a data packet of no bytes (LPM ECN)."""
    wire = a_read()
    before = len(wire.packets)
    attributes = 0x0101
    extension = b"\xc3" + (attributes | bus.check(bus.bits_of(attributes, 11), 0x05, 5) << 11).to_bytes(2, "little")
    wire.send(token(bus.EXT, STICK, 0))
    wire.send(extension)
    wire.send(bytes((ACK,)))
    found, reader = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 4096, 0), (0x81, 13, 0)]
    assert reader.places["link power management"] == len(wire.packets) - before
    assert not kinds(reader)


@pytest.mark.parametrize("described", [True, False])
def test_isochronous_traffic_is_set_aside(described: bool) -> None:
    """Never acknowledged, always DATA0 at full speed (5.6.4, 8.5.5)."""
    wire = Bus("full", naks=0)
    sound = Identity(alternates=(Alternate(codes=(1, 2, 0), endpoints=((0x83, 1, 192, 1),)),))
    if described:
        wire.control(4, GET_CONFIGURATION, sound.configuration())
    for n in range(50):
        wire.transaction(IN, 4, 3, data(DATA0, bytes((n,)) * 192))
    found, reader = transfers_of(wire.pcap())
    assert [t.kind for t in found] == ([CONTROL] if described else [])
    assert reader.places["isochronous traffic"] == 100


def test_descriptors_say_less_than_packets_show() -> None:
    """A stick that gives 512 at full speed sends packets of 64, as the bus allows no more (5.8.3)."""
    wire = Bus("full", naks=0)
    enumerate_stick(wire, size=512)
    for inward, number in ((True, BULK_IN), (False, BULK_OUT)):
        wire.pipe(STICK, number, inward).size = 64
    command(wire, 1, read10(0, 1), PAYLOAD[:512])
    found, _ = transfers_of(wire.pcap())
    assert shapes(found) == [(0x02, 31, 0), (0x81, 512, 0), (0x81, 13, 0)]


def test_a_recording_cut_by_its_snap_length() -> None:
    """Lengths are known, contents only in part; nothing is blamed on the bus."""
    wire = a_read()
    wire.snap_length = 40
    found, reader = transfers_of(wire.pcap())
    length, readable = pieces(found, reader)
    assert length == 4096
    assert readable == b"".join(PAYLOAD[at : at + 39].ljust(512, b"\0") for at in range(0, 4096, 512))
    assert shapes(found)[0] == (0x02, 31, 0)
    assert shapes(found)[-1] == (0x81, 13, 0)
    assert not kinds(reader)


def damaged_token(wire: Bus) -> None:
    number = numbered(wire, lambda packet: packet == token(IN, STICK, BULK_IN), 3)
    wire.change(number, lambda packet: flip(packet, 2))


def pid_gone(wire: Bus) -> None:
    number = numbered(wire, lambda packet: packet == bytes((NAK,)), 9)
    wire.change(number, lambda _: b"\x5b")


@pytest.mark.parametrize(("how", "kind"), [(damaged_token, "crc5"), (pid_gone, "pid")])
def test_damage_is_an_event_with_its_place_and_no_end(how: Callable[[Bus], Any], kind: str) -> None:
    wire = Bus("high", naks=3)
    enumerate_stick(wire)
    command(wire, 1, read10(0, 8), PAYLOAD)
    command(wire, 2, read10(8, 8), PAYLOAD)
    how(wire)
    found, reader = transfers_of(wire.pcap())
    assert shapes(found)[-2:] == [(0x81, 4096, 0), (0x81, 13, 0)]
    events = [event for event in reader.wire_events if event.kind == kind]
    assert len(events) == 1
    place = 24 + sum(16 + len(packet) for _, packet in wire.packets[: events[0].record - 1]) + 16
    assert events[0].at == place


def test_nobody_is_blamed_without_a_token() -> None:
    wire = Bus("high", frames=False)
    for packet in (data(DATA0, b"abc"), bytes((ACK,)), data(DATA1, b""), bytes((NAK,)), b"\0", b"\xff\xff"):
        wire.send(packet)
    found, reader = transfers_of(wire.pcap())
    assert not found
    assert reader.skipped == {
        "data and handshakes without a token before them": 4, "damaged packets outside any transaction": 2,
    }  # fmt: skip
    assert kinds(reader) == {"stray packet": 4, "pid": 2}
