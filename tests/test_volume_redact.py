"""A redacted copy tells the same story without the private parts."""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import sticktrace
from conftest import capture_bytes, capture_names, capture_path
from sticktrace.errors import SticktraceError
from sticktrace.grammar import exfat, fat, gpt
from sticktrace.volume.redact import Keep, redact
from sticktrace.volume.redact_blocks import BlockRedactor
from sticktrace.volume.scramble import Scrambler
from sticktrace.volume.tracker import VolumeTracker
from test_volume_files import MAKER, read_whole
from volume_lab import Lab

KEY = bytes(range(32))
PRIVATE = [
    b"SKERRY", b"TIDEPIER", b"2031-04-", b"STATION", "STATION".encode("utf-16-le"), b"LEVELS", b"datum", b"levelling",
]  # fmt: skip
"""Words that the recordings are known to hold: identity, label, file contents and names."""


def story(path: Path) -> tuple[list[Any], list[Any], list[str]]:
    """Exchanges, facts and shapes of files, without any private word."""
    with sticktrace.open(path) as capture:
        tracker = VolumeTracker(capture.read)
        exchanges = []
        for x in capture.exchanges():
            tracker.feed(x)
            exchanges.append((
                x.number, x.time_ns, x.end_ns, x.cdb, x.status, x.residue, x.moved, x.case, x.stalled, x.truncated,
                x.records, x.notes, x.sense, x.pieces,
            ))  # fmt: skip
        nodes = [n for v in tracker.volumes() if v.files is not None for n in v.files.root.walk()]
        shapes = [(n.entry.size, n.entry.kind, n.stop, n.path.count("/"), n.entry.modified) for n in nodes]
        facts = [(fact.slug, fact.severity, fact.evidence) for fact in tracker.findings()]
        return exchanges, facts + shapes, [change.kind for change in tracker.changes()]


BINARY = [name for name in capture_names() if not name.endswith(".txt")]


@pytest.mark.parametrize("name", capture_names())
def test_the_copy_has_the_same_exchanges_facts_and_changes(name: str, tmp_path: Path) -> None:
    before, after = tmp_path / name, tmp_path / f"redacted-{name}"
    before.write_bytes(capture_bytes(name))
    with sticktrace.open(before) as capture:
        if capture.form == "hex text":
            pytest.skip("hex text is refused")
        redact(capture, after)
    assert after.stat().st_size == before.stat().st_size
    assert story(after) == story(before)
    data = after.read_bytes()
    assert [word for word in PRIVATE if word in data] == []


def test_what_is_kept_on_request(tmp_path: Path) -> None:
    name = "l01_fat32_ehci-usbmon.pcap"
    with sticktrace.open(capture_path(name)) as capture:
        report = redact(capture, tmp_path / "all", Keep(names=True, serials=True, strings=True, contents=True))
        assert (tmp_path / "all").read_bytes() == capture_bytes(name) and report.in_words() == ["nothing to replace"]
        redact(capture, tmp_path / "names", Keep(names=True))
        kept = (tmp_path / "names").read_bytes()
    assert b"STATION TXT" in kept and b"TIDEPIER" in kept and b"datum 4" not in kept and b"SKERRY" not in kept


def test_nothing_is_overwritten_and_two_runs_differ(tmp_path: Path) -> None:
    name = "l01_fat32_ehci-usbmon.pcap"
    with sticktrace.open(capture_path(name)) as capture:
        report = redact(capture, tmp_path / "one")
        redact(capture, tmp_path / "two")
        assert (tmp_path / "one").read_bytes() != (tmp_path / "two").read_bytes(), "the key is not kept"
        with pytest.raises(SticktraceError, match="not overwritten"):
            redact(capture, tmp_path / "one")
        redact(capture, tmp_path / "one", overwrite=True)
    assert any("blocks of file data" in line for line in report.in_words())


def redacted_lab(name: str) -> Lab:
    """A sample volume, every block of it redacted, read whole again."""
    lab = read_whole(name)
    (medium,) = lab.tracker.media.values()
    blocks = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter())
    image = bytearray(lab.image)
    for lba in range(len(image) // 512):
        data = bytes(lab.image[lba * 512 : lba * 512 + 512])
        image[lba * 512 : lba * 512 + 512] = blocks.block(lba, data, medium.store.content)
    made = Lab(image)
    made.capacity()
    made.read_all()
    return made


@pytest.mark.parametrize("name", ["fat12", "fat32", "exfat", "mbr", "gpt"])
def test_a_redacted_volume_is_as_sound_as_before(name: str) -> None:
    """All checksums hold: long names to short ones, exFAT sets, GPT arrays and headers; nothing readable is left."""
    before, after = read_whole(name), redacted_lab(name)
    assert after.tracker.findings() == []
    assert [size for path, size in after.paths().items() if path != "/"] == [
        size for path, size in before.paths().items() if path != "/"
    ]
    for path in before.paths():
        assert path == "/" or path not in after.paths()
    for word in (b"TIDEPIER", b"STATION", b"SKERRY", "Harbour".encode("utf-16-le"), "LEVELS".encode("utf-16-le")):
        assert word not in after.image
    if name == "gpt":
        header = gpt.HEADER.parse(bytes(after.image[512:604]))
        assert header["PartitionEntryArrayCRC32"] == zlib.crc32(bytes(after.image[1024 : 1024 + 16384]))
        assert gpt.header_crc(bytes(after.image[512:604])) == header["HeaderCRC32"]


def test_directory_that_crosses_a_block_keeps_its_sets_together() -> None:
    """exFAT 6.3: a set may cross from one sector, or cluster, to the next."""
    lab = read_whole("exfat")
    image = bytearray(lab.image)
    writer = MAKER.ExfatWriter(image)
    for index in range(12):
        writer.enter(writer.root, f"Tide table for the harbour office, part {index}.txt", b"")
    lab.write_differences(image)
    (medium,) = lab.tracker.media.values()
    blocks = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter())
    files = medium.volumes[0].files
    assert files is not None
    root = files.lba_of(files.shape.root_cluster)
    for lba in range(root, root + 8):
        data = bytes(image[lba * 512 : lba * 512 + 512])
        lab.write(lba, blocks.block(lba, data, lambda at: bytes(image[at * 512 : at * 512 + 512])))
    assert lab.tracker.findings() == [] and len(lab.paths()) == 12 + 6


@given(
    st.text(alphabet="ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", min_size=6, max_size=8),
    st.sampled_from(["TXT", "CSV", "   "]),
)
def test_short_names_keep_their_checksum(base: str, extension: str) -> None:
    name = (base.ljust(8) + extension).encode()
    (medium,) = read_small().tracker.media.values()
    made = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter()).short_name(name)
    assert len(made) == 11 and (not base.isalpha() or fat.checksum(made) == fat.checksum(name))


def read_small() -> Lab:
    """The smallest lab that has a medium."""
    lab = Lab(bytes(512))
    lab.read(0)
    return lab


@given(st.text(max_size=40), st.text(max_size=40))
def test_scrambled_text_keeps_length_and_kind(one: str, other: str) -> None:
    scrambler = Scrambler(KEY)
    made = scrambler.text(one)
    assert len(made) == len(one) and made.isascii()
    for a, b in zip(one, made, strict=True):
        if a.isascii():
            assert (a.isdigit(), a.isupper(), a.islower(), a in "0123456789ABCDEF") == (
                b.isdigit(), b.isupper(), b.islower(), b in "0123456789ABCDEF",
            )  # fmt: skip
    if one.isascii() and other.isascii():
        assert (made == scrambler.text(other)) == (one == other)


def test_filler_is_equal_where_data_was() -> None:
    scrambler = Scrambler(KEY)
    assert scrambler.fill(b"a" * 512) == scrambler.fill(b"a" * 512) != scrambler.fill(b"b" * 512)
    assert scrambler.fill(bytes(512)) == bytes(512) and scrambler.fill(b"\xff" * 9) == b"\xff" * 9
    assert exfat.NAME not in scrambler.fill(exfat.NAME * 64)


def test_a_copy_that_fails_is_taken_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Scrambler, "fill", fails)
    with (
        sticktrace.open(capture_path("l01_fat32_ehci-usbmon.pcap")) as capture,
        pytest.raises(SticktraceError, match="No space left"),
    ):
        redact(capture, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_words_of_a_pcapng_container_go(tmp_path: Path) -> None:
    """draft-ietf-opsawg-pcapng: options 2 (hardware), 3 (system), 4 (application) of the section header."""
    name = next(n for n in BINARY if n.endswith(".pcapng"))
    data = capture_bytes(name)
    order = "<" if data[8:12] == b"\x4d\x3c\x2b\x1a" else ">"
    (length,) = struct.unpack_from(order + "I", data, 4)
    words = struct.pack(order + "HH", 4, 10) + b"PIERSERVER\0\0" + struct.pack(order + "HH", 0, 0)
    head = data[: 24] + words
    total = struct.pack(order + "I", len(head) + 4)
    path = tmp_path / "words.pcapng"
    path.write_bytes(head[:4] + total + head[8:] + total + data[length:])
    with sticktrace.open(path) as capture:
        redact(capture, tmp_path / "out.pcapng")
    assert b"PIERSERVER" not in (tmp_path / "out.pcapng").read_bytes()
    assert len(story(tmp_path / "out.pcapng")[0]) == len(story(path)[0]) > 0
