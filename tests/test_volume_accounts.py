"""What is said of a volume stays true while the host rewrites it: its tree, its marks, when a thing was first seen."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from sticktrace.transport.items import MISSING
from sticktrace.volume.findings import Fact
from sticktrace.volume.medium import Medium
from sticktrace.volume.recover import recover
from test_volume_files import EXPECTED, MAKER, read_whole, sizes
from volume_lab import Lab, sample

KINDS = ["fat12", "fat16", "fat32", "exfat"]
FIRST = 63
"""Where the volume begins: in the middle of a 4 KiB read, as on old sticks."""


def state(kind: str) -> tuple[int, int]:
    """Byte and bit of the mark "in use" in the boot sector (common practice; exFAT 3.1.13.2)."""
    return {"fat32": (65, 1), "exfat": (106, 2)}.get(kind, (37, 1))


def marked(image: bytes, kind: str, at: int, in_use: bool = True) -> bytes:
    """A boot sector with the mark set or taken away."""
    boot = bytearray(image[at * 512 : at * 512 + 512])
    byte, bit = state(kind)
    boot[byte] = boot[byte] | bit if in_use else boot[byte] & ~bit
    return bytes(boot)


def disk(kind: str, first: int = FIRST, own_place: int | None = None) -> bytearray:
    """A sample volume behind unknown blocks; its boot sector names its place (BPB_HiddSec, PartitionOffset)."""
    image = bytearray(first * 512) + sample(kind)
    place = first if own_place is None else own_place
    if kind == "exfat":
        struct.pack_into("<Q", image, first * 512 + 64, place)
    else:
        struct.pack_into("<I", image, first * 512 + 28, place)
    return image


def mounted(kind: str, *, first: int = FIRST) -> Lab:
    """A host that had read block 0 before the capture began reads the whole volume, 8 blocks at a time."""
    lab = Lab(disk(kind, first))
    for lba in range(first - first % 8, len(lab.image) // 512, 8):
        lab.read(max(lba, 1), min(lba + 8, len(lab.image) // 512) - max(lba, 1))
    return lab


def only(lab: Lab) -> Medium:
    """The only medium."""
    (medium,) = lab.tracker.media
    return medium


def rescued(lab: Lab, folder: Path) -> dict[str, bytes]:
    """The files that can be got out whole."""
    (volume,) = only(lab).volumes
    items = recover(only(lab), volume, folder)
    return {item.path: item.written_to.read_bytes() for item in items if item.complete and item.written_to is not None}


FILES = {f"/{name}": data for name, data in MAKER.FILES.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_a_volume_found_without_block_0_stays_when_its_boot_sector_is_rewritten(kind: str, tmp_path: Path) -> None:
    """Marked as in use, and clean again at the end, as hosts do."""
    lab = mounted(kind)
    assert only(lab).table.scheme == "" and sizes(lab) == EXPECTED
    lab.write(FIRST, marked(lab.image, kind, FIRST))
    assert sizes(lab) == EXPECTED
    lab.write(FIRST, marked(lab.image, kind, FIRST, in_use=False) + bytes(lab.image[(FIRST + 1) * 512 :][:512]))
    assert sizes(lab) == EXPECTED and rescued(lab, tmp_path) == FILES
    assert only(lab).former == [] and [v.found_at for v in only(lab).volumes] == [1]
    assert lab.read(FIRST) == "boot sector"


@pytest.mark.parametrize("kind", KINDS)
def test_a_boot_sector_that_was_perhaps_not_written_takes_nothing_away(kind: str) -> None:
    """The WRITE broke off; afterwards another block is read in which a signature may stand."""
    lab = mounted(kind)
    lab.write(FIRST, marked(lab.image, kind, FIRST), status=MISSING)
    lab.image[(FIRST + 2) * 512] ^= 0xFF
    lab.read(FIRST + 2)
    assert sizes(lab) == EXPECTED


def test_nor_does_it_on_a_medium_with_a_partition_table() -> None:
    lab = read_whole("mbr")
    lab.write(2048, marked(lab.image, "fat16", 2048), status=MISSING)
    table = bytearray(lab.image[:512])
    table[440] ^= 1
    lab.write(0, bytes(table))
    assert sizes(lab) == EXPECTED


def test_another_volume_in_its_place_is_another() -> None:
    """The near miss: formatted anew, so the old tree is gone, and kept as former."""
    lab = mounted("fat16")
    other = disk("fat12")
    lab.write(FIRST, bytes(other[FIRST * 512 : (FIRST + 1) * 512]))
    (volume,) = only(lab).volumes
    assert (volume.kind, [former.kind for former in only(lab).former]) == ("FAT12", ["FAT16"])
    lab.write(FIRST, bytes(512))
    assert only(lab).volumes == []


def test_a_boot_sector_that_names_another_place_is_no_volume() -> None:
    """An image of a volume, kept as a file; the backup boot sector of FAT32."""
    lab = Lab(disk("fat16", FIRST, own_place=0))
    lab.read_all(8)
    assert only(lab).table.scheme == "none" or only(lab).volumes == []
    lab = Lab(disk("fat16", FIRST, own_place=FIRST + 1))
    lab.read(56, 16)
    assert only(lab).volumes == []


def test_block_0_read_later_brings_the_table_in() -> None:
    lab = mounted("fat16", first=2048)
    files = only(lab).volumes[0].files
    table = bytearray(512)
    table[510:] = b"\x55\xaa"
    struct.pack_into("<B3xB3xII", table, 446, 0x80, 0x0E, 2048, len(lab.image) // 512 - 2048)
    lab.image[:512] = table
    lab.read(0)
    (volume,) = only(lab).volumes
    assert volume.partition is not None and volume.files is files and sizes(lab) == EXPECTED


# marks

Marker = Callable[[Lab, str, bool], None]


def in_boot_sector(lab: Lab, kind: str, in_use: bool) -> None:
    """The host writes the mark in the boot sector."""
    lab.write(0, marked(lab.image, kind, 0, in_use))


def in_table(lab: Lab, kind: str, in_use: bool) -> None:
    """The host writes the mark in the second entry of the FAT: ClnShutBitMask (FAT specification)."""
    first = int.from_bytes(lab.image[14:16], "little")
    block = bytearray(lab.image[first * 512 : first * 512 + 512])
    at, bit = (7, 0x08) if kind == "fat32" else (3, 0x80)
    block[at] = block[at] & ~bit if in_use else block[at] | bit
    lab.write(first, bytes(block))


WAYS = [(kind, in_boot_sector) for kind in KINDS] + [("fat16", in_table), ("fat32", in_table)]


def said(lab: Lab) -> dict[str, tuple[int, ...]]:
    """Facts about marks, with their evidence."""
    facts: list[Fact] = lab.tracker.findings()
    return {fact.slug: fact.evidence for fact in facts if "dirty" in fact.slug}


@pytest.mark.parametrize(("kind", "mark"), WAYS)
def test_a_mark_that_this_host_set_was_not_there_at_the_start(kind: str, mark: Marker) -> None:
    """The first sight of the block that holds it is the host's own WRITE."""
    lab = Lab(sample(kind))
    lab.capacity()
    if mark is in_table:
        lab.read(0)
    mark(lab, kind, True)
    at = lab.number
    lab.read_all()
    assert said(lab) == {"volume-left-dirty": (at,)}
    mark(lab, kind, True)
    assert said(lab) == {"volume-left-dirty": (at,)}, "evidence is the first exchange that showed it"
    mark(lab, kind, False)
    assert said(lab) == {}


@pytest.mark.parametrize(("kind", "mark"), WAYS)
def test_a_mark_that_was_read_first_was_there_before(kind: str, mark: Marker) -> None:
    """The near miss: the same mark, read before anything was written. The host that then mounts and unmounts does not
    undo that."""
    lab = Lab(sample(kind))
    mark(lab, kind, True)
    lab = Lab(lab.image)
    lab.read_all()
    first = said(lab)
    assert list(first) == ["volume-dirty-at-start"]
    mark(lab, kind, True)
    assert said(lab) == first
    mark(lab, kind, False)
    assert said(lab) == first
    mark(lab, kind, True)
    assert said(lab) == {**first, "volume-left-dirty": (lab.number,)}


def test_a_read_that_the_recorder_cut_short_shows_no_mark() -> None:
    lab = Lab(sample("fat16"))
    lab.capacity()
    lab.read(0, captured=32)
    lab.write(0, marked(lab.image, "fat16", 0))
    assert said(lab) == {"volume-left-dirty": (lab.number,)}


def test_a_mark_seen_before_the_volume_was_recognised_counts_from_then() -> None:
    """The boot sector of a partition is written before block 0 shows that it is one."""
    lab = Lab(disk("fat16", 2048, own_place=0))
    struct.pack_into("<B3xB3xII", lab.image, 446, 0, 0x0E, 2048, len(lab.image) // 512 - 2048)
    lab.image[510:512] = b"\x55\xaa"
    lab.write(2048, marked(lab.image, "fat16", 2048))
    lab.read(1)
    lab.read(0)
    assert said(lab) == {"volume-left-dirty": (1,)}


# evidence


def evidence(lab: Lab) -> dict[str, tuple[int, ...]]:
    """Facts with their evidence."""
    return {fact.slug: fact.evidence for fact in lab.tracker.findings()}


def test_a_table_rewritten_with_the_same_defect_keeps_its_evidence() -> None:
    """A partition beyond the end of the medium, read; then the table is written with another partition changed."""
    lab = Lab(sample("mbr"))
    struct.pack_into("<I", lab.image, 446 + 12, 200_000)
    lab.capacity(98_304)
    lab.read(0)
    before = evidence(lab)
    assert before["partition-past-end"] == (2,)
    changed = bytearray(lab.image[:512])
    changed[440:444] = b"\x01\x02\x03\x04"
    lab.write(0, bytes(changed))
    assert evidence(lab) == before
    struct.pack_into("<I", changed, 446 + 12, 32_768)
    lab.write(0, bytes(changed))
    assert "partition-past-end" not in evidence(lab)
    struct.pack_into("<I", changed, 446 + 12, 200_000)
    lab.write(0, bytes(changed))
    assert evidence(lab)["partition-past-end"] == (lab.number,), "gone, and back again"


def test_a_capacity_read_after_the_table_is_held_against_it() -> None:
    lab = Lab(sample("mbr"))
    lab.read(0)
    assert evidence(lab) == {}
    lab.capacity(20_000)
    assert evidence(lab)["partition-past-end"] == (lab.number,)


def test_a_boot_sector_rewritten_keeps_its_evidence() -> None:
    """The volume claims more blocks than the medium has; the marks in it come and go."""
    lab = Lab(sample("fat16"))
    lab.capacity(20_000)
    lab.read(0)
    lab.read(1)
    for in_use in (True, False, True):
        lab.write(0, marked(lab.image, "fat16", 0, in_use))
    assert evidence(lab)["volume-past-end"] == (2,)
    assert [v.found_at for v in only(lab).volumes] == [2] and only(lab).division.table_at == 2


@pytest.mark.parametrize("kind", ["fat16", "exfat"])
def test_an_entry_rewritten_keeps_its_evidence(kind: str) -> None:
    """A file whose size is longer than its chain. Other entries in its block are changed later, and its own date."""
    lab = Lab(sample(kind))
    whole = read_whole(kind)
    files = whole.tracker.volumes()[0].files
    assert files is not None
    node = next(n for n in files.root.walk() if n.path == "/LEVELS/2031-04.CSV")
    assert node.parent is not None
    block = files.block_of(node.parent, 0)
    assert block is not None
    at = block * 512 + 32 * node.entry.slot
    if kind == "exfat":
        for place in (at + 32 + 8, at + 32 + 24):
            struct.pack_into("<Q", lab.image, place, 4_000_000)
    else:
        struct.pack_into("<I", lab.image, at + 28, 4_000_000)
    lab.read_all(1)
    before = evidence(lab)
    slug = "chain-too-short"
    if kind == "exfat":
        assert slug in before or "chain-longer-than-size" in before or "entry-unsound" in before
        slug = next(iter(before))
    changed = bytearray(lab.image[block * 512 : block * 512 + 512])
    changed[at % 512 + (14 if kind == "fat16" else 16)] ^= 0x01
    changed[500] ^= 0x01
    lab.write(block, bytes(changed))
    assert evidence(lab)[slug] == before[slug] != ()


def test_copies_of_the_fat_that_differ_keep_the_first_exchange_that_showed_it() -> None:
    lab = read_whole("fat16")
    files = lab.tracker.volumes()[0].files
    assert files is not None
    lba = files.shape.fat
    block = bytearray(lab.image[lba * 512 : lba * 512 + 512])
    block[400:402] = b"\xf7\xff"
    lab.write(lba, bytes(block))
    at = lab.number
    block[404:406] = b"\xf7\xff"
    lab.write(lba, bytes(block))
    lab.write(lba + files.shape.fat_blocks, bytes(block[:400]) + bytes(4) + bytes(block[404:]))
    assert evidence(lab)["fat-copies-differ"][0] == at


def test_clusters_without_an_entry_name_the_first_write() -> None:
    lab = read_whole("fat16")
    for _ in range(3):
        lab.write(len(lab.image) // 512 - 60, b"orphan".ljust(512))
    assert evidence(lab)["data-without-entry"] == (lab.number - 2,)
