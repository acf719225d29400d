"""What packets add is told wherever a command is: listing, account, timing, JSON, screen. Clauses are those of USB
2.0."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from probe import BULK_IN, BULK_OUT, STICK, cbw, command, csw, enumerate_stick, read10, write10
from sticktrace.capture.wire import Moved, Wire, together
from sticktrace.cli.main import cli
from sticktrace_tui.model import Model
from sticktrace_tui.strips import strips_of
from sticktrace_tui.timing_page import build
from workshop.bus import ACK, DATA0, DATA1, IN, Bus, data

BLOCK = bytes(n & 0xFF for n in range(512))


def recording(tmp_path: Path, speed: str = "high", naks: int = 20, blocks: int = 8) -> Path:
    """A read of 4 KiB and a write of one block."""
    wire = Bus(speed, naks=naks)
    enumerate_stick(wire)
    command(wire, 1, read10(8, blocks), BLOCK * blocks)
    command(wire, 2, write10(3, 1), BLOCK, inward=False)
    path = tmp_path / "probe.pcap"
    path.write_bytes(wire.pcap())
    return path


def said(*words: str) -> str:
    run = CliRunner().invoke(cli, list(words))
    assert run.exit_code == 0, run.output
    return run.stdout


@pytest.mark.parametrize(("speed", "packets"), [("high", 8), ("full", 64)])
def test_exchanges_tells_naks_packets_a_frame_and_toggles(speed: str, packets: int, tmp_path: Path) -> None:
    """4,096 bytes are 8 packets of 512, or 64 of 64 (5.8.3); toggles go on from one command to the next (8.6)."""
    read, write = said("exchanges", str(recording(tmp_path, speed))).splitlines()[1:]
    assert "NAK 40 times in " in read and f"{packets} data packets at " in read and " a frame" in read
    assert read.endswith("toggles 0 0-1 0")
    assert "NAK 40 times in " in write and "toggles 1 0" in write


def test_explain_accounts_for_the_packets(tmp_path: Path) -> None:
    """30 packets: token, data and handshake of one CBW, eight data packets and one CSW."""
    text = said("explain", str(recording(tmp_path)), "1")
    assert "30 packets that count" in text
    assert "NAK 40 times, " in text
    assert "endpoint 1 IN: 8 data packets in " in text and ", DATA0 to DATA1" in text
    assert "between packets: " in text


def test_json_has_the_same(tmp_path: Path) -> None:
    lines = [json.loads(line) for line in said("export", "--as", "jsonl", str(recording(tmp_path))).splitlines()]
    wire = next(line for line in lines if line["kind"] == "exchange")["wire"]
    assert (wire["packets"], wire["naks"], wire["retries"], wire["repeats"], wire["unseen"]) == (30, 40, 0, 0, 0)
    assert [(d["endpoint"], d["packets"], d["first"], d["last"]) for d in wire["data"]] == [
        (0x02, 1, "DATA0", "DATA0"), (0x81, 8, "DATA0", "DATA1"), (0x81, 1, "DATA0", "DATA0"),
    ]  # fmt: skip
    assert all(line["wire"]["packets"] for line in lines if line["kind"] == "request")


def timed(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(said("timing", "--json", str(path)))["devices"][0]["wire"]
    return found


def test_timing_divides_the_time_of_commands(tmp_path: Path) -> None:
    """Waiting, packets and what is between them are the whole of it; a packet of 512 bytes takes (512 + 3) x 8 bits,
    32 of SYNC and 8 of EOP (7.1.10, 7.1.13.2) at 480 Mb/s."""
    found = timed(recording(tmp_path))
    assert found["nak_ns"] + found["bus_ns"] + found["between_ns"] == found["whole_ns"]
    bits = 9 * (515 * 8 + 40) + 2 * (34 * 8 + 40) + 2 * (16 * 8 + 40) + 13 * (3 * 8 + 40) + 13 * (8 + 40)
    assert found["bus_ns"] == pytest.approx(bits / 0.48, rel=0.001)
    assert (found["commands"], found["naks"], found["packets"]) == (2, 80, 39)
    text = said("timing", str(recording(tmp_path)))
    assert "On the wire" in text and "80 answers" in text and "data packets a frame" in text


def test_timing_without_naks_and_with_many(tmp_path: Path) -> None:
    """What is waited for is lost to NAK, not to what lies between packets."""
    few, many = timed(recording(tmp_path, naks=0)), timed(recording(tmp_path, naks=400))
    assert few["nak_ns"] == 0 and many["nak_ns"] > 10 * many["between_ns"]
    assert few["bus_ns"] == many["bus_ns"]


def test_no_speed_no_bus_time(tmp_path: Path) -> None:
    """Link type 288 without frames, PING or a packet of more than 64 bytes: how fast the bus is, nothing tells."""
    wire = Bus("", frames=False)
    enumerate_stick(wire, size=64)
    command(wire, 1, read10(8, 1), BLOCK)
    path = tmp_path / "probe.pcap"
    path.write_bytes(wire.pcap())
    found = timed(path)
    assert found["bus_ns"] is found["between_ns"] is found["packets_a_frame"] is None
    assert found["nak_ns"] > 0


def test_a_longer_packet_that_was_acknowledged_tells_high_speed(tmp_path: Path) -> None:
    """More than 64 bytes and an ACK: no bulk, control or interrupt packet is so long at full speed (5.8.3)."""
    wire = Bus("high", frames=False)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 512, read10(0, 1)))
    wire.bulk_in(STICK, BULK_IN, BLOCK)
    wire.bulk_in(STICK, BULK_IN, csw(1))
    path = tmp_path / "probe.pcap"
    path.write_bytes(wire.pcap(link_type=288))
    assert "the speed, high, is deduced from the packets" in CliRunner().invoke(cli, ["check", str(path)]).output


def test_attempts_and_repeats_are_told(tmp_path: Path) -> None:
    """A data packet that the host did not hear right, and one that the device sent once more (8.6.4)."""
    wire = Bus("high")
    enumerate_stick(wire)
    wire.bulk_out(STICK, BULK_OUT, cbw(1, 1024, read10(0, 2)))
    wire.transaction(IN, STICK, BULK_IN, data(DATA0, BLOCK))
    wire.go(IN, STICK, BULK_IN, data(DATA0, BLOCK), ACK)
    wire.go(IN, STICK, BULK_IN, data(DATA0, BLOCK), ACK)
    wire.go(IN, STICK, BULK_IN, data(DATA1, BLOCK[::-1]), ACK)
    wire.pipe(STICK, BULK_IN, True).toggle = DATA0
    wire.bulk_in(STICK, BULK_IN, csw(1))
    path = tmp_path / "probe.pcap"
    path.write_bytes(wire.pcap())
    line = said("exchanges", str(path)).splitlines()[1]
    assert "tried again 1 time" in line and "1 repeat discarded" in line
    assert "tried again 1 time" in said("explain", str(path), "1")
    assert (timed(path)["retries"], timed(path)["repeats"]) == (1, 1)


def test_the_screen_tells_it_too(tmp_path: Path) -> None:
    model = Model(recording(tmp_path))
    model.run()
    strips = strips_of(model, 0)
    assert any("30 packets that count" in text for text, _ in strips[2].says)
    lines = ["".join(text for text, _ in entry.line) for entry in build(model, 100)]
    assert any(line.startswith("On the wire") for line in lines)
    model.close()


def test_a_table_gives_back_what_it_took(tmp_path: Path) -> None:
    """In columns, also where some rows have none (a recording of a host beside one of packets)."""
    import sticktrace
    from sticktrace.storage.table import ExchangeTable

    with sticktrace.open(recording(tmp_path)) as capture:
        first, second = capture.exchanges()[:]
    first.wire = None
    table = ExchangeTable()
    for exchange in (first, second, first):
        table.append(exchange)
    assert [table[row].wire for row in range(3)] == [None, second.wire, None]
    assert second.wire is not None and isinstance(second.wire.short, bool)


def test_together_adds_up() -> None:
    one = Wire(3, naks=2, nak_ns=10, bus_ns=5, moved=(Moved(0x81, 2, 1, DATA0, DATA1),))
    other = Wire(4, retries=1, short=True, bus_ns=6, moved=(Moved(0x02, 1, 1, DATA1, DATA1),))
    both = together(one, other)
    assert both == Wire(7, 2, 10, 1, 0, 0, True, 11, one.moved + other.moved)
    assert both is not None and both.densest == one.moved[0]
    assert together(None, other) == together(other, None) == other
