"""Whose medium it is: one logical unit after another at the same address, and one unit through a reset."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from click.testing import CliRunner

import sticktrace
from sticktrace.cli.main import cli
from sticktrace.volume.ledger import Ledger
from sticktrace.volume.tracker import VolumeTracker
from volume_lab import Lab, sample
from workshop import Host, Identity, Recorder, Stick, Unit, session
from workshop.fat import FatVolume

LOG, TABLE = "/STATION.TXT", "/TABLE.TXT"


def other_volume() -> FatVolume:
    """A volume at the same place with another label and another file."""
    volume = FatVolume(session.FIRST_LBA, session.BLOCKS - session.FIRST_LBA, label="TIDETABLE", serial=0x20310501)
    volume.add(TABLE, b"high water 04:10, low water 10:22\r\n")
    return volume


def plugged(host: Host, volume: FatVolume, path: str, serial: str, address: int = 2) -> None:
    """A stick with a volume is plugged in, and one file of it is read."""
    host.stick = Stick(Identity(serial=serial), [Unit(session.tide_medium(volume))])
    host.enumerate(address)
    session.identify(host)
    session.mount(host, volume)
    session.read_file(host, volume, path)


def two_sticks(*, hub: bool = True, serials: tuple[str, str] = ("0417", "0501")) -> Recorder:
    """Two sticks, one after the other, at the same address. Without ``hub`` no request to the hub is recorded."""
    host = Host(Recorder(), Stick())
    if hub:
        host.watch_hub()
    plugged(host, session.tide_volume(), LOG, serials[0])
    host.wait_ms(2000)
    host.detach()
    host.wait_ms(4000)
    plugged(host, other_volume(), TABLE, serials[1])
    if not hub:
        host.recorder.halves = [half for half in host.recorder.halves if half.address != host.hub.address]
    return host.recorder


def saved(recorder: Recorder, folder: Path, text: bool = False) -> str:
    """The capture in a file."""
    path = folder / ("two.txt" if text else "two.pcap")
    path.write_bytes(recorder.usbmon_text().encode() if text else recorder.pcap())
    return str(path)


def run(*words: str) -> str:
    """What a verb prints."""
    result = CliRunner().invoke(cli, list(words))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.output


@pytest.mark.parametrize("hub", [True, False], ids=["hub seen", "hub not seen"])
@pytest.mark.parametrize("serials", [("0417", "0501"), ("", "")], ids=["serials", "no serials"])
def test_two_sticks_at_one_address_have_two_media(hub: bool, serials: tuple[str, str], tmp_path: Path) -> None:
    """Without a hub in the recording only the serial number tells two sticks of one make apart."""
    if not hub and not serials[0]:
        pytest.skip("nothing in such a recording tells them apart")
    path = saved(two_sticks(hub=hub, serials=serials), tmp_path)
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        ledger = Ledger(reading)
        for item in reading:
            ledger.see(item)
        tracker, sticks = ledger.tracker, ledger.sticks.listed()
        assert [medium.unit.stick for medium in tracker.media] == sticks
        assert [[volume.label for volume in medium.volumes] for medium in tracker.media] == [
            ["TIDEPIER"], ["TIDETABLE"],
        ]  # fmt: skip
        assert [(medium.number, medium.title) for medium in tracker.media] == [
            (1, "SKERRY TIDE LOGGER at 1.2 (stick 1), LUN 0"), (1, "SKERRY TIDE LOGGER at 1.2 (stick 2), LUN 0"),
        ]  # fmt: skip


def test_the_verbs_keep_them_apart(tmp_path: Path) -> None:
    path = saved(two_sticks(), tmp_path)
    out = run("volume", path)
    assert "'TIDEPIER'" in out and "'TIDETABLE'" in out and LOG in out and TABLE in out
    run("volume", path, "--files", str(tmp_path / "out"))
    rescued = {file.name: file.read_bytes() for file in (tmp_path / "out").rglob("*") if file.is_file()}
    assert rescued["STATION.TXT"].startswith(b"station QUAY-3") and rescued["TABLE.TXT"].startswith(b"high water")
    assert run("volume", path, "--image", str(tmp_path / "a.img"), "--medium", "2").startswith(str(tmp_path / "a.img"))
    with (tmp_path / "a.img").open("rb") as image:
        image.seek(session.FIRST_LBA * 512 + 43)
        assert image.read(11) == b"TIDETABLE  "
    assert "touches" in run("export", path, "--as", "csv")
    assert run("redact", path, str(tmp_path / "copy.pcap"))
    shown = run("volume", str(tmp_path / "copy.pcap"))
    assert "TIDE" not in shown and shown.count("FAT16, LBA 2048") == 2


def test_a_port_reset_changes_no_medium(tmp_path: Path) -> None:
    """The near miss: the same stick, reset in mid-session and given its address again."""
    host = Host(Recorder(), Stick())
    host.watch_hub()
    volume = session.tide_volume()
    plugged(host, volume, LOG, "0417")
    host.recover_by_port_reset()
    session.read_file(host, volume, "/LEVELS/2031-04.CSV")
    out = run("volume", saved(host.recorder, tmp_path))
    assert out.count("LUN 0") == 1 and "second at this address" not in out


@pytest.mark.parametrize("kept", [0, 1])
def test_traffic_before_the_first_request_is_the_same_unit(kept: int, tmp_path: Path) -> None:
    """A capture that begins in mid-session: descriptors asked for later do not make another unit of it."""
    host = Host(Recorder(), Stick())
    volume = session.tide_volume()
    plugged(host, volume, LOG, "0417")
    begin = next(n for n, half in enumerate(host.recorder.halves) if half.kind == 3)
    host.recorder.halves = host.recorder.halves[begin * (1 - kept) :]
    host.read_descriptors()
    session.read_file(host, volume, "/LEVELS/2031-04.CSV")
    out = run("volume", saved(host.recorder, tmp_path))
    assert out.count("LUN 0") == 1 and "second at this address" not in out


@dataclass(frozen=True)
class Slot:
    """A caller's own way to name a unit: any hashable object with a title."""

    name: str
    title: str = field(default="a slot", compare=False)


def test_a_caller_may_tell_units_apart_as_it_likes() -> None:
    lab = Lab(sample("fat12"))
    now = [Slot("left")]
    lab.tracker = VolumeTracker(lab.read_piece, lambda exchange: now[0])
    lab.read_all()
    now[0] = Slot("right", "the other slot")
    lab.image = sample("fat16")
    lab.read(0)
    now[0] = Slot("left", "another title, the same unit")
    lab.read(1)
    found = [(medium.unit.title, volume.kind) for medium in lab.tracker.media for volume in medium.volumes]
    assert found == [("a slot", "FAT12"), ("the other slot", "FAT16")]
    assert lab.tracker.of(Slot("left")) == lab.tracker.media[:1] and lab.tracker.of(Slot("none")) == []
