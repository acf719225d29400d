"""Cable, regions and chains of many captures: geometry, and what stands where against what is known from outside."""

from __future__ import annotations

from array import array
from pathlib import Path

import pytest
from click.testing import CliRunner

import geometry
import sticktrace
from conftest import CAPTURES, ROOT, capture_path, truth_of
from sticktrace.cli.main import cli
from sticktrace.drawing.as_text import text_lines
from sticktrace.output.cable_drawing import cable_of
from sticktrace.output.pictures import cases_of, layout_scene, layouts, spreads_of, staircases_of
from sticktrace.output.volume_drawing import chain_of, regions_of
from sticktrace.volume.zones import FAILS, zones

DEMO = ROOT / "traces" / "demo"
SOME = [*sorted(DEMO.iterdir()), *(CAPTURES / f"{name}.xz" for name in (
    "c08_fat32_ng_le.pcapng", "l25_two_sticks-usbmon.pcap", "l14_hot_unplug-usbmon.pcap", "l20_hub_uhci-usbmon.pcap",
    "g02_two_luns-usbmon-0u.txt", "l19_uas_ehci-usbmon.pcap", "l26_hotplug_1t-usbmon-1t.txt",
))]  # fmt: skip


@pytest.mark.parametrize("path", SOME, ids=lambda path: path.name)
def test_every_drawing_of_many_captures(path: Path) -> None:
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        ledger, times = sticktrace.Ledger(reading), array("q")
        for item in reading:
            ledger.see(item)
            if isinstance(item, sticktrace.Exchange):
                times.append(item.time_ns)
        ledger.sticks.listed()
        for width in (60, 110):
            geometry.check(cable_of(ledger.sticks.in_order(), width))
            for medium in ledger.tracker.media:
                geometry.check(regions_of(medium, times, width))
                geometry.check(regions_of(medium, times, width, (0, 12)))
                for volume in medium.volumes:
                    for node in list(volume.files.root.walk())[1:4] if volume.files else []:
                        geometry.check(chain_of([medium], node.path, width))
        for scene in (*staircases_of(capture, 60), cases_of(capture, 70), *spreads_of(capture, 80)):
            geometry.check(scene)


def test_the_way_through_a_hub() -> None:
    """The demo: a stick on port 3 of a hub that reports over-current on this port."""
    lines = CliRunner().invoke(cli, ["devices", str(DEMO / "hub-port-overcurrent.pcap"), "--cable"]).output
    assert "over-" in lines and "current" in lines and "╳" in lines and "port 3" in lines


def test_two_sticks_hang_on_one_host() -> None:
    name = "l25_two_sticks-usbmon.pcap"
    with sticktrace.open(capture_path(name)) as capture:
        reading = capture.reading()
        ledger = sticktrace.Ledger(reading)
        for item in reading:
            ledger.see(item)
        sticks = ledger.sticks.listed()
        text = "\n".join(text_lines(cable_of(ledger.sticks.in_order(), 120)))
    assert len(sticks) >= 2 and truth_of(name)
    assert text.count("┤ ") >= 2


def test_the_failed_block_is_named_and_not_its_neighbours() -> None:
    """LBA 2362 of the demo cannot be read; the command asked for 2357 to 2372."""
    with sticktrace.open(DEMO / "bad-sector.pcap") as capture:
        reading = capture.reading()
        ledger = sticktrace.Ledger(reading)
        for item in reading:
            ledger.see(item)
        (medium,) = ledger.tracker.media
        failed = [(zone.first, zone.last) for zone in zones(medium) if any(kind == FAILS for _, kind in zone.touches)]
    assert failed == [(2362, 2362)]


def test_a_chain_stands_as_the_table_has_it(tmp_path: Path) -> None:
    """FAT16: the demo's file has clusters 8-12 and 14, as the workshop laid them out."""
    path = str(DEMO / "healthy-boot.pcap")
    out = CliRunner().invoke(cli, ["volume", path, "--chain", "/levels/2031-04.csv"]).output
    assert out.index("clusters 8-12") < out.index("cluster 14") < out.index("end of the chain")
    target = tmp_path / "chain.svg"
    assert CliRunner().invoke(cli, ["volume", path, "--chain", "/STATION.TXT", "--picture", str(target)]).exit_code == 0
    assert "/STATION.TXT" in target.read_text()
    gone = CliRunner().invoke(cli, ["volume", path, "--chain", "/nowhere"])
    assert "is on no FAT or exFAT volume" in str(gone.exception)


def test_the_cases_that_a_capture_shows() -> None:
    with sticktrace.open(DEMO / "stall-recovery.pcap") as capture:
        seen = {exchange.case for exchange in capture.exchanges()} - {None}
        scene = cases_of(capture, 80)
    marked = {shape.key for shape in scene.shapes if getattr(shape, "kind", "") == "done"} - {-1}
    assert marked == seen and 5 in seen


@pytest.mark.parametrize("words", (
    ("staircase", "no-address.pcap"), ("cases", "stall-recovery.pcap"), ("spreads", "healthy-boot.pcap"), ("states",),
    ("layout", "command", "block", "wrapper"),
), ids=lambda words: words[0])  # fmt: skip
def test_draw(words: tuple[str, ...], tmp_path: Path) -> None:
    arguments = [str(DEMO / word) if word.endswith(".pcap") else word for word in words]
    result = CliRunner().invoke(cli, ["draw", *arguments])
    assert result.exit_code == 0 and max(map(len, result.output.splitlines())) <= 80
    target = tmp_path / "drawing.svg"
    assert CliRunner().invoke(cli, ["draw", *arguments, "--picture", str(target)]).exit_code == 0
    assert target.read_text().startswith("<svg ")
    assert CliRunner().invoke(cli, ["draw", "--ascii", *arguments]).output.isascii()


@pytest.mark.parametrize("words", (("cases",), ("states", "x"), ("staircase", "a", "b"), ("nothing",)))
def test_what_cannot_be_drawn_is_said(words: tuple[str, ...]) -> None:
    assert CliRunner().invoke(cli, ["draw", *words]).exit_code == 2


def test_a_layout_by_its_title() -> None:
    """BOT 1.0 5.2: a CSW has 13 bytes, and begins with 53425355h."""
    found = CliRunner().invoke(cli, ["draw", "layout", "command status wrapper"]).output
    assert "55 53 42 53" in found and "bCSWStatus" in found
    missed = CliRunner().invoke(cli, ["draw", "layout", "command status wraper"])
    assert "command status wrapper" in str(missed.exception)


def test_every_named_layout_is_drawn() -> None:
    known = layouts()
    assert len(known) > 250
    for layout in list(known.values())[::7]:
        geometry.check(layout_scene(layout, 72))
