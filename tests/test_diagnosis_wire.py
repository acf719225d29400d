"""Findings that only packets show: each with a recording that shows it and a near miss.

Clauses are those of USB 2.0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from diagnosis_lab import check, diagnosed, found
from probe import (
    BULK_IN,
    BULK_OUT,
    GET_DEVICE,
    STICK,
    cbw,
    clear_halt,
    command,
    csw,
    enumerate_stick,
    read10,
    write10,
)  # fmt: skip
from workshop.bus import ACK, BIT_NS, DATA0, DATA1, IN, NAK, OUT, SETUP, Bus, data, token
from workshop.identity import Identity

BLOCK = bytes(n * 5 & 0xFF for n in range(512))
OTHER = BLOCK[::-1]

Scene = Callable[[Bus, bool], object]


@dataclass(frozen=True)
class WireCase:
    """One pattern's scene on a bus with a stick that is configured, if it is ``ready``."""

    slug: str
    severity: str
    scene: Scene
    speed: str
    ready: bool

    def trace(self, wrong: bool) -> bytes:
        """The recording."""
        wire = Bus(self.speed)
        if self.ready:
            enumerate_stick(wire)
        self.scene(wire, wrong)
        return wire.pcap()


CASES: list[WireCase] = []


def case(slug: str, severity: str, speed: str = "high", ready: bool = True) -> Callable[[Scene], Scene]:
    """Keeps a scene."""

    def keep(scene: Scene) -> Scene:
        CASES.append(WireCase(slug, severity, scene, speed, ready))
        return scene

    return keep


def attempts(wire: Bus, times: int, *packets: bytes, pid: int = IN) -> None:
    """Attempts on a bulk pipe to which nobody answers."""
    for _ in range(times):
        wire.transaction(pid, STICK, BULK_IN if pid == IN else BULK_OUT, *packets)


def in_data(wire: Bus, payload: bytes) -> bytes:
    """What the device would send now."""
    return data(wire.pipe(STICK, BULK_IN, True).toggle, payload)


@case("token-not-answered", "risk")
def _(wire: Bus, wrong: bool) -> None:
    """8.7.2: no answer, another attempt; NAK is an answer."""
    for tag in range(1, 5):
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, 512, read10(tag, 1)))
        if wrong:
            attempts(wire, 2)
        else:
            wire.nak(STICK, BULK_IN, 2)
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        wire.bulk_in(STICK, BULK_IN, csw(tag))


@case("data-not-acknowledged", "risk")
def _(wire: Bus, wrong: bool) -> None:
    """8.6.4: the host found the data damaged and keeps silent; the device sends the same again."""
    for tag in range(1, 5):
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, 512, read10(tag, 1)))
        attempts(wire, int(wrong), in_data(wire, BLOCK))
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        wire.bulk_in(STICK, BULK_IN, csw(tag))


@case("three-attempts-failed", "fault")
def _(wire: Bus, wrong: bool) -> None:
    """10.2.6: three in a row; with two the third may do."""
    command(wire, 1, read10(1, 1), BLOCK)
    wire.bulk_out(STICK, BULK_OUT, cbw(2, 512, read10(2, 1)))
    attempts(wire, 3 if wrong else 2)
    if not wrong:
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        wire.bulk_in(STICK, BULK_IN, csw(2))
    wire.wait(3_000_000_000)


@case("data-toggle-wrong", "risk")
def _(wire: Bus, wrong: bool) -> None:
    """9.4.5: after a cleared halt data begins with DATA0."""
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(1, 1)))
    wire.stall(STICK, BULK_IN, True)
    wire.control(STICK, clear_halt(0x80 | BULK_IN))
    wire.pipe(STICK, BULK_IN, True).toggle = DATA1 if wrong else DATA0
    wire.bulk_in(STICK, BULK_IN, csw(1, 512, 1))
    command(wire, 2, read10(1, 1), BLOCK)


@case("data-repeated", "risk")
def _(wire: Bus, wrong: bool) -> None:
    """8.6.4: the same contents under the same toggle are discarded; under the next toggle they are new data."""
    for tag in range(1, 5):
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, 1024, read10(tag, 2)))
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        if wrong:
            wire.go(IN, STICK, BULK_IN, data(wire.pipe(STICK, BULK_IN, True).toggle ^ DATA0 ^ DATA1, BLOCK), ACK)
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        wire.bulk_in(STICK, BULK_IN, csw(tag))


@case("out-packets-corrupted", "risk", "full")
def _(wire: Bus, wrong: bool) -> None:
    """8.5.2: what NAK refused comes again unchanged."""
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, write10(1, 1)))
    toggle = wire.pipe(STICK, BULK_OUT, False).toggle
    wire.go(OUT, STICK, BULK_OUT, data(toggle, (OTHER if wrong else BLOCK)[:64]), NAK)
    wire.bulk_out(STICK, BULK_OUT, BLOCK)
    wire.bulk_in(STICK, BULK_IN, csw(1))
    command(wire, 2, read10(1, 1), BLOCK)


@case("packet-too-long", "fault", "full", ready=False)
def _(wire: Bus, wrong: bool) -> None:
    """8.7.4: 18 bytes where 8 were asked for, whenever it is asked."""
    ask = GET_DEVICE[:6] + b"\x08\0"
    for _ in range(4):
        if wrong:
            wire.go(SETUP, 0, 0, data(DATA0, ask), ACK)
            wire.transaction(IN, 0, 0, data(DATA1, Identity().device()))
        else:
            wire.control(0, ask, Identity().device())
        wire.wait(20_000_000)


@case("packets-damaged", "risk")
def _(wire: Bus, wrong: bool) -> None:
    """8.3.5.2, 8.7.1: the host does not answer, and the device sends the data again."""
    for tag in range(1, 12):
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, 512, read10(tag, 1)))
        if wrong:
            attempts(wire, 1, in_data(wire, BLOCK)[:-1] + b"\0")
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        wire.bulk_in(STICK, BULK_IN, csw(tag))


@case("nak-storm", "note")
def _(wire: Bus, wrong: bool) -> None:
    """5.8: NAK for as long as the device likes; here for 60 ms."""
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(1, 1)))
    for _ in range(2_000 if wrong else 200):
        wire.nak(STICK, BULK_IN, 1)
        wire.wait(30_000)
    wire.bulk_in(STICK, BULK_IN, BLOCK)
    wire.bulk_in(STICK, BULK_IN, csw(1))


@case("bus-asleep", "note")
def _(wire: Bus, wrong: bool) -> None:
    """7.1.7.6: 3 ms without a packet; frames go on in the near miss."""
    command(wire, 1, read10(1, 1), BLOCK)
    (wire.silent if wrong else wire.wait)(40_000_000)
    wire.wait(20_000_000)
    command(wire, 2, read10(2, 1), BLOCK)


@case("frames-missing", "note", "full")
def _(wire: Bus, wrong: bool) -> None:
    """8.4.3: numbers count up by one."""
    command(wire, 1, read10(1, 1), BLOCK)
    wire.wait(5_000_000)
    wire._frame += 2 if wrong else 0
    wire.wait(5_000_000)


@case("answer-too-late", "risk", "full")
def _(wire: Bus, wrong: bool) -> None:
    """7.1.19.1: 18 bit times at most; an answer after 20 comes too late, one after 16 does not."""
    for tag in range(1, 4):
        command(wire, tag, read10(tag, 1), BLOCK)
    wire.bulk_out(STICK, BULK_OUT, cbw(9, 512, read10(9, 1)))
    wire._between()
    wire.send(token(IN, STICK, BULK_IN))
    wire.now_ns += (20 if wrong else 12) * BIT_NS["full"]
    wire.send(bytes((NAK,)))
    wire.bulk_in(STICK, BULK_IN, BLOCK)
    wire.bulk_in(STICK, BULK_IN, csw(9))


@case("answers-at-old-address", "risk")
def _(wire: Bus, wrong: bool) -> None:
    """9.4.6: from the end of SET_ADDRESS until a reset a device answers at its new address alone."""
    command(wire, 1, read10(1, 1), BLOCK)
    if not wrong:
        wire.silent(15_000_000)
        wire.wait(15_000_000)
    wire.control(0, GET_DEVICE, Identity().device())
    wire.wait(15_000_000)


@pytest.mark.parametrize("wrong", [True, False], ids=["trace", "near miss"])
@pytest.mark.parametrize("which", CASES, ids=lambda case: case.slug)
def test_pattern(which: WireCase, wrong: bool) -> None:
    check(which, wrong)


@pytest.mark.parametrize("which", CASES, ids=lambda case: case.slug)
def test_near_miss_is_healthy(which: WireCase) -> None:
    """Nothing that is in order draws a risk of this layer."""
    told = [finding for finding in diagnosed(which.trace(False)).findings if finding.layer == "wire"]
    assert all(finding.severity == "note" for finding in told), [(f.slug, f.text) for f in told]


def text_of(recording: bytes, slug: str) -> str:
    return next(finding.text for finding in diagnosed(recording).findings if finding.slug == slug)


def damaged(inward: bool, sizes: tuple[int, ...], speed: str = "high") -> bytes:
    """Damaged data in one direction, each sent again."""
    wire = Bus(speed)
    enumerate_stick(wire)
    for tag, size in enumerate(sizes * 10, 1):
        payload, cdb = BLOCK[:size], read10(tag, 1) if inward else write10(tag, 1)
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, size, cdb, inward))
        toggle = wire.pipe(STICK, BULK_IN if inward else BULK_OUT, inward).toggle
        attempts(wire, 1, data(toggle, payload)[:-2] + b"\1\2", pid=IN if inward else OUT)
        (wire.bulk_in if inward else wire.bulk_out)(STICK, BULK_IN if inward else BULK_OUT, payload)
        wire.bulk_in(STICK, BULK_IN, csw(tag))
    return wire.pcap()


@pytest.mark.parametrize(
    ("inward", "sizes", "said", "unsaid"),
    [
        (True, (512,), ["all from the device to the host", "all of 515 bytes"], []),
        (False, (512,), ["all from the host to the device", "all of 515 bytes"], []),
        (True, (512, 256), ["all from the device to the host", "none shorter than 259 bytes"], ["all of"]),
        (True, (512, 16), ["all from the device to the host"], ["all of", "none shorter"]),
    ],
)
def test_damage_is_told_by_what_it_has_in_common(
    inward: bool, sizes: tuple[int, ...], said: list[str], unsaid: list[str]
) -> None:
    """One direction, one length (common practice)."""
    text = text_of(damaged(inward, sizes), "packets-damaged")
    assert all(words in text for words in said) and not any(words in text for words in unsaid), text


def test_damage_of_the_recording_alone_blames_nobody() -> None:
    """What was acknowledged was right on the wire (8.7.1)."""
    wire = Bus("high")
    enumerate_stick(wire)
    for tag in range(1, 12):
        command(wire, tag, read10(tag, 1), BLOCK)
    for number, (_, packet) in enumerate(wire.packets, 1):
        if packet[1:-2] == BLOCK:
            wire.change(number, lambda packet: packet[:-1] + bytes((packet[-1] ^ 1,)))
    diagnosis = diagnosed(wire.pcap())
    assert found(diagnosis)["packets-damaged"] == "note"
    assert "damaged in the recording alone" in text_of(wire.pcap(), "packets-damaged")
    assert not diagnosis.faults


def test_damage_on_one_cable_of_two() -> None:
    """Two sticks on one bus, one of them with a bad cable: the finding names that one."""
    wire = Bus("high")
    enumerate_stick(wire, 2)
    enumerate_stick(wire, 5)
    for tag in range(1, 12):
        command(wire, tag, read10(tag, 1), BLOCK, address=5)
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, 512, read10(tag, 1)))
        attempts(wire, 1, in_data(wire, BLOCK)[:-1] + b"\0")
        wire.bulk_in(STICK, BULK_IN, BLOCK)
        wire.bulk_in(STICK, BULK_IN, csw(tag))
    (finding,) = [f for f in diagnosed(wire.pcap()).findings if f.slug == "packets-damaged"]
    assert finding.stick is not None and finding.stick.address == STICK
    assert len(finding.exchanges) == 11


def test_a_bus_that_sleeps_under_a_transfer_is_a_risk() -> None:
    wire = Bus("high")
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(1, 1)))
    wire.nak(STICK, BULK_IN, 3)
    wire.silent(20_000_000)
    wire.wait(20_000_000)
    wire.bulk_in(STICK, BULK_IN, BLOCK)
    wire.bulk_in(STICK, BULK_IN, csw(1))
    diagnosis = diagnosed(wire.pcap())
    assert found(diagnosis)["bus-asleep"] == "risk"
    assert "inferred" in text_of(wire.pcap(), "bus-asleep")


def test_a_coarse_clock_accuses_nobody_of_being_late() -> None:
    """Microseconds cannot tell 18 bit times of full speed, 1.5 us, from fewer."""
    wire = Bus("full")
    enumerate_stick(wire)
    for tag in range(1, 4):
        command(wire, tag, read10(tag, 1), BLOCK)
    wire.packets = [(time_ns // 10_000 * 10_000, packet) for time_ns, packet in wire.packets]
    assert "answer-too-late" not in found(diagnosed(wire.pcap()))


def test_a_wrong_clock_accuses_nobody_either() -> None:
    """Where most answers come too late and everything works, it is the clock."""
    wire = Bus("full")
    enumerate_stick(wire)
    for tag in range(1, 4):
        command(wire, tag, read10(tag, 1), BLOCK)
    wire.packets = [
        (wire.packets[0][0] + 3 * (time_ns - wire.packets[0][0]), packet) for time_ns, packet in wire.packets
    ]
    assert "answer-too-late" not in found(diagnosed(wire.pcap()))


def test_stamps_of_last_bits_accuse_nobody_either() -> None:
    """A recorder may stamp a packet when it is over."""
    wire = Bus("full")
    enumerate_stick(wire)
    for tag in range(1, 4):
        command(wire, tag, read10(tag, 1), BLOCK)
    wire.packets = [(time_ns + (8 * len(packet) + 11) * BIT_NS["full"], packet) for time_ns, packet in wire.packets]
    assert "answer-too-late" not in found(diagnosed(wire.pcap()))


def test_evidence_and_exchanges() -> None:
    """A finding names the exchange in which it was seen, and packets by their records."""
    (one,) = [which for which in CASES if which.slug == "token-not-answered"]
    (finding,) = [f for f in diagnosed(one.trace(True)).findings if f.slug == one.slug]
    assert finding.exchanges == (1, 2, 3, 4)
    assert len(finding.records) == 8


def started(speed: str = "full") -> Bus:
    """A device that was reset and may be spoken to (7.1.7.5)."""
    wire = Bus(speed)
    wire.wait(5_000_000)
    wire.silent(50_000_000)
    wire.wait(15_000_000)
    return wire


def first_said(wire: Bus) -> str:
    """What a person is told first of."""
    main = diagnosed(wire.pcap()).answer.main
    return main.slug if main is not None else ""


def test_a_host_that_asks_once() -> None:
    """A controller tries three times (10.2.6); this one tried once and said no more."""
    wire = started()
    wire.transaction(SETUP, 0, 0, data(DATA0, GET_DEVICE))
    wire.wait(5_000_000_000)
    assert first_said(wire) == "host-never-retried"


def test_no_answer_at_address_0() -> None:
    wire = started()
    for _ in range(3):
        for _ in range(3):
            wire.transaction(SETUP, 0, 0, data(DATA0, GET_DEVICE))
        wire.wait(100_000_000)
    assert first_said(wire) == "first-descriptor-no-answer"


def test_a_packet_too_long_is_an_answer() -> None:
    """18 bytes where 8 were asked for: the device did answer (8.7.4)."""
    wire = started()
    for _ in range(3):
        wire.go(SETUP, 0, 0, data(DATA0, GET_DEVICE[:6] + b"\x08\0"), ACK)
        wire.transaction(IN, 0, 0, data(DATA1, Identity().device()))
        wire.wait(100_000_000)
    slugs = found(diagnosed(wire.pcap()))
    assert slugs["packet-too-long"] == "fault" and "first-descriptor-no-answer" not in slugs


def test_a_stall_that_stays() -> None:
    """Cleared, and STALL again, and the host gives up."""
    wire = Bus("high")
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 36, read10(0, 1)))
    for _ in range(2):
        wire.stall(STICK, BULK_IN, True)
        wire.control(STICK, clear_halt(0x80 | BULK_IN))
    wire.stall(STICK, BULK_IN, True)
    wire.wait(3_000_000_000)
    assert found(diagnosed(wire.pcap()))["stall-persists"] == "fault"


def test_three_attempts_tell_whose_silence_it_was() -> None:
    """8.6.4: data that the host does not take; or a device from which nothing comes."""
    for packets, words in (((), "nobody answered"), ((data(DATA1, OTHER),), "the host did not acknowledge")):
        wire = Bus("high")
        enumerate_stick(wire)
        command(wire, 1, b"\0" * 6)
        wire.bulk_out(STICK, BULK_OUT, cbw(2, 512, read10(1, 1)))
        attempts(wire, 3, *packets)
        wire.wait(3_000_000_000)
        assert words in text_of(wire.pcap(), "three-attempts-failed")
