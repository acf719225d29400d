"""Partition tables, volumes and files: sample volumes read whole, compared with what was put in."""

from __future__ import annotations

import hashlib
import importlib.util
import shutil
import struct
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from sticktrace.volume.recover import coverage, recover
from sticktrace.volume.sectors import layouts_at
from volume_lab import SAMPLES, Lab, sample


def maker() -> ModuleType:
    """The script that made the samples."""
    spec = importlib.util.spec_from_file_location("make_volumes", SAMPLES / "make_volumes.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKER = maker()
EXPECTED = {f"/{name}": len(data) for name, data in MAKER.FILES.items()} | {"/": 0, "/LEVELS": 0}


def read_whole(name: str) -> Lab:
    """A sample, read once from end to end after READ CAPACITY."""
    lab = Lab(sample(name))
    lab.capacity()
    lab.read_all()
    return lab


def sizes(lab: Lab) -> dict[str, int]:
    """Paths and sizes; an exFAT directory has a size of its own, which does not count here."""
    return {path: size if "." in path else 0 for path, size in lab.paths().items()}


@pytest.mark.parametrize(
    ("name", "scheme", "kind"),
    [("fat12", "none", "FAT12"), ("fat16", "none", "FAT16"), ("fat32", "none", "FAT32"), ("exfat", "none", "exFAT"),
     ("mbr", "MBR", "FAT16"), ("gpt", "GPT", "FAT16")],
)  # fmt: skip
def test_a_volume_read_whole_gives_back_every_file(name: str, scheme: str, kind: str, tmp_path: Path) -> None:
    lab = read_whole(name)
    (medium,) = lab.tracker.media
    assert medium.table.scheme == scheme and not medium.table.problems
    volume = next(v for v in medium.volumes if v.files is not None)
    assert (volume.kind, volume.label) == (kind, "TIDEPIER")
    assert sizes(lab) == EXPECTED
    found = {item.path: item for item in recover(medium, volume, tmp_path)}
    for path, data in MAKER.FILES.items():
        item = found[f"/{path}"]
        assert item.complete and item.written_to is not None and item.written_to.read_bytes() == data
    assert lab.tracker.findings() == [] and lab.tracker.changes() == []
    deleted = [e.name for node in volume.files.root.walk() for e in node.deleted.values()]
    assert deleted == ([] if kind == "exFAT" else ["?LDLOG.TXT"])


def test_partitions_as_the_tools_made_them() -> None:
    """As given to sfdisk and sgdisk; the logical partitions are numbered from 5 (common practice)."""
    (medium,) = read_whole("mbr").tracker.media
    assert [(p.number, p.start, p.blocks, p.type[:2]) for p in medium.table.partitions] == [
        (1, 2048, 32768, "0E"), (2, 40960, 57344, "05"), (5, 43008, 4096, "83"), (6, 49152, 4096, "06"),
    ]  # fmt: skip
    (medium,) = read_whole("gpt").tracker.media
    assert [(p.number, p.start, p.blocks, p.name) for p in medium.table.partitions] == [
        (1, 2048, 32768, "TIDEPIER"), (2, 40960, 4096, ""),
    ]  # fmt: skip


def test_labels_say_what_blocks_are_for() -> None:
    lab = Lab(sample("fat32"))
    lab.capacity()
    assert lab.read(0) == "boot sector"
    assert lab.read(1) == "FSInfo" and lab.read(6) == "backup boot sector" and lab.read(7) == "backup FSInfo"
    assert lab.read(32) == "FAT 1, clusters 0-127"
    volume = lab.tracker.volumes()[0]
    assert volume.files is not None
    shape = volume.files.shape
    assert lab.read(shape.fat + shape.fat_blocks + 1) == "FAT 2, clusters 128-255"
    assert lab.read(shape.heap) == "root directory"
    levels = next(node for node in volume.files.root.walk() if node.path == "/LEVELS")
    assert lab.read(volume.files.lba_of(levels.entry.first)) == "directory /LEVELS"
    data = next(node for node in volume.files.root.walk() if node.path == "/LEVELS/2031-04.CSV")
    assert lab.read(volume.files.lba_of(data.entry.first) + 2, 2) == "/LEVELS/2031-04.CSV bytes 1024-2047"
    assert lab.read(volume.blocks - 1) == f"cluster {shape.clusters + 1}, use not known"
    lab.read(shape.fat + shape.fat_blocks - 1)
    assert lab.read(volume.blocks - 1) == f"free cluster {shape.clusters + 1}"


def test_exfat_labels() -> None:
    lab = read_whole("exfat")
    volume = lab.tracker.volumes()[0]
    assert volume.files is not None
    assert (
        lab.read(1) == "extended boot sector"
        and lab.read(11) == "boot checksum"
        and lab.read(12) == "backup boot sector"
    )
    kinds = {run.node.entry.kind for c in range(2, 30) if (run := volume.files.owners.find(c)) is not None}
    assert kinds == {"bitmap", "up-case table", "directory", "file"}
    assert lab.read(volume.files.lba_of(2)).startswith("allocation bitmap, clusters 2-")


def test_without_block_0_a_boot_sector_that_names_its_place_is_found() -> None:
    lab = Lab(sample("mbr"))
    lab.read(2048)
    (volume,) = lab.tracker.volumes()
    assert (volume.start, volume.kind, volume.partition) == (2048, "FAT16", None)


def test_what_is_missing_is_shown_as_missing() -> None:
    lab = Lab(sample("fat16"))
    lab.capacity()
    lab.read(0)
    (medium,) = lab.tracker.media
    volume = medium.volumes[0]
    assert volume.files is not None
    lab.read(1, volume.files.shape.heap - 1)
    assert lab.paths()["/STATION.TXT"] == 36
    node = next(n for n in volume.files.root.walk() if n.path == "/STATION.TXT")
    item = coverage(medium, volume, node)
    assert (item.complete, item.captured, item.holes) == (False, 0, [(0, 36)])


def test_every_structure_of_a_volume_can_be_explained() -> None:
    for name in ("fat12", "fat32", "exfat", "mbr", "gpt"):
        lab = read_whole(name)
        (medium,) = lab.tracker.media
        titles = set()
        for lba, data in medium.store.captured(0, len(lab.image) // 512):
            if not any(data):
                continue
            for at, layout in layouts_at(medium, lba, data):
                account = layout.explain(data[at : at + (layout.sizeof() or 0)])
                assert not account.fault, (name, lba, account.fault)
                titles.add(account.title)
        assert len(titles) >= 3, (name, titles)


@pytest.mark.parametrize("name", ["fat12", "fat16", "fat32", "exfat"])
def test_an_independent_reader_sees_the_same_files(name: str, tmp_path: Path) -> None:
    """pytsk3, a library reading file systems for itself, over the same image."""
    pytsk3 = pytest.importorskip("pytsk3")
    lab = read_whole(name)
    path = tmp_path / "image"
    path.write_bytes(sample(name))
    theirs: dict[str, str] = {}

    def descend(folder: Any, prefix: str) -> None:
        for entry in folder:
            label = entry.info.name.name.decode()
            meta = entry.info.meta
            if label in (".", "..") or label.startswith("$") or meta is None:
                continue
            if meta.flags & pytsk3.TSK_FS_META_FLAG_UNALLOC:
                continue
            if meta.type == pytsk3.TSK_FS_META_TYPE_DIR:
                descend(entry.as_directory(), f"{prefix}{label}/")
            elif meta.type == pytsk3.TSK_FS_META_TYPE_REG and entry.info.name.type == pytsk3.TSK_FS_NAME_TYPE_REG:
                data = entry.read_random(0, meta.size) if meta.size else b""
                theirs[prefix + label] = hashlib.sha256(data).hexdigest()

    descend(pytsk3.FS_Info(pytsk3.Img_Info(str(path))).open_dir("/"), "/")
    (medium,) = lab.tracker.media
    ours = {}
    for item in recover(medium, medium.volumes[0], tmp_path / "out"):
        assert item.written_to is not None
        ours[item.path] = hashlib.sha256(item.written_to.read_bytes()).hexdigest()
    assert ours == {
        path: digest for path, digest in theirs.items() if "OrphanFiles" not in path and "TIDEPIER" not in path
    }


@pytest.mark.parametrize(("size", "kind", "clusters"), [(4, 12, 2036), (64, 16, 32695), (256, 32, 516190)])
def test_cluster_counts_of_fresh_volumes(size: int, kind: int, clusters: int, tmp_path: Path) -> None:
    """mkfs.fat 4.2 -i 12345678: counts recorded independently of this code."""
    tool = shutil.which("mkfs.fat") or shutil.which("mkfs.fat", path="/usr/sbin:/sbin")
    if tool is None:
        pytest.skip("mkfs.fat is not installed")
    path = tmp_path / "image"
    with path.open("wb") as out:
        out.truncate(size << 20)
    options = ["-s", "1"] if kind == 32 else []
    subprocess.run([tool, "-F", str(kind), "-i", "12345678", *options, str(path)], check=True, capture_output=True)
    with path.open("rb") as image:
        lab = Lab(image.read(1 << 20))
    lab.capacity(size << 11)
    lab.read(0)
    volume = lab.tracker.volumes()[0]
    assert volume.files is not None
    assert volume.kind == f"FAT{kind}" and volume.files.shape.volume_id == 0x12345678
    assert volume.files.shape.clusters == clusters


def test_sectors_larger_than_the_blocks_are_named_not_decoded() -> None:
    """F75: a device of 4096-byte blocks with a volume that counts in 512-byte sectors."""
    lab = Lab(sample("fat12"), length=4096)
    lab.read(0)
    (volume,) = lab.tracker.volumes()
    assert volume.files is None and "sectors of 512 bytes, the device in blocks of 4096" in volume.problem
    assert [fact.slug for fact in lab.tracker.findings()] == ["volume-undecodable"]


@pytest.mark.parametrize(
    ("at", "signature", "name"),
    [(3, b"NTFS    ", "NTFS"), (1080, b"\x53\xef", "ext"), (32769, b"CD001", "ISO 9660"), (32, b"NXSB", "APFS"),
     (1024, b"H+\0\4", "HFS+")],
)  # fmt: skip
def test_other_file_systems_are_named(at: int, signature: bytes, name: str) -> None:
    image = bytearray(65536)
    image[at : at + len(signature)] = signature
    if name == "NTFS":
        image[:3], image[510:512] = b"\xeb\x52\x90", b"\x55\xaa"
        struct.pack_into("<H", image, 11, 512)
    lab = Lab(image)
    lab.read_all(step=64)
    (volume,) = lab.tracker.volumes()
    assert volume.kind == name and volume.files is None
