"""A redacted copy tells the same story without the private parts."""

from __future__ import annotations

import struct
import textwrap
import zlib
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import ROOT, capture_bytes, capture_names, capture_path
from sticktrace.errors import SticktraceError
from sticktrace.findings import diagnose
from sticktrace.grammar import exfat, fat, gpt
from sticktrace.redaction import identity
from sticktrace.redaction.blocks import BlockRedactor
from sticktrace.redaction.copying import Keep, redact
from sticktrace.redaction.filler import Scrambler
from sticktrace.volume.plausible import looks_like_table, reads_as_text
from sticktrace.volume.tracker import VolumeTracker
from test_volume_files import MAKER, read_whole
from volume_lab import Lab, sample

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


DEMOS = sorted(path for path in (ROOT / "traces" / "demo").iterdir() if path.suffix == ".pcap")


@pytest.mark.parametrize("before", DEMOS, ids=lambda path: path.stem)
def test_a_demo_keeps_its_diagnosis_and_nothing_private(before: Path, tmp_path: Path) -> None:
    """Among them a counterfeit that answers a read of the FAT with file data, writes that stalled with their data
    submitted, and a GPT whose GUID spells a name. The words are those of the script that makes the demos."""
    after = tmp_path / before.name
    with sticktrace.open(before) as capture:
        redact(capture, after)
    assert story(after) == story(before) and verdict(after) == verdict(before)
    data = after.read_bytes()
    private = [*PRIVATE, b"QUAY-3", b"2031041800", "2031041800".encode("utf-16-le")]
    assert [word for word in private if word in data] == []


def verdict(path: Path) -> list[Any]:
    """Stages and findings with their evidence."""
    with sticktrace.open(path) as capture:
        found = diagnose(capture.reading())
    stages = [(rung.stage, rung.state) for report in found.reports for rung in report.rungs]
    return [*stages, *((f.pattern, f.severity, f.exchanges, f.records, f.time_ns) for f in found.findings)]


@pytest.mark.parametrize("name", capture_names())
def test_the_copy_has_the_same_exchanges_facts_and_changes(name: str, tmp_path: Path) -> None:
    before, after = tmp_path / name, tmp_path / f"redacted-{name}"
    before.write_bytes(capture_bytes(name))
    with sticktrace.open(before) as capture:
        redact(capture, after)
    assert after.stat().st_size == before.stat().st_size
    assert story(after) == story(before) and verdict(after) == verdict(before)
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
    (medium,) = lab.tracker.media
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
    (medium,) = lab.tracker.media
    blocks = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter())
    files = medium.volumes[0].files
    assert files is not None
    root = files.lba_of(files.shape.root_cluster)
    for lba in range(root, root + 8):
        data = bytes(image[lba * 512 : lba * 512 + 512])
        lab.write(lba, blocks.block(lba, data, lambda at: bytes(image[at * 512 : at * 512 + 512])))
    assert lab.tracker.findings() == [] and len(lab.paths()) == 12 + 6


@settings(deadline=None)
@given(
    st.text(alphabet="ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", min_size=1, max_size=8),
    st.sampled_from(["TXT", "CSV", "   "]),
)
def test_short_names_keep_their_checksum(base: str, extension: str) -> None:
    name = (base.ljust(8) + extension).encode()
    (medium,) = read_small().tracker.media
    made = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter()).short_name(name)
    assert len(made) == 11 and made != name and fat.checksum(made) == fat.checksum(name)


SHORT = [b"A          ", b"501        ", b"1          ", b"0          ", b"Z9      TXT", b"~          ", b"A       B  ",
         b"\x05LAUT      ", b"ABCDEFGHTXT", b"00000000000", b"!!!     #$%", b"\x9a\x9a\x9a     TXT"]  # fmt: skip


@pytest.mark.parametrize("name", SHORT)
@pytest.mark.parametrize("turn", range(4))
def test_no_short_name_becomes_itself(name: bytes, turn: int) -> None:
    """FAT spec, ChkSum: one byte decides it, and a name of one letter has no other with the same. So it gets longer;
    the long name entries, which hold the checksum, still belong to it."""
    (medium,) = read_small().tracker.media
    made = BlockRedactor(medium, Scrambler(KEY[turn:] + KEY[:turn]), Keep(), Counter()).short_name(name)
    assert made != name and len(made) == 11 and fat.checksum(made) == fat.checksum(name)
    assert made[:1] not in (b" ", b"\0", b"\xe5") and b" " not in made[:8].rstrip(b" ")
    assert len(made[8:].rstrip(b" ")) == len(name[8:].rstrip(b" "))


def test_short_names_stay_apart() -> None:
    """All names of one letter and of one digit, and some others: no two become the same, none becomes another."""
    (medium,) = read_small().tracker.media
    blocks = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter())
    names = [bytes([char]).ljust(11) for char in b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_~!"] + SHORT
    made = {name: blocks.short_name(name) for name in names}
    assert len(set(made.values())) == len(made) and all(name != other for name, other in made.items())


def test_a_directory_of_short_names_is_redacted_and_sound() -> None:
    """Files A and 501.TXT with long names of their own beside them, in other case."""
    image = sample("fat16")
    lab = Lab(image)
    lab.read_all()
    files = lab.tracker.volumes()[0].files
    assert files is not None
    root = files.start + files.shape.heap - files.shape.root_blocks
    sector = bytearray(lab.image[root * 512 : root * 512 + 512])
    at = next(i for i in range(0, 512, 32) if not sector[i])
    for text, short in (("a", b"A          "), ("501.txt", b"501     TXT")):
        units = (text + "\0").encode("utf-16-le")
        body = units.ljust(26, b"\xff")
        sum_byte = bytes([fat.checksum(short)])
        sector[at : at + 32] = b"\x41" + body[:10] + b"\x0f\0" + sum_byte + body[10:22] + bytes(2) + body[22:]
        sector[at + 32 : at + 64] = short + b"\x20" + bytes(20)
        at += 64
    lab.write(root, bytes(sector))
    (medium,) = lab.tracker.media
    made = BlockRedactor(medium, Scrambler(KEY), Keep(), Counter()).block(root, bytes(sector), medium.store.content)
    lab.write(root, made)
    assert [fact.slug for fact in lab.tracker.findings() if fact.slug == "entry-unsound"] == []
    assert not {"/a", "/A", "/501.txt", "/501.TXT"} & set(lab.paths())


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
    head = data[:24] + words
    total = struct.pack(order + "I", len(head) + 4)
    path = tmp_path / "words.pcapng"
    path.write_bytes(head[:4] + total + head[8:] + total + data[length:])
    with sticktrace.open(path) as capture:
        redact(capture, tmp_path / "out.pcapng")
    assert b"PIERSERVER" not in (tmp_path / "out.pcapng").read_bytes()
    assert len(story(tmp_path / "out.pcapng")[0]) == len(story(path)[0]) > 0


@pytest.mark.parametrize("name", [name for name in capture_names() if name.endswith(".txt")])
def test_kernel_text_with_broken_lines_is_changed_in_place(name: str, tmp_path: Path) -> None:
    """The lines stay broken as they were; only hex digits of data change, and to what the whole lines would give."""
    whole, broken = capture_bytes(name), tmp_path / "broken.txt"
    pieces = [f"> {piece}" for line in whole.decode().splitlines() for piece in textwrap.wrap(line, 72)]
    broken.write_text("\n".join(pieces) + "\n")
    (tmp_path / "whole.txt").write_bytes(whole)
    for before in (broken, tmp_path / "whole.txt"):
        with sticktrace.open(before) as capture:
            redact(capture, tmp_path / f"redacted-{before.name}", key=KEY)
    after = [line.removeprefix("> ") for line in (tmp_path / "redacted-broken.txt").read_text().splitlines()]
    assert " ".join(after).split() == (tmp_path / "redacted-whole.txt").read_text().split()


def test_hex_text_is_written_anew_without_the_console_around_it(tmp_path: Path) -> None:
    """docs/hex-text.md, the preferred form: time, direction, endpoint, length, bytes; failures by their number."""
    before, after = tmp_path / "console.txt", tmp_path / "redacted.txt"
    command = "55 53 42 43 02 00 00 00 00 02 00 00 80 00 0a 28 00 00 00 00 00 00 00 01 00 00 00 00 00 00 00"
    before.write_text(
        "pier gauge of the harbour office starts\n"
        "12.000100 SETUP: 80 06 03 03 09 04 0a 00\n"
        "12.000200 IN ep 80 10: 0a 03 37 00 37 00 31 00 38 00\n"
        f"12.000300 OUT ep 02 31: {command}\n"
        "12.000400 IN ep 81 512: " + b"Quay 3, level 412 cm.\n".ljust(64).hex(" ") + "\n"
        "12.000500 IN ep 81 13: 55 53 42 53 02 00 00 00 00 00 00 00 00\n"
        f"12.000600 OUT ep 02 31: status -110\n  {command}\n"
    )
    with sticktrace.open(before) as capture:
        report = redact(capture, after)
    text = after.read_text()
    assert b"Quay".hex(" ") not in text and "37 00 37" not in text and "harbour" not in text
    assert "took out 1 console line" in " ".join(report.in_words())
    assert "500000 ns OUT ep 02 0/31 status -110:\n  " + command[:-3] in text
    first, second = story(before), story(after)
    assert [x[1:9] for x in first[0]] == [x[1:9] for x in second[0]] and len(first[0]) == 2
    told = [[row[:3] for row in verdict(path)] for path in (before, after)]  # the console line had a number, too
    assert told[0] == told[1]


def test_identity_data_of_every_kind() -> None:
    """SPC-4 7.8.6, MMC-6 5.3.9 (feature 0108h), USB 3.0 9.6.2.3; VPD page 89h, ATA information, from memory."""
    scrambler = Scrambler(KEY)
    names = b"\0\x83\0\x18" + b"\x02\x01\0\x0cSKERRY  0417" + b"\x01\x03\0\x04\x50\x01\x02\x03"
    made = identity.inquiry(scrambler, 0x83, names)
    assert len(made) == len(names) and b"SKERRY" not in made and made[:8] == names[:8]
    assert made[20:25] == names[20:25] and made[25:] != names[25:]
    ata = b"\0\x89\x02\x38" + b"SERIAL-0417".ljust(568)
    assert b"0417" not in identity.inquiry(scrambler, 0x89, ata)
    feature = bytes(8) + b"\x01\x08\x03\x08PIER0417" + b"\x01\x07\0\0"
    made = identity.features(scrambler, feature)
    assert b"PIER" not in made and made[:12] == feature[:12] and made[20:] == feature[20:]
    bos = b"\x05\x0f\x1e\0\x02" + b"\x07\x10\x02\x02\0\0\0" + b"\x14\x10\x04\0" + bytes(range(16))
    made = identity.capabilities(scrambler, bos)
    assert made[:16] == bos[:16] and made[16:] != bos[16:] and len(made) == len(bos)


def test_a_fat_is_told_from_what_a_counterfeit_puts_in_its_place() -> None:
    """FAT spec, "FAT data structure": an entry is free, bad, an end, or the number of the next cluster."""
    for name in ("fat12", "fat16", "fat32", "exfat"):
        lab = read_whole(name)
        files = lab.tracker.volumes()[0].files
        assert files is not None
        shape = files.shape
        for index in range(shape.fat_blocks):
            at = (files.start + shape.fat + index) * 512
            assert looks_like_table(shape.kind, shape.clusters, index, bytes(lab.image[at : at + 512]))
        other = b"".join(Scrambler(KEY).digest(bytes([n])) for n in range(8))
        assert not looks_like_table(shape.kind, shape.clusters, 1, other)
        assert reads_as_text(b"QUAY-3,2031-04-17 12:00,412\n" * 18 + bytes(8))
