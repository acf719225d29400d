"""The verbs `volume` and `redact` on a real recording."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from conftest import ROOT, capture_path, truth_of
from sticktrace.cli.main import cli

NAME = "l01_fat32_ehci-usbmon.pcap"


def run(*words: str) -> Result:
    """Calls the command line; an unexpected exception fails the test."""
    result = CliRunner().invoke(cli, list(words), catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def test_the_tree_shows_every_file_with_its_size_and_share() -> None:
    out = run("volume", str(capture_path(NAME))).output
    rows = {line[50:]: line.split()[:2] for line in out.splitlines() if len(line) > 50}
    for item in truth_of(NAME)["expected"]["files_after"]:
        assert rows[item["path"]] == [f"{item['size']:,}", "all"]
    assert "FAT32, LBA 2048..614399" in out and "label 'TIDEPIER', id 20310417h" in out


def test_an_earlier_moment_can_be_seen() -> None:
    """Before the writes began, the files were those put on the stick (truth file)."""
    out = run("volume", str(capture_path(NAME)), "--as-of", "31").output
    for item in truth_of(NAME)["expected"]["image"]["files"]:
        assert f"  {item['path']}\n" in out
    assert "in use, not cleanly unmounted" in out


def test_files_changes_map_and_image(tmp_path: Path) -> None:
    path = str(capture_path(NAME))
    assert "renamed /STATION.TXT to /STATION.OLD" in run("volume", path, "--changes").output
    rows = run("volume", path, "--map").output.splitlines()
    marks = {row.split("  ")[0].strip(): row for row in rows}
    assert "◆" in marks["boot sector"] or {"▽", "▲"} <= set(marks["boot sector"])
    assert {"FAT 1", "FAT 2", "/LEVELS/", "partition table"} <= set(marks)
    out = run("volume", path, "--files", str(tmp_path / "out")).output
    assert "/STATION.OLD: 154 of 154 bytes to" in out
    for item in truth_of(NAME)["expected"]["files_after"]:
        data = (tmp_path / "out" / item["path"].lstrip("/")).read_bytes()
        assert hashlib.sha256(data).hexdigest() == item["sha256"]
    assert "exists" in run("volume", path, "--files", str(tmp_path / "out")).output
    assert run("volume", path, "--image", str(tmp_path / "x.img")).exit_code == 0
    lines = [json.loads(line) for line in run("volume", path, "--json").output.splitlines()]
    assert {line["kind"] for line in lines} == {"medium", "volume", "file", "change"}


def test_redact_says_what_it_replaced(tmp_path: Path) -> None:
    out = run("redact", str(capture_path(NAME)), str(tmp_path / "out.pcap")).output
    assert "replaced 131 blocks of file data" in out and "names" in out
    listing = run("exchanges", str(tmp_path / "out.pcap")).output
    assert len(listing.splitlines()) == 53 and "STATION" not in listing and "root directory" in listing


@pytest.mark.parametrize("words", [["volume", "{}", "--medium", "9"], ["volume", "{}", "--image", "{}"]])
def test_wrong_use_is_one_line(words: list[str], tmp_path: Path) -> None:
    here = tmp_path / "c.pcap"
    here.write_bytes(b"\xd4\xc3\xb2\xa1\x02\0\x04\0" + bytes(8) + b"\xff\xff\0\0\xdc\0\0\0")
    result = CliRunner().invoke(cli, [word.format(here) for word in words])
    assert result.exit_code == 2


def test_what_an_interrupted_write_left_behind() -> None:
    """The demo: the stick drops off the bus in the middle of a WRITE of 16 blocks at LBA 2389."""
    out = run("volume", str(ROOT / "traces" / "demo" / "brown-out-on-write.pcap")).output
    assert "content not certain since exchange 15: 16 blocks from LBA 2389 (free clusters 16-19)" in out
