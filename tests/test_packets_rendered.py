"""What a host recorded, rendered as packets and read back: equal in every field but what packets add or cannot show."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

import sticktrace
from both_ways import CAPTURES, DEMOS, NOT_AT_LOW_SPEED, rendered, same, story
from conftest import ROOT, capture_path
from probe import transfers_of
from sticktrace.capture.packets import RENDERED
from sticktrace.cli.main import cli
from sticktrace.output.packet_file import write
from workshop import Host, Identity, Recorder, Stick, Unit
from workshop import wire as commands
from workshop.recorder import BABBLE, CANCELLED, GONE, PROTOCOL

CHOICE = [path for path in CAPTURES if path.stat().st_size < 6_000]
"""The small ones at every speed, all at high speed; `both_ways` by hand has all at all."""


@pytest.mark.parametrize("source", CAPTURES, ids=lambda path: path.name.removesuffix(".xz"))
def test_the_same_story_from_the_wire(source: Path) -> None:
    assert same(source, "high")


@pytest.mark.parametrize("speed", ["full", "low"])
@pytest.mark.parametrize("source", CHOICE, ids=lambda path: path.name.removesuffix(".xz"))
def test_the_same_story_at_another_speed(source: Path, speed: str) -> None:
    if speed == "low" and source.name in NOT_AT_LOW_SPEED:
        pytest.skip("its packets do not tell it at low speed, see both_ways.py")
    assert same(source, speed)


ENDINGS = {
    "no answer": PROTOCOL, "gone": GONE, "taken back": CANCELLED, "too much": BABBLE, "damaged": -84, "stalled": -32,
}  # fmt: skip


@pytest.mark.parametrize("speed", ["high", "full", "low"])
@pytest.mark.parametrize("inward", [True, False], ids=["in", "out"])
@pytest.mark.parametrize("how", ENDINGS)
def test_every_way_to_fail(how: str, inward: bool, speed: str, tmp_path: Path) -> None:
    """A data phase that fails, a class reset, and a good command after it."""
    host = Host(Recorder(), Stick(Identity(), [Unit()]))
    host.enumerate()
    which = {"data_in": bytes(512)} if inward else {"data_out": bytes(512)}
    host.command((commands.read10 if inward else commands.write10)(0), expected=1024, data_error=ENDINGS[how], **which)
    host.wait_ms(20)
    host.reset_recovery()
    host.execute(commands.inquiry())
    source, target = tmp_path / "host.pcap", tmp_path / "rendered.pcapng"
    source.write_bytes(host.recorder.pcap())
    rendered(source, target, speed)
    before, after = story(source), story(target)
    assert after == before
    assert [item[0] for item in after[0]].count("exchange") == 2


def test_the_file_and_the_program_say_that_it_is_rendered(tmp_path: Path) -> None:
    target = tmp_path / "packets.pcapng"
    arguments = ["export", "--as", "packets", "--speed", "full", "--to", str(target), str(DEMOS[0])]
    result = CliRunner().invoke(cli, arguments)
    assert result.exit_code == 0
    assert RENDERED in result.output
    assert RENDERED.encode() in target.read_bytes()[:200]
    found, reader = transfers_of(target.read_bytes())
    assert found
    assert reader.assumed == [RENDERED]
    assert reader.link_types == {294}
    again = CliRunner().invoke(cli, ["export", "--as", "packets", "--to", str(tmp_path / "x"), str(target)])
    assert again.exit_code == 2
    assert "holds packets already" in again.output


def test_packets_are_well_formed_and_in_order(tmp_path: Path) -> None:
    """Read by scapy: every record is one packet with the checks of USB 2.0 8.3.5, times in order."""
    from scapy.utils import RawPcapNgReader

    from sticktrace.grammar.packets import holds

    target = tmp_path / "packets.pcapng"
    rendered(ROOT / "traces" / "demo" / "healthy-boot.pcap", target)
    with RawPcapNgReader(str(target)) as records:
        packets = list(records)
    assert all(holds(packet) for packet, _ in packets)
    times = [meta.tshigh << 32 | meta.tslow for _, meta in packets]
    assert times == sorted(times)
    assert {meta.tsresol for _, meta in packets} == {1_000_000_000}


def test_chosen_exchanges_alone(tmp_path: Path) -> None:
    target = tmp_path / "failed.pcapng"
    source = capture_path("l15_read_error-usbmon.pcap")
    arguments = ["export", "--as", "packets", "--to", str(target), str(source), "status:failed"]
    assert CliRunner().invoke(cli, arguments).exit_code == 0
    with sticktrace.open(target) as capture:
        kept = list(capture.exchanges())
    # truth.json of that capture: eight commands fail with 3/11/00, each followed by its REQUEST SENSE
    assert [e.sense and e.sense[:3] for e in kept if e.status == "failed"] == [(3, 0x11, 0)] * 8


def test_packets_become_a_capture_of_a_host_again(tmp_path: Path) -> None:
    """Both ways: host to packets to host."""
    source = capture_path("l01_fat32_ehci-usbmon.pcap")
    packets, host = tmp_path / "packets.pcapng", tmp_path / "host.pcap"
    rendered(source, packets)
    arguments = ["export", "--as", "pcap", "--to", str(host), str(packets)]
    assert CliRunner().invoke(cli, arguments).exit_code == 0
    assert story(host)[0] == story(source)[0]


@pytest.mark.parametrize("claimed", [1 << 30, 0x7FFF_FFFF])
def test_a_length_that_is_only_claimed_makes_no_packets(claimed: int, tmp_path: Path) -> None:
    """Work grows with what was recorded; the transfer is left out, and counted."""
    host = Host(Recorder(), Stick(Identity(), [Unit()]))
    host.execute(commands.inquiry())
    for half in host.recorder.halves[-4:-2]:
        half.length = claimed
    (tmp_path / "one.pcap").write_bytes(host.recorder.pcap())
    with sticktrace.open(tmp_path / "one.pcap") as capture, (tmp_path / "two.pcap").open("wb") as out:
        count, left_out = write(capture.reading(), out, "full")
    assert count < 100 and sum(left_out.values()) == 1
