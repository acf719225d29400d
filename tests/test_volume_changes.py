"""What is told of file operations: real hosts' captures, tools that change a volume, and writes made by hand."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import sticktrace
from conftest import capture_names, capture_path, truth_of
from sticktrace.transport.items import Sense
from sticktrace.volume.recover import recover
from sticktrace.volume.tracker import VolumeTracker
from test_volume_files import MAKER, read_whole
from volume_lab import Lab, sample


@contextmanager
def follow(name: str) -> Iterator[VolumeTracker]:
    """A capture, followed to its end and still open, so that payload can be read."""
    with sticktrace.open(capture_path(name)) as capture:
        tracker = VolumeTracker(capture.read)
        for exchange in capture.exchanges():
            tracker.feed(exchange)
        yield tracker


RECOVERABLE = [name for name in capture_names() if truth_of(name).get("files_recoverable")]


def test_there_are_captures_to_recover_from() -> None:
    assert len(RECOVERABLE) >= 5


@pytest.mark.parametrize("name", RECOVERABLE)
def test_recovered_files_have_the_size_and_digest_known_from_outside(name: str, tmp_path: Path) -> None:
    found = set()
    with follow(name) as tracker:
        volumes = [(medium, volume) for medium in tracker.media for volume in medium.volumes]
        for index, (medium, volume) in enumerate(volumes):
            for item in recover(medium, volume, tmp_path / str(index)):
                if item.complete and item.written_to is not None:
                    found.add((item.path, item.size, hashlib.sha256(item.written_to.read_bytes()).hexdigest()))
    assert {(f["path"], f["size"], f["sha256"]) for f in truth_of(name)["files_recoverable"]} <= found


AFTER = [name for name in RECOVERABLE if truth_of(name)["expected"].get("files_after")]


@pytest.mark.parametrize("name", AFTER)
def test_the_listing_at_the_end_is_the_one_known_from_outside(name: str) -> None:
    expected = truth_of(name)["expected"]["files_after"]
    listings = []
    with follow(name) as tracker:
        for volume in tracker.volumes():
            assert volume.files is not None
            listings.append({n.path: n.entry.size for n in volume.files.root.walk() if n.entry.kind == "file"})
        assert tracker.findings() == []
    assert {f["path"]: f["size"] for f in expected} in listings


@pytest.mark.parametrize("name", [n for n in AFTER if n.startswith(("l01", "l05"))])
def test_the_story_of_a_session(name: str) -> None:
    """The recording says: write, append, copy, rename, delete, make a folder (truth file, "made")."""
    with follow(name) as tracker:
        told = [change.in_words() for change in tracker.changes()]
    assert sorted(line for line in told if not line.startswith("touched")) == [
        "created /LEVELS/2031-06.CSV, 4,761 bytes",
        "created /Station sheet before the service visit.txt, 154 bytes",
        "created directory /SERVICE",
        "deleted /Harbour datum and levelling notes 2031.txt",
        "renamed /STATION.TXT to /STATION.OLD",
    ]


def test_moved_between_directories_in_either_order_of_writes(tmp_path: Path) -> None:
    if shutil.which("mmove") is None:
        pytest.skip("mtools is not installed")
    for order in (1, -1):
        lab = read_whole("fat16")
        path = tmp_path / "image"
        path.write_bytes(lab.image)
        environment = {**os.environ, "MTOOLS_SKIP_CHECK": "1"}
        steps = ["mmove", "::LEVELS/2031-04.CSV", "::"], ["mren", "::STATION.TXT", "::PIER.TXT"]
        for tool, *names in steps:
            words = [tool, "-i", str(path), *names]
            subprocess.run(words, check=True, capture_output=True, env=environment)
        lab.write_differences(path.read_bytes(), order)
        told = [change.in_words() for change in lab.tracker.changes()]
        assert "moved /LEVELS/2031-04.CSV to /2031-04.CSV" in told
        assert "renamed /STATION.TXT to /PIER.TXT" in told
        assert lab.paths()["/2031-04.CSV"] == len(MAKER.LEVELS) and "/LEVELS/2031-04.CSV" not in lab.paths()
        assert lab.tracker.findings() == []


@pytest.mark.parametrize("order", [1, -1])
def test_exfat_files_appear_whatever_the_order_of_writes(order: int) -> None:
    lab = read_whole("exfat")
    after = bytearray(lab.image)
    writer = MAKER.ExfatWriter(after)
    folder = writer.enter(writer.root, "SERVICE", bytes(writer.cluster), directory=True)
    writer.slots[folder] = 0
    writer.enter(folder, "Pump log of the pier station.txt", b"pump 4\r\n" * 2000, gap=True)
    lab.write_differences(after, order)
    told = [change.in_words() for change in lab.tracker.changes()]
    assert told == ["created directory /SERVICE", "created /SERVICE/Pump log of the pier station.txt, 16,000 bytes"]
    assert lab.paths()["/SERVICE/Pump log of the pier station.txt"] == 16000
    assert lab.tracker.findings() == []


def test_a_fat_file_grows_and_its_data_is_labelled() -> None:
    lab = read_whole("fat16")
    volume = lab.tracker.volumes()[0]
    files = volume.files
    assert files is not None
    root = files.start + files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    slot = next(i for i in range(0, 512, 32) if sector[i : i + 11] == b"STATION TXT")
    sector[slot + 28 : slot + 32] = (100).to_bytes(4, "little")
    assert lab.write(root, bytes(sector)) == "root directory"
    cluster = int.from_bytes(sector[slot + 26 : slot + 28], "little")
    assert lab.write(files.lba_of(cluster), bytes(512)) == "/STATION.TXT bytes 0-99"
    (change,) = lab.tracker.changes()
    assert change.in_words() == "/STATION.TXT grew from 36 to 100 bytes" and change.bytes == 512
    assert (change.first, change.last) == (lab.number - 1, lab.number)


def test_a_dirty_mark_left_behind_is_a_fact() -> None:
    """Common practice: bit 0 of byte 65 of a FAT32 boot sector while mounted for writing."""
    lab = read_whole("fat32")
    boot = bytearray(lab.image[:512])
    boot[65] |= 1
    lab.write(0, bytes(boot))
    assert [fact.slug for fact in lab.tracker.findings()] == ["volume-left-dirty"]
    lab.write(0, bytes(sample("fat32")[:512]))
    assert lab.tracker.findings() == []


def test_copies_that_differ_and_entries_without_data() -> None:
    lab = read_whole("fat16")
    files = lab.tracker.volumes()[0].files
    assert files is not None
    fat = bytearray(lab.image[files.shape.fat * 512 : files.shape.fat * 512 + 512])
    free = next(c for c in range(2, 256) if not int.from_bytes(fat[2 * c : 2 * c + 2], "little"))
    fat[2 * free : 2 * free + 2] = b"\xff\xff"
    lab.write(files.shape.fat, bytes(fat))
    root = files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    end = next(i for i in range(0, 512, 32) if not sector[i])
    sector[end : end + 32] = b"NEW     CSV\x20" + bytes(14) + free.to_bytes(2, "little") + (700).to_bytes(4, "little")
    lab.write(root, bytes(sector))
    facts = {fact.slug: fact for fact in lab.tracker.findings()}
    assert set(facts) == {"fat-copies-differ", "entry-without-data"}
    assert facts["fat-copies-differ"].evidence[0] == lab.number - 1
    assert "2 blocks of it never written" in facts["entry-without-data"].text


def test_data_without_an_entry_and_writes_after_the_last_flush() -> None:
    lab = read_whole("fat16")
    lab.exchange(b"\x35" + bytes(9), b"", "none")
    lab.write(len(lab.image) // 512 - 60, b"orphan".ljust(512))
    assert [fact.slug for fact in lab.tracker.findings()] == ["data-without-entry", "write-not-flushed"]


def test_a_changed_medium_starts_afresh() -> None:
    """Sense 6/28/00: the medium may have changed (SPC-4 annex D)."""
    lab = Lab(sample("fat12"))
    lab.read_all()
    made = lab.exchange(bytes(6), b"", "none", status="failed")
    made.sense = Sense(6, 0x28, 0, made.number + 1, made.status_at)
    lab.tracker.feed(made)
    lab.image = sample("fat16")
    lab.read(0)
    found = [(medium.number, v.kind) for medium in lab.tracker.media for v in medium.volumes]
    assert found == [(1, "FAT12"), (2, "FAT16")]


def test_an_entry_whose_chain_is_not_written_is_unfinished_not_damaged() -> None:
    lab = read_whole("fat16")
    files = lab.tracker.volumes()[0].files
    assert files is not None
    root = files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    end = next(i for i in range(0, 512, 32) if not sector[i])
    free = files.shape.clusters - 5
    sector[end : end + 32] = b"NEW     CSV\x20" + bytes(14) + free.to_bytes(2, "little") + (700).to_bytes(4, "little")
    lab.write(root, bytes(sector))
    assert {fact.slug for fact in lab.tracker.findings()} == {"entry-without-data"}


def test_an_append_that_writes_its_data_first_is_one_change() -> None:
    """What embedded file layers do: the last old block is written again with the new data behind it, then the entry."""
    lab = read_whole("fat16")
    files = lab.tracker.volumes()[0].files
    assert files is not None
    root = files.start + files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    slot = next(i for i in range(0, 512, 32) if sector[i : i + 11] == b"STATION TXT")
    cluster = int.from_bytes(sector[slot + 26 : slot + 28], "little")
    lab.write(files.lba_of(cluster), bytes(512))
    assert [change.in_words() for change in lab.tracker.changes()] == ["36 bytes written inside /STATION.TXT"]
    sector[slot + 28 : slot + 32] = (100).to_bytes(4, "little")
    lab.write(root, bytes(sector))
    (change,) = lab.tracker.changes()
    assert change.in_words() == "/STATION.TXT grew from 36 to 100 bytes"
    assert (change.first, change.last) == (lab.number - 1, lab.number)


def test_a_deleted_file_keeps_its_long_name() -> None:
    """FAT spec, ChkSum: the checksum in the long entries gives back the letter that deleting took from the short one.
    The recording deleted this file (truth file)."""
    with follow("l01_fat32_ehci-usbmon.pcap") as tracker:
        files = tracker.volumes()[0].files
        assert files is not None
        assert [entry.name for entry in files.root.deleted.values()] == ["Harbour datum and levelling notes 2031.txt"]


def test_blocks_of_a_deleted_directory_are_no_lost_data() -> None:
    lab = read_whole("fat16")
    files = lab.tracker.volumes()[0].files
    assert files is not None
    folder = next(node for node in files.root.walk() if node.path == "/LEVELS")
    root = files.start + files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    sector[(folder.entry.slot % 16) * 32] = 0xE5
    lba = files.lba_of(folder.entry.first)
    lab.write(root, bytes(sector))
    lab.write(lba, bytes(lab.image[lba * 512 : lba * 512 + 512]))
    assert "data-without-entry" not in {fact.slug for fact in lab.tracker.findings()}
