"""Captures that once brought the program down, each as a class: any length of any command, ranges beyond all bounds,
addresses that no file can hold."""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import sticktrace
from hands import run
from sticktrace.transport.items import Exchange
from sticktrace.volume.extents import ExtentIndex
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import VERBS, run_verb

MORE_VERBS = ("redact TARGET --overwrite", "export --as pcap --to TARGET --overwrite", "volume --map",
              "volume --files TARGET.d", "volume --image TARGET --overwrite", "exchanges touches:x")  # fmt: skip


def host() -> Host:
    """A host with a stick, enumerated, its capacity read."""
    new = Host(Recorder(), Stick(Identity(), [Unit(Medium(1 << 20))]))
    new.enumerate()
    new.execute(wire.inquiry())
    new.execute(wire.read_capacity10())
    new.execute(wire.read10(0))
    return new


def every_verb(data: bytes, folder: Path) -> None:
    """No verb shows more than one line of complaint, whatever the capture."""
    path = folder / "hostile.pcap"
    path.write_bytes(data)
    for words in (*VERBS, *MORE_VERBS):
        run_verb(path, words.replace("TARGET", str(folder / "out")))


FILLS: dict[str, Callable[[int], bytes]] = {
    "zeros": lambda size: bytes(size),
    "ones": lambda size: b"\xff" * size,
    "service action": lambda size: bytes([0x10] * size),
}


@pytest.mark.parametrize("fill", FILLS)
def test_any_legal_length_of_any_opcode(fill: str, tmp_path: Path) -> None:
    """BOT 1.0 5.1: bCBWCBLength is 1 to 16, whatever the opcode asks for."""
    one = host()
    rest = FILLS[fill]
    for opcode in range(256):
        for length in range(1, 17):
            cdb = bytes([opcode]) + rest(length - 1)
            data = rest((opcode + length) % 3 * 9)
            way = {} if not data else {"data_in": data} if length % 2 else {"data_out": data}
            one.command(cdb, cdb_length=length, status=(opcode ^ length) >> 1 & 1, **way)  # type: ignore[arg-type]
    data = one.recorder.pcap()
    (tmp_path / "c.pcap").write_bytes(data)
    with sticktrace.open(tmp_path / "c.pcap") as capture:
        assert {len(x.cdb) for x in capture.exchanges()} >= set(range(1, 17))
    every_verb(data, tmp_path)


@pytest.mark.parametrize("fill", [b"\0", b"\xff"])
def test_any_length_of_an_answer_to_any_opcode(fill: bytes, tmp_path: Path) -> None:
    """Whole command blocks (lengths by group code, SPC-3 4.3.4.1), answers of any length."""
    one = host()
    for opcode in range(256):
        length = {0: 6, 1: 10, 2: 10, 4: 16, 5: 12}.get(opcode >> 5, 16)
        for size in (1, 2, 3, 4, 5, 7, 8, 11, 12, 17, 18, 31, 36, 512):
            one.command(bytes([opcode]) + fill * (length - 1), data_in=fill * size, expected=512)
    every_verb(one.recorder.pcap(), tmp_path)


# -- ranges ------------------------------------------------------------------------------------------------------------


def unmap(*ranges: tuple[int, int]) -> tuple[bytes, bytes]:
    """UNMAP and its parameter list (SBC-3 5.28)."""
    body = b"".join(struct.pack(">QI4x", lba, blocks) for lba, blocks in ranges)
    data = struct.pack(">HH4x", 6 + len(body), len(body)) + body
    return struct.pack(">BB5xHB", 0x42, 0, len(data), 0), data


def write_same16(lba: int, blocks: int) -> tuple[bytes, bytes]:
    """WRITE SAME(16) of a block (SBC-3 5.46)."""
    return struct.pack(">BBQIBB", 0x93, 0, lba, blocks, 0, 0), b"x" * 512


def few(n: int) -> tuple[bytes, bytes]:
    """UNMAP of eight ranges, a block each."""
    return unmap(*((n * 31 + i, 1) for i in range(8)))


RANGES = {
    "UNMAP": lambda n: unmap((n * 4096, 0xFFFFFFFF)),
    "UNMAP of many": lambda n: unmap(*((n * 31 + i, 0xFFFFFFFF - i) for i in range(8))),
    "WRITE SAME(16)": lambda n: write_same16(n * 8, 0xFFFFFFFF - n),
    "WRITE SAME(16), all": lambda n: write_same16(n, 0),
}


def work(data: bytes, folder: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Calls made, and extents looked up, while every verb goes through a capture."""
    path, counted = folder / "counted.pcap", [0]
    path.write_bytes(data)
    covering = ExtentIndex.covering

    def counting(*arguments: Any) -> Any:
        found = covering(*arguments)
        counted[0] += len(found)
        return found

    def called(_frame: object, event: str, _what: object) -> None:
        counted[0] += event == "call"

    with monkeypatch.context() as patched:
        patched.setattr(ExtentIndex, "covering", counting)
        sys.setprofile(called)
        try:
            for words in ("exchanges", "volume", "volume --map", "volume --changes", "diagnose --all", "export"):
                run_verb(path, words)
        finally:
            sys.setprofile(None)
    return counted[0]


def claiming(commands: int, make: Callable[[int], tuple[bytes, bytes]]) -> bytes:
    """A capture of many commands that change blocks, with reads of a block between them."""
    one = host()
    for n in range(commands):
        cdb, data = make(n)
        one.command(cdb, data_out=data)
        if n % 10 == 0:
            one.execute(wire.read10(n * 7))
    return one.recorder.pcap()


@pytest.mark.parametrize("name", RANGES)
def test_work_grows_with_the_number_of_commands_not_with_their_range(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Commands that claim terabytes cost about as much as such that claim as many ranges of a block; and twice as many
    of them cost twice as much. Counted, not timed."""
    small = few if name == "UNMAP of many" else lambda n: write_same16(n, 1)
    work(claiming(10, small), tmp_path, monkeypatch)  # what is imported on first use does not count
    little = work(claiming(200, small), tmp_path, monkeypatch)
    once, twice = (work(claiming(count, RANGES[name]), tmp_path, monkeypatch) for count in (200, 400))
    assert once < 1.5 * little and twice < 2.5 * once, (little, once, twice)


@pytest.mark.parametrize("make", ["read16", "write16"])
@pytest.mark.parametrize("lba", [1 << 54, 1 << 55, (1 << 60) - 8, (1 << 63) + 1, (1 << 64) - 1])
def test_an_address_that_no_file_can_hold(lba: int, make: str, tmp_path: Path) -> None:
    """Byte 2^63 and beyond: an image of what can be held, the rest named, and no debris."""
    one = host()
    cdb = getattr(wire, make)(lba)
    one.command(cdb, **({"data_in": b"y" * 512} if make == "read16" else {"data_out": b"y" * 512}))  # type: ignore[arg-type]
    every_verb(one.recorder.pcap(), tmp_path)
    for path in tmp_path.glob("out*"):
        if path.is_file():
            path.unlink()
    if lba < 1 << 60:
        status, said, error = run(["volume", "hostile.pcap", "--image", "out"], tmp_path)
        assert status == 1 and "out: 1 block written; out.map lists 2 ranges" in said
        assert error == f"sticktrace: out: 1 block from LBA {lba} on left out: no file can be as large\n"
        assert (tmp_path / "out").stat().st_size < 1 << 20
    assert not list(tmp_path.glob("*.unfinished"))


def test_the_exchanges_are_all_there_whatever_was_asked(tmp_path: Path) -> None:
    one = host()
    one.command(b"\x9e", cdb_length=1, data_in=bytes(32))
    (tmp_path / "c.pcap").write_bytes(one.recorder.pcap())
    with sticktrace.open(tmp_path / "c.pcap") as capture:
        last: Exchange = capture.exchanges()[-1]
        assert (last.cdb, last.status, capture.data(last)) == (b"\x9e", "passed", bytes(32))
