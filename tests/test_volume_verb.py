"""The verb `volume`: options together, images with blocks out of reach, and what helps where files cannot be had."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from conftest import ROOT, capture_path
from sticktrace.cli.main import cli
from sticktrace.errors import SticktraceError
from sticktrace.output.volume_hints import hint_lines
from sticktrace.volume.recover import recover, write_image
from test_volume_files import MAKER, read_whole
from volume_lab import Lab, sample
from workshop import Host, Medium, Recorder, Unit, session, wire
from workshop.stage import logger

FAT = "l01_fat32_ehci-usbmon.pcap"


def run(*words: str) -> Result:
    """Calls the command line; an unexpected exception fails the test."""
    result = CliRunner().invoke(cli, ["volume", *words], catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


# options together


def test_everything_asked_for_is_done_in_one_call(tmp_path: Path) -> None:
    out, image = tmp_path / "out", tmp_path / "x.img"
    result = run(str(capture_path(FAT)), "--changes", "--map", "--files", str(out), "--image", str(image))
    assert result.exit_code == 0
    assert "renamed /STATION.TXT to /STATION.OLD" in result.output and "▽ read   ▲ written" in result.output
    assert (out / "STATION.OLD").is_file() and image.is_file() and (tmp_path / "x.img.map").is_file()
    assert "blocks written" in result.output and "/STATION.OLD: 154 of 154 bytes to" in result.output


@pytest.mark.parametrize("shown", [["--map"], ["--changes"], ["--changes", "--map"]])
def test_what_is_shown_goes_with_what_is_written(shown: list[str], tmp_path: Path) -> None:
    alone = run(str(capture_path(FAT)), *shown).output
    both = run(str(capture_path(FAT)), *shown, "--files", str(tmp_path / "out")).output
    assert both.startswith(alone.rstrip("\n")) and "bytes to" in both
    assert ("/LEVELS/" in alone) and (("created " in alone) == ("--changes" in shown))
    assert ("▽ read   ▲ written" in alone) == ("--map" in shown)


@pytest.mark.parametrize(
    "words",
    [["--json", "--changes"], ["--json", "--map"], ["--json", "--files", "{}"], ["--json", "--image", "{}"],
     ["--overwrite"], ["--overwrite", "--map"], ["--zoom", "1..2"], ["--chain", "/A", "--map"],
     ["--picture", "{}", "--changes"], ["--picture", "{}", "--json"]],
)  # fmt: skip
def test_what_does_not_go_together_is_refused(words: list[str], tmp_path: Path) -> None:
    target = tmp_path / "target"
    result = run(str(capture_path(FAT)), *(word.format(target) for word in words))
    assert result.exit_code == 2 and not target.exists()
    assert result.output.strip().splitlines()[-1].startswith("Error: --")


def test_an_image_that_cannot_be_made_is_refused_before_files_are_written(tmp_path: Path) -> None:
    (tmp_path / "x.img").write_bytes(b"mine")
    with pytest.raises(SticktraceError, match="exists; not overwritten"):
        run(str(capture_path(FAT)), "--files", str(tmp_path / "out"), "--image", str(tmp_path / "x.img"))
    assert not (tmp_path / "out").exists()
    assert (tmp_path / "x.img").read_bytes() == b"mine"


# images with blocks out of reach


@pytest.mark.parametrize("lba", [(1 << 54) - 1, 1 << 54, 1 << 55, (1 << 60) - 4])
def test_blocks_beyond_what_a_file_can_hold_are_left_out_and_said_so(lba: int, tmp_path: Path) -> None:
    """2^63 bytes are 2^54 blocks of 512."""
    lab = Lab(sample("fat12"))
    lab.read(0, 8)
    lab.exchange(struct.pack(">BBQIBB", 0x88, 0, lba, 2, 0, 0), bytes(1024), "in")
    (medium,) = lab.tracker.media
    ranges = write_image(medium, tmp_path / "x.img")
    assert [(item.first, item.last, item.state) for item in ranges] == [
        (0, 7, "captured"), (lba, lba + 1, "left out"),
    ]  # fmt: skip
    assert (tmp_path / "x.img").read_bytes() == bytes(lab.image[:4096])
    assert (tmp_path / "x.img.map").read_text().endswith(f"{lba}\t{lba + 1}\tleft out\n")


def test_the_verb_says_which_blocks_it_left_out(tmp_path: Path) -> None:
    host = Host(Recorder(), logger(session.tide_unit()))
    host.enumerate()
    session.identify(host)
    far = struct.pack(">BBQIBB", 0x88, 0, 1 << 56, 1, 0, 0)
    host.command(far, data_in=bytes(512))
    path = tmp_path / "far.pcap"
    path.write_bytes(host.recorder.pcap())
    result = run(str(path), "--image", str(tmp_path / "x.img"))
    assert result.exit_code == 1 and f"1 block from LBA {1 << 56} on left out" in result.output
    assert {file.name for file in tmp_path.iterdir()} == {"far.pcap", "x.img", "x.img.map"}


# what helps


def captured(tmp_path: Path, act: Callable[[Host], object]) -> str:
    """A capture of what a host does with a stick that it has identified."""
    host = Host(Recorder(), logger(session.tide_unit()))
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.read_capacity10())
    act(host)
    path = tmp_path / "made.pcap"
    path.write_bytes(host.recorder.pcap())
    return str(path)


def files_of(path: str, tmp_path: Path) -> Result:
    """`--files` on a capture."""
    return run(path, "--files", str(tmp_path / "out"))


def test_without_block_0_the_image_is_named(tmp_path: Path) -> None:
    """A host that had mounted the volume before the capture began reads one file."""
    volume = session.tide_volume()
    path = captured(tmp_path, lambda host: session.read_file(host, volume, "/LEVELS/2031-04.CSV"))
    result = files_of(path, tmp_path)
    assert result.exit_code == 1 and not (tmp_path / "out").exists()
    assert "neither block 0 nor a boot sector that names its place is in the capture" in result.output
    assert "--image FILE writes the 18 blocks that the capture holds" in result.output


def test_a_table_without_its_boot_sector_is_named(tmp_path: Path) -> None:
    result = files_of(captured(tmp_path, lambda host: host.execute(wire.read10(0))), tmp_path)
    assert "the first block of partition 1 (LBA 2048) is not in the capture" in result.output
    assert "--image FILE writes the block" in result.output


def test_another_file_system_is_named(tmp_path: Path) -> None:
    path = str(ROOT / "traces" / "demo" / "exfat-volume.pcap")
    assert "no FAT or exFAT volume" not in files_of(path, tmp_path).output, "exFAT is followed"
    boot = bytearray(512)
    boot[:11], boot[11:13], boot[510:] = b"\xeb\x52\x90NTFS    ", b"\0\2", b"\x55\xaa"
    host = Host(Recorder(), logger(Unit(Medium(4096, sectors={0: bytes(boot)}))))
    host.enumerate()
    session.identify(host)
    (tmp_path / "ntfs.pcap").write_bytes(host.recorder.pcap())
    assert "what stands there is NTFS" in files_of(str(tmp_path / "ntfs.pcap"), tmp_path).output


def test_nothing_at_all_is_said_so(tmp_path: Path) -> None:
    host = Host(Recorder(), logger(session.tide_unit()))
    host.enumerate()
    host.execute(wire.inquiry())
    (tmp_path / "none.pcap").write_bytes(host.recorder.pcap())
    result = files_of(str(tmp_path / "none.pcap"), tmp_path)
    assert result.exit_code == 1 and "nothing to recover from" in result.output


def hints(lab: Lab) -> list[str]:
    """What helps, in a lab."""
    return list(hint_lines(lab.tracker.media))


def test_a_file_deleted_in_the_capture_is_to_be_had_as_of_before(tmp_path: Path) -> None:
    lab = read_whole("fat16")
    assert not any("--as-of" in line for line in hints(lab)), "the near miss: nothing was deleted"
    files = lab.tracker.volumes()[0].files
    assert files is not None
    root = files.start + files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    slot = next(i for i in range(0, 512, 32) if sector[i : i + 11] == b"STATION TXT")
    sector[slot] = 0xE5
    lab.write(root, bytes(sector))
    at = lab.number
    lab.write(root, bytes(sector))
    line = f"  --as-of {at - 1} still has /STATION.TXT, deleted in exchange {at}"
    assert line in hints(lab)


def test_a_file_deleted_before_names_the_blocks_that_are_there() -> None:
    """The sample was given a file of 1,200 bytes that was deleted again; see make_volumes.py."""
    lab = read_whole("fat16")
    (line,) = [line for line in hints(lab) if "deleted earlier" in line]
    assert "/?LDLOG.TXT, 1,200 bytes" in line and "all of it can be had from --image FILE, at LBA" in line
    place = int(line.rsplit("LBA ", 1)[1].split("..")[0])
    assert bytes(lab.image[place * 512 :][:12]) == b"old readings"
    blind = Lab(sample("fat16"))
    blind.capacity()
    blind.read(0, place)
    assert not any("deleted earlier" in line for line in hints(blind)), "none of its blocks is in the capture"


def test_a_volume_that_was_formatted_over_is_to_be_had_as_of_before(tmp_path: Path) -> None:
    lab = read_whole("fat16")
    lab.write(0, bytes(sample("fat12")[:512]))
    assert f"  --as-of {lab.number - 1} shows it as it was: the FAT16 volume at LBA 0 was there until exchange " in (
        "\n".join(hints(lab))
    )


def test_files_whose_fat_is_not_captured_lead_to_the_image(tmp_path: Path) -> None:
    lab = Lab(sample("fat32"))
    lab.capacity()
    lab.read(0)
    files = lab.tracker.volumes()[0].files
    assert files is not None
    lab.read(files.shape.heap, 64)
    (medium,) = lab.tracker.media
    assert any("the FAT is not in the capture" in line for line in hints(lab))
    found = [*recover(medium, medium.volumes[0], tmp_path / "out")]
    assert {item.path for item in found} >= {f"/{name}" for name in MAKER.FILES if "/" not in name}
