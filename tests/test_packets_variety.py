"""Recordings as probes in the field make them: some packets left out, coarse clocks, several devices, a late start.

What the recorder leaves out is nobody's fault: all commands are read, and nothing above a note is said. The captures
are made here from the standard; what recorders leave out is common practice.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from diagnosis_lab import diagnosed
from probe import command, enumerate_stick, read10, transfers_of, write10
from workshop.bus import ACK, DATA0, DATA1, IN, NAK, NYET, PING, SOF, STALL, Bus

DATA = bytes(n * 7 + n // 256 * 11 & 0xFF for n in range(4096))
HANDSHAKES = {ACK, NAK, STALL, NYET}
COMMANDS = 8


def session(speed: str) -> Bus:
    """Bring-up, reads and writes, each answered NAK a few times."""
    wire = Bus(speed, naks=4)
    enumerate_stick(wire)
    for tag in range(COMMANDS // 2):
        command(wire, tag, read10(tag * 8, 8), DATA)
        command(wire, tag + 100, write10(tag * 8, 1), DATA[:512], inward=False)
        wire.wait(2_000_000)
    return wire


def without(wire: Bus, *kinds: int) -> None:
    wire.packets = [packet for packet in wire.packets if packet[1][0] not in kinds]


def no_nak_transactions(wire: Bus) -> None:
    """Some probes drop a token with its NAK by themselves."""
    kept: list[tuple[int, bytes]] = []
    for packet in wire.packets:
        if packet[1][0] == NAK and kept[-1][1][0] in (IN, PING):
            kept.pop()
        else:
            kept.append(packet)
    wire.packets = kept


def clock(step_ns: int) -> Callable[[Bus], None]:
    def coarse(wire: Bus) -> None:
        wire.packets = [(time_ns // step_ns * step_ns, packet) for time_ns, packet in wire.packets]

    return coarse


def no_clock(wire: Bus) -> None:
    wire.packets = [(0, packet) for _, packet in wire.packets]


def cut(wire: Bus) -> None:
    wire.snap_length = 48


HABITS: dict[str, Callable[[Bus], None]] = {
    "all": lambda wire: None,
    "no frames": lambda wire: without(wire, SOF),
    "no NAK": lambda wire: without(wire, NAK),
    "no ACK": lambda wire: without(wire, ACK),
    "no handshakes": lambda wire: without(wire, *HANDSHAKES),
    "no NAK transactions, no frames": lambda wire: (no_nak_transactions(wire), without(wire, SOF))[1],
    "milliseconds": clock(1_000_000), "microseconds": clock(1_000), "no clock": no_clock, "first 48 bytes": cut,
}  # fmt: skip


@pytest.mark.parametrize("link_type", [None, 288], ids=["speed told", "speed not told"])
@pytest.mark.parametrize("speed", ["high", "full"])
@pytest.mark.parametrize("habit", HABITS)
def test_every_command_is_read_and_nobody_blamed(habit: str, speed: str, link_type: int | None) -> None:
    wire = session(speed)
    HABITS[habit](wire)
    diagnosis = diagnosed(wire.pcap(link_type=link_type))
    (report,) = diagnosis.reports
    assert (report.stick.exchanges, report.stick.failures) == (COMMANDS, 0)
    assert report.stick.speed in (speed, "" if link_type else speed)
    assert all(finding.severity == "note" for finding in diagnosis.findings), [f.text for f in diagnosis.findings]


@pytest.mark.parametrize("speed", ["high", "full"])
@pytest.mark.parametrize("share", [0.2, 0.45, 0.7])
def test_a_start_in_the_middle(speed: str, share: float) -> None:
    """Of what began before, nothing is held against anybody."""
    wire = session(speed)
    del wire.packets[: int(len(wire.packets) * share)]
    diagnosis = diagnosed(wire.pcap())
    (report,) = diagnosis.reports
    assert report.stick.exchanges >= int((1 - share) * COMMANDS) - 1
    assert report.stick.failures == 0
    assert all(finding.severity == "note" for finding in diagnosis.findings), [f.text for f in diagnosis.findings]


@pytest.mark.parametrize(
    ("left", "said"),
    [
        ({*HANDSHAKES, DATA0, DATA1}, "packets of data and handshakes, but no token"),
        ({DATA0, DATA1}, "packets of data and handshakes, but no token"),
    ],
)
def test_without_tokens_nobody_knows_whose_data_it_is(left: set[int], said: str) -> None:
    """A probe on one direction: tokens go the other way."""
    wire = session("high")
    wire.packets = [packet for packet in wire.packets if packet[1][0] in left]
    assert said in diagnosed(wire.pcap()).verdict


def test_without_data_packets_it_says_so() -> None:
    wire = session("high")
    without(wire, DATA0, DATA1)
    assert "but no data packet" in diagnosed(wire.pcap()).verdict


@pytest.mark.parametrize("speed", ["high", "full"])
def test_bursts_that_the_recorder_lost(speed: str) -> None:
    """One packet in a hundred, and ten in a row: what then does not fit together is no fault."""
    for keep in (lambda n: random.Random(n).random() > 0.01, lambda n: n % 100 < 90):
        wire = session(speed)
        wire.packets = [packet for n, packet in enumerate(wire.packets) if keep(n)]
        diagnosis = diagnosed(wire.pcap())
        assert not diagnosis.faults, [finding.text for finding in diagnosis.faults]


def test_what_is_left_out_is_said() -> None:
    """Among what is taken for granted."""
    wire = session("high")
    without(wire, *HANDSHAKES)
    _, reader = transfers_of(wire.pcap())
    assert [sentence.partition(":")[0] for sentence in reader.assumed] == [
        "the packets of bus 0 hold no ACK", "the packets of bus 0 hold no NAK",
    ]  # fmt: skip
    _, reader = transfers_of(session("high").pcap())
    assert not reader.assumed


def test_two_sticks_and_a_late_one() -> None:
    """A second stick comes to address 0 without a reset on this bus segment: a note, as the first goes on."""
    wire = session("high")
    enumerate_stick(wire, 5)
    for tag in range(4):
        command(wire, tag, read10(tag, 1), DATA[:512], address=5)
        command(wire, tag + 50, read10(tag + 900, 1), DATA[:512])
    diagnosis = diagnosed(wire.pcap())
    assert sorted(report.stick.exchanges for report in diagnosis.reports) == [4, COMMANDS + 4]
    told = {finding.slug: finding.severity for finding in diagnosis.findings if finding.layer == "wire"}
    assert told == {"answers-at-old-address": "note"}
