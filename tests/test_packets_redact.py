"""A redacted recording of packets tells the same story, and no packet of it holds anything private."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import sticktrace
from conftest import ROOT
from probe import BULK_IN, STICK, command, enumerate_stick, read10, write10
from sticktrace.capture.packets import RENDERED
from sticktrace.capture.packets.reader import PacketReader
from sticktrace.output.packet_file import write
from sticktrace.redaction.copying import Keep, redact
from workshop import wire as commands
from workshop.bus import ACK, DATA0, DATA1, IN, OUT, Bus, data
from workshop.identity import Identity

KEY = bytes(range(32))
PRIVATE = b"TIDEPIER levels at the quay"
BLOCK = (PRIVATE * 20)[:512]


def recording(speed: str) -> Bus:
    """Data that goes over at once, after NAK, after damage, twice, and without an answer; a product string."""
    wire = Bus(speed, naks=1)
    enumerate_stick(wire)
    string = bytes((2 + 2 * 11, 3)) + "Tide Logger".encode("utf-16-le")
    wire.control(STICK, bytes.fromhex("8006020309040001"), string)
    command(wire, 1, commands.inquiry(), b"\0\x80\x04\x02\x1f\0\0\0SKERRY  TIDE LOGGER     2.31")
    command(wire, 2, read10(0, 8), BLOCK * 8)
    command(wire, 3, write10(0, 4), BLOCK * 4, inward=False)
    size = wire.pipe(STICK, BULK_IN, True).size
    pipe = wire.pipe(STICK, BULK_IN, True)
    wire.transaction(IN, STICK, BULK_IN, data(pipe.toggle, BLOCK[:size])[:-1] + b"\0")
    command(wire, 4, read10(9, 1), BLOCK)
    wire.transaction(IN, STICK, BULK_IN, data(pipe.toggle ^ DATA0 ^ DATA1, late_status()), bytes((ACK,)))
    wire.transaction(OUT, 9, 2, data(DATA0, BLOCK[:size]))
    return wire


def late_status() -> bytes:
    """The CSW of command 4 once more."""
    return b"USBS" + (4).to_bytes(4, "little") + bytes(5)


def story(path: Path) -> tuple[list[Any], Any]:
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        items = [
            (type(item).__name__, item.records, getattr(item, "status", ""), getattr(item, "cdb", b""),
             getattr(item, "moved", -1), getattr(item, "wire", None))
            for item in reading
        ]  # fmt: skip
        reader = reading.reader
        assert isinstance(reader, PacketReader)
        return items, (reading.places(), reader.wire_events.counts)


@pytest.mark.parametrize("speed", ["high", "full"])
def test_same_story_and_nothing_private(speed: str, tmp_path: Path) -> None:
    before, after = tmp_path / "before.pcap", tmp_path / "after.pcap"
    wire = recording(speed)
    before.write_bytes(wire.pcap())
    with sticktrace.open(before) as capture:
        report = redact(capture, after, key=KEY)
    assert report.counts["packets whose data counted for nothing"] > 0
    text = after.read_bytes()
    for private in (PRIVATE[:8], b"levels", b"quay", b"SKERRY", "Tide".encode("utf-16-le")):
        assert private in before.read_bytes()
        assert private not in text
    assert story(after) == story(before)


@pytest.mark.parametrize("speed", ["high", "full"])
def test_what_is_kept_stays_and_a_repeat_of_the_rest_goes(speed: str, tmp_path: Path) -> None:
    before, after = tmp_path / "before.pcap", tmp_path / "after.pcap"
    before.write_bytes(recording(speed).pcap())
    with sticktrace.open(before) as capture:
        redact(capture, after, Keep(contents=True), key=KEY)
    text = after.read_bytes()
    assert text.count(PRIVATE[:8]) == before.read_bytes().count(PRIVATE[:8])
    assert "Tide".encode("utf-16-le") not in text
    assert story(after)[1] == story(before)[1]


def test_that_packets_were_rendered_is_still_said(tmp_path: Path) -> None:
    source = ROOT / "traces" / "demo" / "healthy-boot.pcap"
    packets, after = tmp_path / "packets.pcapng", tmp_path / "redacted.pcapng"
    with sticktrace.open(source) as capture, packets.open("wb") as out:
        write(capture.reading(), out, "high")
    with sticktrace.open(packets) as capture:
        redact(capture, after, key=KEY)
    assert b"SKERRY" not in after.read_bytes()
    with sticktrace.open(after) as capture:
        assert RENDERED in capture.skim().assumed


def test_nothing_to_replace_leaves_every_byte(tmp_path: Path) -> None:
    """Setup packets, descriptors without strings, tokens and handshakes stay as they are."""
    before, after = tmp_path / "before.pcap", tmp_path / "after.pcap"
    wire = Bus("full")
    wire.control(0, bytes.fromhex("8006000100001200"), Identity().device())
    wire.control(0, bytes.fromhex("8006000100001200"), stalls=True)
    before.write_bytes(wire.pcap())
    with sticktrace.open(before) as capture:
        redact(capture, after, key=KEY)
    assert after.read_bytes() == before.read_bytes()
