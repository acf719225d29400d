"""How many bytes of a data phase count (BOT 1.0 5.2, 6.3.2, 6.7.2): volume, timing and explanation agree."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import Piece
from sticktrace.cli.main import cli
from sticktrace.transport.counted import counted, residue_lies
from sticktrace.transport.items import FAILED, MISSING, PASSED, Direction, Exchange, Status
from volume_lab import Lab, sample
from workshop import Host, Recorder, session, wire
from workshop.stage import logger

READ_4, WRITE_4, WRITE_1 = wire.read10(8, 4), wire.write10(8, 4), wire.write10(8)
READ_16, WRITE_AND_VERIFY = wire.read16(8, 4), b"\x2e" + bytes(4) + b"\x08\0\0\x04\0"
INQUIRY = wire.inquiry(allocation=255)


def exchange(cdb: bytes, expected: int, moved: int, residue: int | None, status: Status = PASSED) -> Exchange:
    """An exchange with these lengths."""
    way = Direction.OUT if cdb[:1] in (b"\x2a", b"\x2e") else Direction.IN
    pieces = (Piece(0, moved, moved),)
    return Exchange(1, 0, 1, 2, 0, 1, cdb, way, expected, Device(1, 0), moved, residue, status, pieces=pieces)


@pytest.mark.parametrize("cdb", [READ_4, WRITE_4, READ_16, WRITE_AND_VERIFY], ids=["read", "write", "16", "verify"])
@pytest.mark.parametrize("residue", [1, 512, 2048, 4096])
@pytest.mark.parametrize("length", [0, 512])
def test_a_residue_after_all_blocks_moved_and_passed_lies(cdb: bytes, residue: int, length: int) -> None:
    item = exchange(cdb, 2048, 2048, residue)
    assert residue_lies(item, length) and counted(item, length) == 2048


@pytest.mark.parametrize(
    ("item", "length", "counts"),
    [
        (exchange(READ_4, 2048, 1024, 1024), 512, 1024),  # less came, and the residue says so
        (exchange(READ_4, 4096, 4096, 2048), 512, 2048),  # the host announced more than the command asks: padding
        (exchange(READ_4, 2048, 2048, 1024, FAILED), 512, 1024),  # padding behind a bad block, 6.7.2 case 5
        (exchange(READ_4, 2048, 2048, None, MISSING), 512, 2048),  # no status
        (exchange(INQUIRY, 255, 255, 219), 512, 36),  # parameter data: the length is a limit
        (exchange(INQUIRY, 255, 36, 4096), 512, 36),  # 6.3.2: such a CSW is not meaningful
        (exchange(READ_4, 2048, 2048, 0), 512, 2048),
        (exchange(READ_4, 2048, 3000, 0), 512, 2048),  # more than announced
        (exchange(READ_4, 2400, 2400, 1200), 0, 1200),  # no block length that sticks have
        (exchange(WRITE_1, 1024, 1024, 512), 0, 512),  # case 11: twice the block announced
    ],
)
def test_otherwise_it_takes_bytes_back(item: Exchange, length: int, counts: int) -> None:
    assert not residue_lies(item, length) and counted(item, length) == counts


@pytest.mark.parametrize("known", [True, False], ids=["capacity known", "capacity not seen"])
def test_a_residue_that_lies_does_not_empty_the_medium(known: bool) -> None:
    lab = Lab(sample("fat12"))
    if known:
        lab.capacity()
    for lba in range(0, len(lab.image) // 512, 4):
        lab.read(lba, 4, residue=2048)
    plain = Lab(sample("fat12"))
    plain.read_all()
    assert lab.paths() == plain.paths() != {}


def test_every_verb_follows_the_same_rule(tmp_path: Path) -> None:
    """A stick that reports the whole length as residue of each READ: tree, throughput and explanation show the data,
    and one finding says what the residue is worth."""
    host, volume = Host(Recorder(), logger(session.tide_unit())), session.tide_volume()
    host.enumerate()
    session.identify(host)
    medium = session.tide_medium(volume)
    for lba in (0, volume.first_lba, volume.fat_lba, volume.root_lba, session.runs(volume, "/STATION.TXT")[0][0]):
        host.command(wire.read10(lba), data_in=medium.read(lba), residue=512)
    path = tmp_path / "lies.pcap"
    path.write_bytes(host.recorder.pcap())

    def run(*words: str) -> str:
        return CliRunner().invoke(cli, [words[0], str(path), *words[1:]]).output

    assert "54       all" in run("volume")
    assert "512 bytes moved" not in run("explain", "9") and "0 count" not in run("explain", "9")
    assert "residue" in run("diagnose")
