"""Timing: the bandwidth tables of USB 2.0 in full, phases and percentiles of traffic of known times, reasons."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sticktrace
from conftest import ROOT, capture_names, capture_path, truth_of
from sticktrace.cli.main import cli
from sticktrace.output.timing_text import bar, rate_in_words, timing_text
from sticktrace.storage.commands import name as name_of
from sticktrace.timing.ceiling import ceiling, table
from sticktrace.timing.flow import Flow, reasons
from sticktrace.timing.measure import Timing, time_of
from sticktrace.timing.spreads import SLOTS, Course, Spread
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire
from workshop.identity import BULK_ONLY_FULL_SPEED, FULL

# USB 2.0 Table 5-9: payload, transactions in a frame, bytes per second. 19 x 64 is also given by vendors' pages.
FULL_SPEED = [
    (1, 107, 107_000), (2, 100, 200_000), (4, 88, 352_000), (8, 71, 568_000), (16, 51, 816_000), (32, 33, 1_056_000),
    (64, 19, 1_216_000),
]  # fmt: skip

# USB 2.0 Table 5-10: payload, transactions in a microframe, bytes per second.
HIGH_SPEED = [
    (1, 133, 1_064_000), (2, 131, 2_096_000), (4, 127, 4_064_000), (8, 119, 7_616_000), (16, 105, 13_440_000),
    (32, 86, 22_016_000), (64, 63, 32_256_000), (128, 40, 40_960_000), (256, 24, 49_152_000), (512, 13, 53_248_000),
]  # fmt: skip


@pytest.mark.parametrize(("speed", "rows"), [("full", FULL_SPEED), ("high", HIGH_SPEED)])
def test_bandwidth_tables_in_full(speed: str, rows: list[tuple[int, int, int]]) -> None:
    """USB 2.0 Tables 5-9 and 5-10, every row."""
    assert [(row.payload, row.packets, row.bytes_per_second) for row in table(speed)] == rows


def test_no_ceiling_where_no_table_says_one() -> None:
    """Low speed has no bulk endpoints (USB 2.0 5.8); SuperSpeed and oversized packets are in no table."""
    assert ceiling("low", 8) is None
    assert ceiling("super", 1024) is None
    assert ceiling("full", 512) is None
    assert ceiling("", 64) is None
    assert ceiling("high", 0) is None


def test_one_packet_per_frame_is_64_kilobytes() -> None:
    """A full-speed host that moves one packet of 64 bytes in a frame of 1 ms gets 64,000 bytes/s (arithmetic)."""
    top = ceiling("full", 64)
    assert top is not None
    assert top.one_a_frame == 64_000


def test_percentiles_by_nearest_rank() -> None:
    """The textbook example of nearest rank: of 15, 20, 35, 40, 50 the 50th percentile is 35."""
    spread = Spread()
    spread.values.extend([50, 15, 40, 20, 35])
    assert spread.facts() == {"count": 5, "p50": 35, "p90": 50, "p99": 50, "max": 50, "sum": 160}
    assert Spread().facts() is None


def test_a_damaged_clock_is_no_overflow() -> None:
    """Times beyond 64 bits, or that go back, are kept within bounds."""
    spread = Spread()
    spread.add(0, 1 << 80)
    spread.add(1 << 80, 0)
    facts = spread.facts()
    assert facts is not None
    assert (facts["count"], facts["max"], facts["p50"]) == (2, 1 << 62, 0)


def timing_of(recorder: Recorder, tmp_path: Path) -> Timing:
    path = tmp_path / "made.pcap"
    path.write_bytes(recorder.pcap())
    with sticktrace.open(path) as capture:
        return time_of(capture.reading())


class Exact(Recorder):
    """A recorder without jitter, so that times are known."""

    def about(self, ns: int) -> int:
        return ns


def bench(speed: str = "high") -> Host:
    identity = Identity() if speed == "high" else Identity(speed=FULL, alternates=(BULK_ONLY_FULL_SPEED,))
    host = Host(Exact(), Stick(identity, [Unit(Medium(65_536))]))
    host.enumerate()
    return host


def test_phases_are_what_the_host_took(tmp_path: Path) -> None:
    """A read with every time scripted: command 1 ms, data 3 ms, status 2 ms, then 40 ms until the next command."""
    host = bench()
    for _ in range(2):
        host.bulk(host.bulk_out, 31, wire.cbw(host.tag, 512, 0x80, 0, wire.read10(0)), took_ns=1_000_000)
        host.bulk(host.bulk_in, 512, bytes(512), took_ns=2_980_000)
        host.bulk(host.bulk_in, 13, wire.csw(host.tag, 0, 0), took_ns=1_980_000)
        host.tag += 1
        host.recorder.wait(39_980_000)
    part = timing_of(host.recorder, tmp_path).parts[0]
    kind = part.kinds["READ(10)"]
    assert list(kind.spreads["data"].values) == [3_000_000, 3_000_000]
    assert list(kind.spreads["status"].values) == [2_000_000, 2_000_000]
    assert list(kind.spreads["gap"].values) == [40_000_000]
    assert list(kind.spreads["whole"].values) == [6_000_000, 6_000_000]
    flow = part.flows["in"]
    assert (flow.bytes, flow.command_ns, flow.data_ns, flow.status_ns, flow.gap_ns) == (
        1024, 2_000_000, 6_000_000, 4_000_000, 40_000_000,
    )  # fmt: skip
    assert flow.rate == 1024 * 1_000_000_000 // 52_000_000


def test_a_pause_is_no_gap_between_commands(tmp_path: Path) -> None:
    """Two seconds without a command count as a pause, and do not drag the throughput down."""
    host = bench()
    for lba in range(3):
        host.execute(wire.read10(lba))
        host.wait_ms(2000)
    part = timing_of(host.recorder, tmp_path).parts[0]
    assert part.pauses == 2
    assert part.flows["in"].gap_ns == 0
    assert max(part.kinds["READ(10)"].spreads["gap"].values) >= 2_000_000_000


def test_one_packet_per_frame_is_named(tmp_path: Path) -> None:
    """A full-speed data phase of 8 KiB in 128 ms is one packet in each frame."""
    host = bench("full")
    for lba in (0, 16):
        host.bulk(host.bulk_out, 31, wire.cbw(host.tag, 8192, 0x80, 0, wire.read10(lba, 16)), took_ns=900_000)
        host.bulk(host.bulk_in, 8192, bytes(8192), took_ns=128_000_000)
        host.bulk(host.bulk_in, 13, wire.csw(host.tag, 0, 0), took_ns=900_000)
        host.tag += 1
    part = timing_of(host.recorder, tmp_path).parts[0]
    assert part.ceiling is not None
    assert part.ceiling.bytes_per_second == 1_216_000
    assert reasons(part.flows["in"], part.ceiling)[0].startswith("one packet per frame")


@pytest.mark.parametrize(
    ("flow", "first"),
    [
        (Flow("in", 655_360, 10, 10, 65_536, 1_000, 20_000_000, 1_000, 400_000_000), "host gaps"),
        (Flow("out", 655_360, 10, 10, 65_536, 1_000, 20_000_000, 400_000_000, 1_000), "device time: "),
        (Flow("in", 655_360, 10, 10, 65_536, 1_000, 90_000_000, 1_000, 1_000), "device time in the data phase"),
        (Flow("in", 655_360, 10, 1280, 65_536, 1_000, 90_000_000, 1_000, 1_000), "data in small pieces"),
        (Flow("in", 5_120, 10, 10, 512, 2_000_000, 2_000_000, 1_000_000, 1_000_000), "small transfers"),
    ],
)
def test_reason_names_the_weightiest_phase(flow: Flow, first: str) -> None:
    """Each shape of a slow flow gets its own reason first."""
    assert reasons(flow, ceiling("high", 512))[0].startswith(first)


def test_no_reason_is_made_up_when_the_share_is_good() -> None:
    """At 60 percent of the ceiling nothing needs explaining; without a ceiling nothing can be said."""
    fast = Flow("in", 32_000_000, 500, 500, 65_536, 0, 1_000_000_000, 0, 0)
    assert reasons(fast, ceiling("high", 512)) == []
    assert reasons(Flow("in", 512, 1, 1, 512, 1, 1, 1, 1), None) == []


def test_course_keeps_every_byte_in_few_slots() -> None:
    """However long a capture, the slots stay few and their bytes add up."""
    course = Course()
    for number in range(5_000):
        course.add(number * 7_000_000, bool(number % 3), 512)
    rows = course.facts()
    assert len(rows) <= SLOTS
    assert sum(row["read"] + row["written"] for row in rows) == 5_000 * 512


@pytest.mark.parametrize("name", capture_names())
def test_counts_agree_with_truth(name: str) -> None:
    """Every recorded capture: commands per kind as the independent count has them; each duration is sane."""
    with sticktrace.open(capture_path(name)) as capture:
        timing = time_of(capture.reading())
    list(timing_text(timing))
    json.dumps(timing.facts())
    counted = truth_of(name)["independent_scan"].get("cbw")
    if counted is not None and not name.startswith("g17"):  # g17 holds command blocks that are no valid commands
        wanted = Counter[str]()
        for opcode, count in counted.items():
            wanted[name_of(bytes.fromhex(opcode).ljust(2, b"\x10"))] += count
        found = Counter[str]()
        for part in timing.parts:
            found.update({kind.name: kind.count for kind in part.kinds.values()})
        assert found == wanted
    for part in timing.parts:
        for kind in part.kinds.values():
            for spread in kind.spreads.values():
                assert not spread.values or int(np.min(spread.values)) >= 0


def test_steps_of_bring_up_come_in_order() -> None:
    """The demo trace of a healthy boot reaches every step, in the order of the standards."""
    with sticktrace.open(ROOT / "traces/demo/healthy-boot.pcap") as capture:
        timing = time_of(capture.reading())
    steps = timing.facts()["devices"][0]["stages"]
    assert [row["step"] for row in steps] == [
        "attach", "address", "descriptors", "configuration", "transport", "identity", "ready", "capacity",
        "partition", "file system", "files",
    ]  # fmt: skip
    assert [row["time_ns"] for row in steps] == sorted(row["time_ns"] for row in steps)
    assert steps[0]["since_attach_ns"] == 0


def test_a_capture_of_the_middle_has_no_bring_up(tmp_path: Path) -> None:
    """Reads alone show no step of a bring-up, and none is made up."""
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(65_536))]))
    host.stick.address = 5
    for lba in range(3):
        host.execute(wire.read10(lba))
    text = "\n".join(timing_text(timing_of(host.recorder, tmp_path)))
    assert "Bring-up: not in this capture" in text
    assert "no ceiling: this capture does not show speed and packet size" in text


def test_bars_and_rates() -> None:
    """A bar is never longer than its room, and something is never drawn as nothing."""
    assert bar(10, 10, 4) == "████"
    assert bar(50, 10, 4) == "████"
    assert bar(0, 10) == ""
    assert bar(1, 1_000_000) == "▏"
    assert rate_in_words(1_216_000) == "1.22 MB/s"
    assert rate_in_words(64_000) == "64.0 kB/s"


def test_command_line() -> None:
    """Text and JSON from the verb; a capture without storage says so."""
    path = str(ROOT / "traces/demo/healthy-boot.pcap")
    text = CliRunner().invoke(cli, ["timing", path])
    assert text.exit_code == 0
    assert "USB 2.0 Table 5-10" in " ".join(text.output.split())
    assert max(map(len, text.output.splitlines())) <= 80
    facts = json.loads(CliRunner().invoke(cli, ["timing", path, "--json"]).output)
    assert facts["kind"] == "timing"
    assert facts["devices"][0]["ceiling"]["bytes_per_second"] == 53_248_000
    keyboard = CliRunner().invoke(cli, ["timing", str(capture_path("l21_keyboard_only-usbmon.pcap"))])
    assert "no storage device" in keyboard.output
