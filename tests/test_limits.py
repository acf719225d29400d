"""docs/limits.md: every limit there has the number that the program has, and a capture beyond it ends in one line or is
read on, as the page says."""

from __future__ import annotations

import gzip
import lzma
import re
import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import sticktrace
from conftest import ROOT
from hands import run
from sticktrace.capture import damage_log, hex_lines, pcap, pcapng, unpacking, unread, usbmon_text
from sticktrace.capture.logs import recogniser
from sticktrace.errors import CaptureError
from sticktrace.redaction import secrets
from sticktrace.transport import sequence
from sticktrace.volume import changes, division, extent_log, partitions, recover
from sticktrace.writing import names, scratch
from volume_lab import Lab
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

MIB = 1 << 20
STATED = {
    "record of a pcap file": f"{pcap.LARGEST_RECORD // MIB} MiB",
    "block of a pcapng file": f"{pcapng.LARGEST_BLOCK // MIB} MiB",
    "interfaces of a pcapng section": f"{pcapng.MOST_INTERFACES:,}",
    "search for the next good record": f"{pcap.SEARCH // MIB} MiB",
    "places of damage told one by one": f"{damage_log.MOST}",
    "line of a usbmon text": f"{usbmon_text.LONGEST_LINE:,} characters",
    "line of a hex text": f"{hex_lines.LONGEST_LINE:,} characters",
    "line of a log": f"{recogniser.LONGEST_LINE:,} characters",
    "kinds of lines not understood that are listed": f"{unread.MOST_SHAPES:,}",
    "unpacked size": f"{unpacking.FREELY >> 30} GiB, beyond it {unpacking.RATIO} times the packed size",
    "memory for unpacking": f"{unpacking.MEMORY // MIB} MiB",
    "packing within packing": "one layer",
    "temporary space left free": f"{scratch.LEFT_FREE // MIB} MiB",
    "commands that wait for an earlier one": f"{sequence.MOST_HELD:,}",
    "blocks of one command": f"{extent_log.MOST_BLOCKS:,}",
    "block addresses": f"below 2^{extent_log.HIGHEST.bit_length() - 1}",
    "partitions and volumes of a medium": f"{division.MOST_VOLUMES}",
    "links of a chain of logical partitions": f"{partitions.CHAIN_LIMIT}",
    "changes in the story of a volume": f"{changes.LONGEST_STORY:,}",
    "size of an image": f"2^{recover.LARGEST.bit_length()} bytes",
    "zeros that a recovered file is filled up with": f"{recover._ZEROS // MIB} MiB",
    "name of a recovered file": f"{names._LONGEST} bytes",
    "words that a copy is searched for": f"{secrets.MOST:,}",
}
"""What a limit is on, and its number in words."""


def test_the_page_has_the_numbers_of_the_program() -> None:
    page = (ROOT / "docs" / "limits.md").read_text(encoding="utf-8")
    table = page.partition("|---|---|---|")[2].partition("\n\n")[0]
    assert dict(re.findall(r"^\| ([^|]+?) \| ([^|]+?) \| [^|]+ \|$", table, re.MULTILINE)) == STATED


def one_line(data: bytes, folder: Path) -> str:
    """The one line in which a capture is refused."""
    (folder / "c").write_bytes(data)
    status, out, error = run(["check", "c"], folder)
    assert (status, out, error.count("\n")) == (3, "", 1), error
    return error


# -- packed ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pack", [gzip.compress, lzma.compress])
def test_a_packed_file_may_unpack_to_so_much(
    pack: Callable[[bytes], bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Real ratios, a small allowance: 4 MiB of zeros pack a thousandfold, a recording some tenfold."""
    monkeypatch.setattr(unpacking, "FREELY", 1 << 20)
    path = tmp_path / "c"
    path.write_bytes(pack(bytes(4 << 20)))
    assert path.stat().st_size * unpacking.RATIO < 4 << 20
    with pytest.raises(CaptureError, match=r"unpacks to more than 1 MiB; refused \(docs/limits.md\)"):
        sticktrace.open(path)
    one = host()
    for lba in range(4000):
        one.command(wire.read10(lba), data_in=b"%04d" % lba * 128)
    path.write_bytes(pack(one.recorder.pcap()))
    with sticktrace.open(path) as capture:
        assert len(capture.source.data) > 1 << 20 and len(capture.exchanges()) == 4001


def test_a_few_bytes_that_claim_gigabytes_of_memory(tmp_path: Path) -> None:
    """The .xz file format 1.1.0, 5.3.1: the dictionary size is one byte of the filter's properties, up to 4 GiB - 1."""
    filters = [{"id": lzma.FILTER_LZMA2, "dict_size": 1 << 30}]
    packed = lzma.compress(b"x" * 100, filters=filters)
    assert len(packed) < 100
    said = one_line(packed, tmp_path)
    assert "needs more than 256 MiB of memory to unpack; refused (docs/limits.md)" in said


def test_one_layer_is_unpacked(tmp_path: Path) -> None:
    assert "not a form that sticktrace reads" in one_line(
        gzip.compress(gzip.compress(host().recorder.pcap())), tmp_path
    )


def test_temporary_space_is_looked_at_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import shutil

    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=scratch.LEFT_FREE + 100))
    (tmp_path / "c.gz").write_bytes(gzip.compress(host().recorder.pcap()))
    with pytest.raises(CaptureError, match=r"temporary space in .* is full"):
        sticktrace.open(tmp_path / "c.gz")


# -- records and lines -------------------------------------------------------------------------------------------------


def host() -> Host:
    """A host with an enumerated stick."""
    new = Host(Recorder(), Stick(Identity(), [Unit(Medium(1 << 16))]))
    new.enumerate()
    new.execute(wire.read_capacity10())
    return new


def damage_of(data: bytes, folder: Path) -> tuple[list[str], int]:
    """What is said of damage, and how many exchanges are read all the same."""
    (folder / "c").write_bytes(data)
    with sticktrace.open(folder / "c") as capture:
        count = sum(1 for _ in capture.exchanges())
        return [str(damage) for damage in capture.skim().damage], count


def test_a_record_that_claims_more_than_any_recorder_writes(tmp_path: Path) -> None:
    one = host()
    for lba in range(8):
        one.execute(wire.read10(lba))
    data = bytearray(one.recorder.pcap())
    at = data.index(b"USBC", len(data) // 2) - 64 - 16
    struct.pack_into("<II", data, at + 8, pcap.LARGEST_RECORD + 1, pcap.LARGEST_RECORD + 1)
    said, count = damage_of(bytes(data), tmp_path)
    assert len(said) == 1 and "record header that cannot be right; skipped" in said[0] and count >= 7


def test_a_block_that_claims_more_than_any_recorder_writes(tmp_path: Path) -> None:
    from planted import Garden, pcapng

    data = bytearray(pcapng(Garden("limits"), host().recorder.pcap()))
    at = data.index(b"\x06\0\0\0", len(data) // 2)
    struct.pack_into("<I", data, at + 4, (32 << 20) + 4)
    said, _ = damage_of(bytes(data), tmp_path)
    assert any("a block that cannot be right; skipped" in line for line in said)


def test_interfaces_beyond_the_limit_are_not_declared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pcapng, "MOST_INTERFACES", 50)
    head = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    interface = struct.pack("<IIHHII", 1, 20, 220, 0, 0, 20)
    packet = struct.pack("<IIIIIII", 6, 32 + 64, 50, 0, 0, 64, 64) + bytes(64) + struct.pack("<I", 96)
    said, _ = damage_of(head + interface * 51 + packet, tmp_path)
    assert len(said) == 1 and "interface 50, which the section does not declare" in said[0]


def test_damage_in_many_places_stays_short(tmp_path: Path) -> None:
    text = host().recorder.usbmon_text()
    said, _ = damage_of((text + "no event\n" * 5000).encode(), tmp_path)
    assert len(said) == damage_log.MOST + 1 and "places like this since" in said[-1]


@pytest.mark.parametrize("form", ["usbmon", "hex"])
def test_a_line_without_end_is_read_up_to_the_limit(form: str, tmp_path: Path) -> None:
    one = host()
    one.execute(wire.read10(1))
    text = one.recorder.usbmon_text() if form == "usbmon" else one.recorder.hex_text()
    said, count = damage_of((text + "x" * (3 << 20) + "\n").encode(), tmp_path)
    assert any("longer than" in line and "the rest is not read" in line for line in said), said
    assert count >= 1


# -- work and memory ---------------------------------------------------------------------------------------------------


def work(make: Callable[[int], bytes], count: int, folder: Path) -> int:
    """Calls made to diagnose a capture of so many things."""
    path, calls = folder / f"{count}.pcap", [0]
    path.write_bytes(make(count))

    def called(_frame: object, event: str, _what: object) -> None:
        calls[0] += event == "call"

    from sticktrace.findings import diagnose

    with sticktrace.open(path) as capture:
        diagnose(capture.reading())  # what is imported on first use does not count
        sys.setprofile(called)
        try:
            diagnose(capture.reading())
        finally:
            sys.setprofile(None)
    return calls[0]


def many_devices(count: int) -> bytes:
    recorder = Recorder()
    for number in range(count):
        one = Host(recorder, Stick(Identity(serial=f"{number:012}"), [Unit(Medium(100))]), bus=1 + number // 100)
        one.enumerate(2 + number % 100)
        one.execute(wire.inquiry())
        one.execute(wire.read_capacity10())
    return recorder.pcap()


def open_commands(count: int) -> bytes:
    """Commands that never end: a CBW without data or status, the device reset after each."""
    one = host()
    for lba in range(count):
        one.time_out(wire.read10(lba % 1000), data_in=512)
        one.reset_recovery()
    return one.recorder.pcap()


def submissions(count: int) -> bytes:
    """Transfers that never complete."""
    one = host()
    for number in range(count):
        one.half("S", 3, one.bulk_in, 512, id=1000 + number)
    return one.recorder.pcap()


@pytest.mark.parametrize("make", [many_devices, open_commands, submissions])
def test_twice_as_much_costs_twice_the_work(make: Callable[[int], bytes], tmp_path: Path) -> None:
    """Counted, not timed."""
    small, large = work(make, 60, tmp_path), work(make, 120, tmp_path)
    assert large < 2.6 * small, (small, large)


def test_memory_does_not_grow_with_payload(tmp_path: Path) -> None:
    """The peak of what Python holds while a capture is read, with blocks of 512 bytes and of 64 KiB."""
    import tracemalloc

    peaks: list[int] = []
    for blocks in (1, 128):
        one = host()
        for lba in range(100):
            one.command(wire.read10(lba, blocks), data_in=bytes(512 * blocks))
        path = tmp_path / f"{blocks}.pcap"
        path.write_bytes(one.recorder.pcap())
        with sticktrace.open(path) as capture:
            sum(1 for _ in capture.exchanges())
            tracemalloc.start()
            assert sum(1 for _ in capture.exchanges()) == 101
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0] + (1 << 20), peaks


# -- volumes -----------------------------------------------------------------------------------------------------------


def test_a_chain_of_logical_partitions_ends(tmp_path: Path) -> None:
    """Common practice: each record names its partition and the next record; this chain never ends."""
    links = partitions.CHAIN_LIMIT + 40
    image = bytearray(512 * (links + 8) * 2)
    struct.pack_into("<BxxxB3xII", image, 446, 0, 5, 2, len(image) // 512 - 2)
    for link in range(links):
        at = 512 * (2 + 2 * link)
        struct.pack_into("<BxxxB3xII", image, at + 446, 0, 6, 1, 1)
        struct.pack_into("<BxxxB3xII", image, at + 462, 0, 5, 2 * (link + 1), 2)
        image[at + 510 : at + 512] = b"\x55\xaa"
    image[510:512] = b"\x55\xaa"
    lab = Lab(image)
    lab.read_all()
    found: list[Any] = lab.tracker.findings()
    assert [fact.slug for fact in found if fact.slug == "mbr-chain-long"] == ["mbr-chain-long"]
    assert len(lab.tracker.volumes()) <= division.MOST_VOLUMES


def test_commands_beyond_the_addresses_that_are_kept(tmp_path: Path) -> None:
    lab = Lab()
    lab.read(0)
    for lba in (extent_log.HIGHEST - 1, extent_log.HIGHEST, (1 << 64) - 1):
        lab.exchange(struct.pack(">BBQIBB", 0x88, 0, lba, 1, 0, 0), bytes(512), "in")
    (medium,) = lab.tracker.media
    assert medium.store.spans() == [(0, 1), (extent_log.HIGHEST - 1, extent_log.HIGHEST)]


def test_the_cut_of_a_mapped_file_is_told(tmp_path: Path) -> None:
    """What remains is said on the page: the instant between look and touch."""
    one = host()
    for lba in range(64):
        one.command(wire.read10(lba, 64), data_in=bytes([lba]) * 32768)
    path = tmp_path / "c.pcap"
    path.write_bytes(one.recorder.pcap())
    with sticktrace.open(path) as capture:
        exchanges = iter(capture.exchanges())
        kept = [next(exchanges) for _ in range(4)]
        with path.open("r+b") as file:
            file.truncate(1 << 16)
        with pytest.raises(CaptureError, match="was cut short to 65,536 bytes while it was being read"):
            for exchange in [*kept, *capture.exchanges()]:
                capture.data(exchange)
    assert "between look and touch" in (ROOT / "docs" / "limits.md").read_text(encoding="utf-8")


def test_an_export_begins_before_a_long_capture_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first lines come after a look at the beginning; the last line tells what the first one could not."""
    import json
    from itertools import islice

    from sticktrace.cli import export
    from sticktrace.output.selection import Selection

    one = host()
    for lba in range(100):
        one.execute(wire.read10(lba))
    (tmp_path / "c").write_bytes(one.recorder.pcap())
    for words in ((), ("command:read",)):
        with sticktrace.open(tmp_path / "c") as capture:
            whole = list(export._jsonl(capture, capture.reading(), Selection(words)))
        with monkeypatch.context() as patched, sticktrace.open(tmp_path / "c") as capture:
            patched.setattr(export, "READ_AHEAD", 1000)
            patched.setattr(capture, "read_through", None)
            patched.setattr(capture, "skim", None)
            lines = export._jsonl(capture, capture.reading(), Selection(words))
            first, rest = list(islice(lines, 10)), list(lines)
        head = json.loads(first[0])
        assert (head["format"], head["link_types"], head["records"], head["damage"]) == ("pcap", [220], None, None)
        assert rest[-1] == whole[0] and [*first[1:], *rest[:-1]] == whole[1:]
        assert json.loads(rest[-1]).items() >= {k: v for k, v in head.items() if v is not None}.items()
