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
from sticktrace.output.pictures import cases_of, spreads_of, staircases_of
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
