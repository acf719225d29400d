"""What a command that did not pass did to the blocks that it names (SPC-3 4.5.3, 4.5.5, Table 27; SBC-3 4.18.1)."""

from __future__ import annotations

import re
import struct
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from conftest import ROOT
from sticktrace.capture.transfer import Piece
from sticktrace.cli.main import cli
from sticktrace.transport.items import FAILED, Sense
from sticktrace.volume.extent_log import FAILURES, READ, UNSHOWN, WITHOUT_EFFECT, WRITE_LOST
from sticktrace.volume.overview import left_uncertain
from sticktrace.volume.recover import recover
from test_volume_files import MAKER, read_whole
from volume_lab import Lab, sample

MEDIUM, HARDWARE, RECOVERED = (3, 0x11, 0), (4, 0x44, 0), (1, 0x18, 0)
"""Sense key, ASC, ASCQ: unrecovered read error, internal target failure, recovered data with error correction."""


def fixed(key: int, asc: int, ascq: int, information: int | None, code: int = 0x70) -> bytes:
    """Fixed format sense data, 18 bytes (SPC-3 4.5.3): VALID is bit 7 of byte 0."""
    valid = 0 if information is None else 0x80
    return struct.pack(">BxBI B4xBB4x", code | valid, key, information or 0, 10, asc, ascq)


def described(key: int, asc: int, ascq: int, information: int | None, code: int = 0x72) -> bytes:
    """Descriptor format with an information descriptor (SPC-3 4.5.2.2): VALID is bit 7 of its byte 2."""
    valid = 0 if information is None else 0x80
    return struct.pack(">BBBB3xB BBBxQ", code, key, asc, ascq, 12, 0, 10, valid, information or 0)


class Bench(Lab):
    """A lab that can fail commands with sense data."""

    def fail(self, cdb: bytes, data: bytes, direction: str, sense: bytes, expected: int, residue: int) -> None:
        """A command that fails, explained by sense data."""
        number = self.number + 1
        told = sense.ljust(14, b"\0")
        key = (told[2] & 15, told[12], told[13]) if told[0] & 0x7F < 0x72 else tuple(told[1:4])
        tracker, self.tracker = self.tracker, _Nobody()  # type: ignore[assignment]
        made = self.exchange(cdb, data, direction, status=FAILED, expected=expected, residue=residue)
        self.tracker = tracker
        made.sense = Sense(*key, number + 1, Piece(len(self.payload), len(sense), len(sense)))
        self.payload += sense
        self.labels[-1] = tracker.feed(made)

    def read_fails(self, lba: int, blocks: int, moved: int, sense: bytes, *, padded: bool = False) -> None:
        """READ(10) that ends early: ``moved`` blocks came, or all of them padded with filler."""
        data = bytes(self.image[lba * 512 : (lba + moved) * 512])
        sent = data.ljust(blocks * 512, b"\xa5") if padded else data
        cdb = struct.pack(">BBIBHB", 0x28, 0, lba, 0, blocks, 0)
        self.fail(cdb, sent, "in", sense, blocks * 512, (blocks - moved) * 512)

    def write_fails(self, lba: int, blocks: int, sense: bytes) -> None:
        """WRITE(10) that takes all of its data and fails."""
        cdb = struct.pack(">BBIBHB", 0x2A, 0, lba, 0, blocks, 0)
        self.fail(cdb, b"\x77" * blocks * 512, "out", sense, blocks * 512, 0)

    def there(self, low: int, high: int) -> list[bool]:
        """Which blocks are known."""
        return [self.tracker.media[0].store.content(lba) is not None for lba in range(low, high)]

    def failures(self, low: int, high: int) -> list[int]:
        """How many commands failed in each block."""
        rows = list(zip(*(column.tolist() for column in self.tracker.media[0].store.columns()), strict=True))
        failed = [(lba, lba + blocks) for lba, blocks, kind in rows if kind in FAILURES]
        return [sum(first <= lba < end for first, end in failed) for lba in range(low, high)]


class _Nobody:
    @staticmethod
    def feed(exchange: Any) -> str:
        """Nothing."""
        return ""


def bench() -> Bench:
    """A medium of 64 blocks, each of its own content, with the capacity read."""
    lab = Bench(b"".join(bytes([lba]) * 512 for lba in range(64)))
    lab.capacity()
    return lab


@pytest.mark.parametrize("form", [fixed, described])
@pytest.mark.parametrize("sense", [MEDIUM, HARDWARE])
@pytest.mark.parametrize("padded", [False, True])
def test_blocks_before_the_one_named_are_there_and_it_alone_failed(form: Any, sense: Any, padded: bool) -> None:
    lab = bench()
    lab.read_fails(8, 16, 5, form(*sense, 13), padded=padded)
    assert lab.there(8, 24) == [True] * 5 + [False] * 11
    assert lab.failures(8, 24) == [0] * 5 + [1] + [0] * 10
    assert lab.tracker.media[0].store.content(9) == bytes([9]) * 512


@pytest.mark.parametrize(
    "sense",
    [
        fixed(*MEDIUM, None),  # VALID is 0: the field means nothing
        fixed(*MEDIUM, 7),  # before the range of the command
        fixed(*MEDIUM, 24),  # behind it
        fixed(*MEDIUM, 13, code=0x71),  # deferred: tells of an earlier command
        described(*MEDIUM, None),
        described(*MEDIUM, 13, code=0x73),
        fixed(0xB, 0x47, 0, 13),  # aborted command: no block is at fault
        fixed(*MEDIUM, 13)[:6],  # cut short in the middle of the field
    ],
)
def test_otherwise_nothing_of_a_failed_read_is_certain(sense: bytes) -> None:
    lab = bench()
    lab.read_fails(8, 16, 5, sense)
    assert not any(lab.there(8, 24)) and lab.failures(8, 24) == [1] * 16


def test_fewer_blocks_than_the_sense_data_would_allow() -> None:
    """Only what came is there: two blocks, though the sixth is named."""
    lab = bench()
    lab.read_fails(8, 16, 2, fixed(*MEDIUM, 13))
    assert lab.there(8, 14) == [True, True, False, False, False, False] and lab.failures(8, 24).index(1) == 5


def test_a_recovered_error_is_no_loss() -> None:
    """SPC-3 Table 27: RECOVERED ERROR, the command completed successfully."""
    lab = bench()
    lab.read_fails(8, 4, 4, fixed(*RECOVERED, 9))
    assert all(lab.there(8, 12)) and lab.failures(8, 12) == [0] * 4


def test_a_write_that_fails_on_one_block_leaves_all_of_them_uncertain() -> None:
    """That the blocks before were written is likely, not shown; the map marks the one that is named."""
    lab = bench()
    lab.read(0, 32)
    lab.write_fails(8, 4, fixed(3, 0x0C, 0, 10))
    assert lab.there(7, 13) == [True, False, False, False, False, True]
    assert lab.failures(8, 12) == [0, 0, 1, 0]
    assert left_uncertain(lab.tracker.media[0]) == [(8, 4, lab.number)]


def test_retries_that_fail_as_well_leave_it_uncertain_since_the_first() -> None:
    lab = bench()
    lab.read(0, 32)
    for blocks in (8, 4, 8):
        lab.write_fails(8, blocks, fixed(0xB, 0x08, 0, None))
    assert left_uncertain(lab.tracker.media[0]) == [(8, 8, 3)]
    lab.read(8, 2)
    lab.write_fails(9, 2, fixed(0xB, 0x08, 0, None))
    assert left_uncertain(lab.tracker.media[0]) == [(9, 1, 7), (10, 6, 3)]


@pytest.mark.parametrize("sense", [(5, 0x24, 0), (7, 0x27, 0), (2, 0x04, 1), (6, 0x29, 0)])
def test_a_refused_write_changes_nothing(sense: Any) -> None:
    lab = bench()
    lab.read(0, 32)
    lab.write_fails(8, 4, fixed(*sense, None))
    assert all(lab.there(8, 12)) and lab.failures(8, 12) == [1] * 4 and left_uncertain(lab.tracker.media[0]) == []
    lab.write_fails(8, 4, fixed(0xB, 0x08, 0, None))
    assert not any(lab.there(8, 12)), "an aborted one may have changed something"


def test_what_is_there_of_a_file_with_a_bad_block_is_offered(tmp_path: Path) -> None:
    """A file of several blocks, the third of which cannot be read: what came before it, and what was read after it."""
    whole = read_whole("fat16")
    files = whole.tracker.volumes()[0].files
    assert files is not None
    node = next(n for n in files.root.walk() if n.path == "/LEVELS/2031-04.CSV")
    first, blocks = files.lba_of(node.entry.first), -(-node.entry.size // 512)
    lab = Bench(sample("fat16"))
    lab.capacity()
    for lba in range(len(lab.image) // 512):
        if not first <= lba < first + blocks:
            lab.read(lba)
    lab.read_fails(first, blocks, 2, fixed(*MEDIUM, first + 2))
    lab.read(first + 3, blocks - 3)
    (found,) = [i for i in recover(lab.tracker.media[0], lab.tracker.volumes()[0], tmp_path) if i.path == node.path]
    assert found.written_to is not None and found.written_to.name == "2031-04.CSV.partial"
    assert found.holes == [(1024, 1536)]
    data = MAKER.FILES["LEVELS/2031-04.CSV"]
    assert found.written_to.read_bytes() == data[:1024] + bytes(512) + data[1536:]


def test_the_demo_with_a_bad_block(tmp_path: Path) -> None:
    """LBA 2362 of the file cannot be read; the 2,560 bytes before it came."""
    path = str(ROOT / "traces" / "demo" / "bad-sector.pcap")
    out = CliRunner().invoke(cli, ["volume", path, "--files", str(tmp_path)]).output
    (line,) = [line for line in out.splitlines() if line.startswith("/LEVELS/2031-04.CSV")]
    assert "2,560 of 8,950 bytes to" in line and ".partial; bytes not in the capture: 2560..8949" in line
    rows = CliRunner().invoke(cli, ["volume", path, "--map"]).output.splitlines()
    assert any(re.fullmatch(r"/LEVELS/2031-04.CSV +2,357-2,361  [▽┄┊]+", row) for row in rows)
    assert any(re.fullmatch(r"/LEVELS/2031-04.CSV, fai… +2,362  [✗┄┊]+", row) for row in rows)
    near = CliRunner().invoke(cli, ["volume", path, "--map", "--zoom", "2361..2363"]).output
    assert re.search(r"^/LEVELS/2031-04.CSV +2,361  ▽[▽┄┊]*$", near, re.M)
    assert re.search(r"^/LEVELS/2031-04.CSV +2,362  ✗[✗┄┊]*$", near, re.M)


def test_kinds_of_extents() -> None:
    """What is kept of each of the cases above."""
    lab = bench()
    lab.read_fails(8, 4, 1, fixed(*MEDIUM, 9))
    lab.write_fails(8, 4, fixed(3, 0x0C, 0, 10))
    assert list(lab.tracker.media[0].store.extents()) == [
        (8, 1, 2, READ), (9, 1, 2, WITHOUT_EFFECT), (8, 4, 3, UNSHOWN), (10, 1, 3, WRITE_LOST),
    ]  # fmt: skip
