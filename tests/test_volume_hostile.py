"""Volumes made to do harm: every one ends quickly, raises nothing of its own, and says what is wrong."""

from __future__ import annotations

import struct
import time
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sticktrace.errors import SticktraceError
from sticktrace.grammar import fat, gpt
from sticktrace.volume import chains
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.recover import recover, write_image
from sticktrace.volume.sectors import layouts_at
from sticktrace.writing.names import harmless
from volume_lab import Lab, sample


def slugs(lab: Lab) -> set[str]:
    """Kinds of facts found."""
    return {fact.slug for fact in lab.tracker.findings()}


def long_entries(name: str, short: bytes, attributes: int, first: int, size: int) -> bytes:
    """A long name with its short entry, as the FAT spec lays them out."""
    text = name.encode("utf-16-le", "surrogatepass") + b"\0\0"
    parts = [text[i : i + 26].ljust(26, b"\xff") for i in range(0, len(text), 26)]
    out = b""
    for order in range(len(parts), 0, -1):
        piece, last = parts[order - 1], 0x40 if order == len(parts) else 0
        head = struct.pack("<B10sBBB", order | last, piece[:10], 0x0F, 0, fat.checksum(short))
        out += head + piece[10:22] + b"\0\0" + piece[22:]
    return out + short + struct.pack("<B8xHHHHI", attributes, first >> 16, 0, 0, first & 0xFFFF, size)


class Volume:
    """A FAT16 sample whose table and root directory a test can write to before a host reads it."""

    def __init__(self) -> None:
        self.image = sample("fat16")
        lab = Lab(self.image)
        lab.read(0)
        files = lab.tracker.volumes()[0].files
        assert isinstance(files, FileSystem)
        self.shape = files.shape
        self.root = (self.shape.heap - self.shape.root_blocks) * 512

    def chain(self, *clusters: int) -> None:
        """Links clusters; the last number is what the last entry holds."""
        for copy in range(2):
            at = (self.shape.fat + copy * self.shape.fat_blocks) * 512
            for cluster, following in pairwise(clusters):
                struct.pack_into("<H", self.image, at + 2 * cluster, following)

    def enter(self, name: str, attributes: int, first: int, size: int, at: int = -1) -> None:
        """Adds an entry to the root directory, or at a byte offset of the image."""
        place = at if at >= 0 else next(i for i in range(self.root, self.root + 16384, 32) if not self.image[i])
        raw = long_entries(name, b"HOSTILE TXT", attributes, first, size)
        self.image[place : place + len(raw)] = raw

    def at(self, cluster: int) -> int:
        """Byte offset of a cluster."""
        return (self.shape.heap + (cluster - 2) * self.shape.cluster_blocks) * 512

    def read(self) -> Lab:
        """A host reads all of it."""
        lab = Lab(self.image)
        lab.capacity()
        lab.read_all()
        return lab


def test_a_looping_chain() -> None:
    volume = Volume()
    volume.chain(3000, 3001, 3002, 3000)
    volume.enter("loop.csv", 0x20, 3000, 1 << 20)
    lab = volume.read()
    assert slugs(lab) == {"chain-loop"}
    assert "/loop.csv: its cluster chain runs into itself" in [fact.text for fact in lab.tracker.findings()]


def test_crossed_chains_name_both_files() -> None:
    volume = Volume()
    volume.chain(3000, 3001, 0xFFFF)
    volume.chain(3010, 3001)
    volume.enter("one.csv", 0x20, 3000, 4096)
    volume.enter("two.csv", 0x20, 3010, 4096)
    texts = [fact.text for fact in volume.read().tracker.findings() if fact.slug == "chain-cross-linked"]
    assert texts == ["/two.csv: its cluster chain runs into that of /one.csv"]


def test_chains_that_end_badly() -> None:
    volume = Volume()
    volume.chain(3000, 0xFFF7)
    volume.chain(3010, 0xFFF0)
    volume.chain(3020, 0xFFFF)
    volume.enter("bad.csv", 0x20, 3000, 1)
    volume.enter("broken.csv", 0x20, 3010, 1)
    volume.enter("short.csv", 0x20, 3020, 99999)
    volume.enter("free.csv", 0x20, 3030, 1)
    assert slugs(volume.read()) == {"chain-bad", "chain-broken", "chain-too-short", "chain-into-free"}


def test_a_directory_within_itself() -> None:
    volume = Volume()
    volume.chain(3000, 0xFFFF)
    volume.enter("ring", 0x10, 3000, 0)
    volume.enter("ring", 0x10, 3000, 0, at=volume.at(3000))
    lab = volume.read()
    assert "/ring/ring" in lab.paths() and "/ring/ring/ring" not in lab.paths()
    assert slugs(lab) == {"chain-cross-linked"}


def test_directories_nested_without_end() -> None:
    volume = Volume()
    for depth in range(300):
        volume.chain(3000 + depth, 0xFFFF)
        volume.enter("d", 0x10, 3000 + depth, 0, at=volume.at(3000 + depth - 1) if depth else -1)
    lab = volume.read()
    assert 50 < max(path.count("/") for path in lab.paths()) < 70


def test_a_directory_as_large_as_the_volume() -> None:
    """FAT spec: a directory has at most 65,536 entries, 2 MiB."""
    volume = Volume()
    clusters = range(2000, volume.shape.clusters)
    volume.chain(*clusters, 0xFFFF)
    volume.enter("vast", 0x10, 2000, 0)
    assert slugs(volume.read()) == {"chain-too-long"}


def test_an_entry_that_claims_4_gib() -> None:
    volume = Volume()
    volume.chain(3000, 0xFFFF)
    volume.enter("huge.bin", 0x20, 3000, 0xFFFFFFFF)
    lab = volume.read()
    assert slugs(lab) == {"chain-too-short"}


NAMES = [
    "../../x", "..", "/etc/passwd", "C:\\x", "CON", "con.txt", "nul", "COM1.csv", "a\x1b[31mb", "a\u202eb", " ",
    "x" * 255, "\ud800",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_harmless_names(name: str) -> None:
    made = harmless(name.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace"))
    assert made and made not in (".", "..") and not set(made) & set('/\\:*?"<>|')
    assert made.isprintable() and len(made.encode()) <= 200
    assert made.split(".")[0].upper() not in {"CON", "NUL", "COM1"}


def test_recovery_stays_within_its_directory(tmp_path: Path) -> None:
    volume = Volume()
    for index, name in enumerate(NAMES[:-1]):
        volume.chain(3000 + index, 0xFFFF)
        volume.enter(name, 0x20, 3000 + index, 16)
    lab = volume.read()
    (medium,) = lab.tracker.media
    out = tmp_path / "deep" / "out"
    results = list(recover(medium, medium.volumes[0], out))
    written = [item.written_to for item in results if item.written_to is not None]
    assert len(written) == len(set(written)) >= len(NAMES) - 1
    assert all(path.resolve().is_relative_to(out.resolve()) for path in written)
    assert {path.name for path in tmp_path.iterdir()} == {"deep"}
    assert all(item.path.isprintable() for item in results)


def test_recovery_overwrites_nothing_and_follows_no_link(tmp_path: Path) -> None:
    lab = Volume().read()
    (medium,) = lab.tracker.media
    out, outside = tmp_path / "out", tmp_path / "outside"
    out.mkdir()
    outside.mkdir()
    (out / "LEVELS").symlink_to(outside)
    (out / "STATION.TXT").write_bytes(b"mine")
    (out / "EMPTY.LOG").symlink_to(tmp_path / "victim")
    notes = {item.path: item.note for item in recover(medium, medium.volumes[0], out)}
    assert (out / "STATION.TXT").read_bytes() == b"mine" and not list(outside.iterdir())
    assert not (tmp_path / "victim").exists()
    assert "exists" in notes["/STATION.TXT"] and "not a directory" in notes["/LEVELS"]
    again = {i.path: i for i in recover(medium, medium.volumes[0], out, overwrite=True)}
    assert again["/STATION.TXT"].written_to is not None and (out / "STATION.TXT").read_bytes() != b"mine"
    assert again["/EMPTY.LOG"].written_to is None


def test_an_image_is_not_overwritten(tmp_path: Path) -> None:
    (medium,) = Volume().read().tracker.media
    (tmp_path / "x.img").write_bytes(b"mine")
    with pytest.raises(SticktraceError, match="not overwritten"):
        write_image(medium, tmp_path / "x.img")
    assert (tmp_path / "x.img").read_bytes() == b"mine"


def test_a_refused_image_leaves_nothing_behind(tmp_path: Path) -> None:
    """A map of an earlier image is in the way: then no empty image is made either."""
    (medium,) = Volume().read().tracker.media
    (tmp_path / "x.img.map").write_bytes(b"mine")
    with pytest.raises(SticktraceError, match=r"x\.img\.map: exists"):
        write_image(medium, tmp_path / "x.img")
    assert [path.name for path in tmp_path.iterdir()] == ["x.img.map"]


def table(*records: tuple[int, int, int]) -> bytes:
    """An MBR of (type, first, count) records."""
    body = b"".join(struct.pack("<B3xB3xII", 0, *item) for item in records)
    return bytes(446) + body.ljust(64, b"\0") + b"\x55\xaa"


def test_a_command_that_names_every_block_is_labelled_at_once() -> None:
    """Only a few regions are named, whatever the command block claims; SBC-3: READ(16) names up to 2^32 - 1 blocks."""
    lab = Lab(sample("fat32"))
    lab.capacity(1 << 32)
    lab.read(0)
    cdb = struct.pack(">BBQIBB", 0x88, 0, 0, 0xFFFFFFFF, 0, 0)
    for _ in range(200):
        lab.exchange(cdb, b"", "in", status="failed", expected=0xFFFFFFFF)
    assert lab.labels[-1].startswith("boot sector; FSInfo; reserved sectors; ")


def test_long_chains_walked_again_and_again_run_out_of_credit(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chain in single steps over the whole volume, whose head is cut and joined by every write."""
    monkeypatch.setattr(chains, "FIRST_CREDIT", 1 << 16)
    monkeypatch.setattr(chains, "CREDIT", 64)
    volume = Volume()
    last = volume.shape.clusters + 1
    pairs = zip(range(200, 200 + last // 3), range(last, last - last // 3, -1), strict=True)
    volume.chain(*(cluster for pair in pairs for cluster in pair), 0xFFFF)
    volume.enter("zigzag", 0x20, 200, 1 << 24)
    lab = volume.read()
    at = volume.shape.fat
    whole = bytes(volume.image[at * 512 : at * 512 + 512])
    cut = whole[:400] + b"\xff\xff" + whole[402:]
    for _ in range(20):
        lab.write(at, cut)
        lab.write(at, whole)
    assert "volume-restless" in slugs(lab)
    assert lab.read(at) == "FAT 1, clusters 0-255"


def test_overlapping_and_overlong_partitions() -> None:
    lab = Lab(table((0x0C, 100, 5000), (0x0C, 200, 0xFFFFFFFF)) + bytes(512 * 99))
    lab.capacity()
    lab.read(0)
    assert slugs(lab) == {"partitions-overlap", "partition-past-end"}


def test_an_extended_chain_that_loops() -> None:
    image = bytearray(512 * 64)
    image[:512] = table((5, 10, 50))
    image[10 * 512 : 11 * 512] = table((0x83, 1, 1), (5, 10, 1))
    image[20 * 512 : 21 * 512] = table((0x83, 1, 1), (5, 10, 1))
    lab = Lab(image)
    lab.read(0, 64)
    assert slugs(lab) == {"mbr-chain-loop"}


def test_gpt_headers_that_lie() -> None:
    image = sample("gpt")
    struct.pack_into("<Q", image, 512 + 72, 1 << 63)
    lab = Lab(image)
    lab.capacity()
    lab.read_all()
    assert "gpt-header-crc" in slugs(lab)
    assert lab.paths()["/STATION.TXT"] == 36, "the backup header serves"


def resealed(image: bytearray, entries: int, size: int) -> bytearray:
    """A GPT sample whose header names other entries, with its checksum made right again (UEFI 5.3.2)."""
    struct.pack_into("<4xII", image, 512 + 76, entries, size)
    struct.pack_into("<I", image, 512 + 16, gpt.header_crc(bytes(image[512 : 512 + 92])))
    return image


@pytest.mark.parametrize(("entries", "size", "slug"), [
    (0xFFFFFFFF, 128, "gpt-entries-many"), (1024, 4096, "gpt-entries-many"), (128, 0, "gpt-entry-size"),
    (128, 200, "gpt-entry-size"), (128, 0xFFFFFFFF, "gpt-entry-size"),
])  # fmt: skip
def test_gpt_arrays_of_absurd_size_are_not_followed(entries: int, size: int, slug: str) -> None:
    """UEFI 5.3.2: SizeOfPartitionEntry is 128 times a power of two. Read block by block, the most that can be asked."""
    lab = Lab(bytes(resealed(sample("gpt", 1 << 18), entries, size)))
    lab.capacity()
    began = time.process_time()
    for lba in range(300):
        lab.read(lba)
    assert slug in slugs(lab) and time.process_time() - began < 5


@pytest.mark.parametrize(("name", "at", "raw", "slug"), [
    ("fat16", 11, b"\0\0", "boot-sector-unsound"), ("fat16", 16, b"\0", "boot-sector-unsound"),
    ("fat16", 22, b"\1\0", "fat-too-short"), ("fat16", 22, b"\0\0", "volume-undecodable"),
    ("fat32", 44, b"\0\0\0\0", "chain-broken"), ("exfat", 72, bytes(8), "volume-undecodable"),
    ("exfat", 92, b"\xf5\xff\xff\xff", "volume-undecodable"), ("exfat", 60, b"x", "exfat-boot-checksum"),
])  # fmt: skip
def test_a_boot_sector_that_lies_gives_one_clear_fact(name: str, at: int, raw: bytes, slug: str) -> None:
    """FAT spec, BPB; exFAT 3.1 and 3.4."""
    image = sample(name, 1 << 20)
    image[at : at + len(raw)] = raw
    lab = Lab(bytes(image))
    lab.read_all()
    assert slug in slugs(lab)


def test_a_fat32_layout_with_too_few_clusters_is_read_and_told() -> None:
    """FAT spec, FAT type determination: FAT32 has 65,525 clusters or more; formatters can be forced to make fewer."""
    image = sample("fat32")
    struct.pack_into("<I", image, 32, 40_000)
    lab = Lab(bytes(image))
    lab.read_all()
    assert slugs(lab) == {"fat-type-disputed", "free-count-differs"} and lab.paths()["/STATION.TXT"] == 36
    assert lab.tracker.volumes()[0].kind == "FAT32"


def test_an_exfat_bitmap_that_frees_a_file() -> None:
    """exFAT 7.1.5: a set bit is an allocated cluster."""
    lab = Lab(bytes(sample("exfat")))
    lab.read_all()
    files = lab.tracker.volumes()[0].files
    assert files is not None and slugs(lab) == set()
    bitmap = next(node for node in files.root.walk() if node.entry.kind == "bitmap")
    lab.write(files.lba_of(bitmap.entry.first), bytes(512))
    assert slugs(lab) == {"bitmap-differs"}


def test_a_partition_typed_fat_without_a_boot_sector() -> None:
    image = bytearray(table((0x0C, 8, 56)) + bytes(512 * 63))
    image[8 * 512 : 9 * 512] = b"QUAY-3,412\n".ljust(512, b"7")
    lab = Lab(bytes(image))
    lab.read(0, 64)
    assert slugs(lab) == {"volume-undecodable"}


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(["fat12", "fat16", "exfat", "mbr", "gpt"]), st.data())
def test_any_damage_is_taken_in_stride(name: str, data: st.DataObject) -> None:
    """Bytes changed at random where the structures are: no exception, and every answer can still be made."""
    image = sample(name, 1 << 21)
    hot = [at for at in range(0, len(image), 512) if any(image[at : at + 512])][:200]
    for _ in range(data.draw(st.integers(1, 12))):
        at = data.draw(st.sampled_from(hot)) + data.draw(st.integers(0, 511))
        image[at] = data.draw(st.integers(0, 255))
    lab = Lab(sample(name, 1 << 21))
    lab.capacity(1 << 17)
    lab.read_all()
    lab.write_differences(image)
    for medium in lab.tracker.media:
        for volume in medium.volumes:
            for node in volume.files.root.walk() if volume.files is not None else ():
                assert node.path.isprintable()
        for lba, block in list(medium.store.captured(0, 64)):
            for at, layout in layouts_at(medium, lba, block):
                layout.explain(block[at:])
    lab.tracker.findings()
    lab.tracker.changes()


def test_a_name_of_spaces_that_are_no_plain_spaces_shows() -> None:
    """Byte FFh of a short name is U+00A0 in code page 437; what cannot be told from a space is written as an escape."""
    lab = Lab(sample("fat16"))
    lab.read_all()
    files = lab.tracker.volumes()[0].files
    assert files is not None
    root = files.start + files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    slot = next(i for i in range(0, 512, 32) if sector[i : i + 11] == b"STATION TXT")
    sector[slot : slot + 8] = b"\xff  \xff    "
    lab.write(root, bytes(sector))
    assert "/\\xa0  \\xa0.TXT" in lab.paths()
