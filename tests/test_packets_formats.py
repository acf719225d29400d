"""Packets one by one: PIDs, lengths and checks against USB 2.0 8.3 and 8.4, published values, and a second CRC
library."""

from __future__ import annotations

import struct
from typing import Any

import anycrc
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import probe  # noqa: F401 - puts the workshop on the path
from sticktrace.capture.packets import columns
from sticktrace.capture.packets.crc import crc5_holds, crc16_holds
from sticktrace.codes import pids
from sticktrace.grammar.checks import crc5, crc16
from workshop import bus

CRC5, CRC16 = anycrc.CRC(5, 0x05, 0x1F, True, True, 0x1F), anycrc.CRC(16, 0x8005, 0xFFFF, True, True, 0xFFFF)
"""The generator polynomials, presets and inversion of USB 2.0 8.3.5."""

TOKENS = [
    # USB Implementers Forum, "Cyclic Redundancy Checks in USB": PID, address, endpoint -> bytes on the wire
    (pids.SETUP, 0x15, 0xE, "2D 15 EF"), (pids.OUT, 0x3A, 0xA, "E1 3A 3D"), (pids.IN, 0x70, 0x4, "69 70 72"),
    (pids.SETUP, 0, 0, "2D 00 10"),  # a published trace of a real bus
]  # fmt: skip
FRAMES = [(0x001, "A5 01 E8"), (0x000, "A5 00 10"), (0x7FF, "A5 FF 47"), (0x710, "A5 10 2F")]
"""The first one is of the same paper, from memory; the others were computed with a second implementation."""

FIELDS = [
    # the same paper, from memory: data -> check as its two bytes go over the wire
    ("00 01 02 03", "EF 7A"), ("23 45 67 89", "0E 1C"),
    ("80 06 00 01 00 00 08 00", "EB 94"),  # a published trace of a real bus
    ("", "00 00"),
]  # fmt: skip


@pytest.mark.parametrize(("pid", "address", "endpoint", "wire"), TOKENS)
def test_published_tokens(pid: int, address: int, endpoint: int, wire: str) -> None:
    packet = bytes.fromhex(wire)
    value = address | endpoint << 7
    assert packet[0] == pid
    assert int.from_bytes(packet[1:], "little") == value | crc5(value, 11) << 11
    assert bus.token(pid, address, endpoint) == packet


@pytest.mark.parametrize(("number", "wire"), FRAMES)
def test_published_frames(number: int, wire: str) -> None:
    packet = bytes.fromhex(wire)
    assert int.from_bytes(packet[1:], "little") == number | crc5(number, 11) << 11
    assert bus.frame(number) == packet


@pytest.mark.parametrize(("field", "check"), FIELDS)
def test_published_data_fields(field: str, check: str) -> None:
    assert crc16(bytes.fromhex(field)).to_bytes(2, "little") == bytes.fromhex(check)
    assert bus.data(pids.DATA0, bytes.fromhex(field))[1:] == bytes.fromhex(field + check)


def test_check_values_of_the_catalogue() -> None:
    # "CRC-5/USB" and "CRC-16/USB" over the nine digits, as catalogues of CRCs list them
    assert crc5(int.from_bytes(b"123456789", "little"), 72) == CRC5.calc(b"123456789") == 0x19
    assert crc16(b"123456789") == CRC16.calc(b"123456789") == 0xB4C8


def test_every_token_against_the_second_library() -> None:
    """Over the field and its check the CRC of every packet comes to one value (8.3.5.1)."""
    values = np.arange(2048)
    words = np.array([value | crc5(value, 11) << 11 for value in values.tolist()])
    assert len({CRC5.calc(struct.pack("<H", word)) for word in words.tolist()}) == 1
    assert crc5_holds(words & 0xFF, words >> 8).all()
    every = np.arange(65536)
    assert crc5_holds(every & 0xFF, every >> 8).sum() == 2048


@given(st.binary(max_size=1024))
def test_data_fields_against_the_second_library(field: bytes) -> None:
    assert crc16(field) == CRC16.calc(field)
    assert bus.data(pids.DATA0, field)[-2:] == crc16(field).to_bytes(2, "little")


@given(st.integers(0, 70).flatmap(lambda n: st.lists(st.binary(min_size=n, max_size=n), min_size=1, max_size=9)),
       st.integers(0, 10**6))  # fmt: skip
def test_columns_check_as_single_packets_do(fields: list[bytes], place: int) -> None:
    rows = np.array([list(field + crc16(field).to_bytes(2, "little")) for field in fields], np.uint8)
    assert crc16_holds(rows).all()
    rows[place % len(fields), place % rows.shape[1]] ^= 1 + place % 255
    assert crc16_holds(rows).sum() == len(fields) - 1


@pytest.mark.parametrize("size", [2, 3, 15, 33, 66, 514, 515, 1026])
def test_columns_of_the_usual_lengths(size: int) -> None:
    random = np.random.default_rng(size)
    rows = random.integers(0, 256, (20, size), np.uint8)
    for row in rows:
        row[-2:] = list(CRC16.calc(row[:-2].tobytes()).to_bytes(2, "little"))
    assert crc16_holds(rows).all()
    rows[:, 0] ^= 0x80
    assert not crc16_holds(rows).any()


def look(*some: bytes, snap: int = 65_535) -> Any:
    """Packets as columns, one behind the other as if they were records without headers."""
    raw = np.frombuffer(b"".join(packet[:snap] for packet in some) + bytes(8), np.uint8)
    size = np.array([len(packet) for packet in some])
    captured = np.minimum(size, snap)
    at = np.cumsum(captured) - captured
    number = np.arange(1, 1 + len(some))
    return columns.packets(raw, number, number * 1000, at, captured, size)


def test_sixteen_pids_and_no_other() -> None:
    """Table 8-1: four bits and their complement."""
    found = look(*(bytes((byte,)) for byte in range(256)))
    right = [byte for byte in range(256) if byte >> 4 == byte & 15 ^ 15]
    assert np.flatnonzero(found.kind != columns.UNKNOWN).tolist() == right == sorted(pids.PIDS)
    assert (found.fault[found.kind == columns.UNKNOWN] == columns.BAD_PID).all()


def test_kinds_and_lengths() -> None:
    good = [
        bus.token(pids.IN, 1, 1), bus.token(pids.OUT, 127, 15), bus.token(pids.SETUP, 0, 0), bus.token(pids.PING, 5, 2),
        bus.frame(1234), bus.split(1, 3, complete=False), bus.token(pids.EXT, 1, 0), bus.data(pids.DATA0, b""),
        bus.data(pids.DATA1, bytes(1024)), bus.data(pids.MDATA, b"x"), b"\xd2", b"\x5a", b"\x1e", b"\x96", b"\x3c",
    ]  # fmt: skip
    found = look(*good)
    assert found.fault.tolist() == [columns.GOOD] * len(good)
    assert found.kind.tolist() == [
        *[columns.TOKEN] * 4, columns.FRAME, columns.SPLIT, columns.EXTENDED, *[columns.DATA] * 3,
        *[columns.HANDSHAKE] * 4, columns.PRE,
    ]  # fmt: skip
    longer, shorter = look(*(packet + b"\0" for packet in good)), look(*(packet[:-1] for packet in good))
    fixed = [kind != columns.DATA for kind in found.kind.tolist()]
    assert all(fault == columns.BAD_LENGTH for fault, is_fixed in zip(longer.fault, fixed, strict=True) if is_fixed)
    assert columns.GOOD not in shorter.fault.tolist()


@pytest.mark.parametrize("bit", range(24))
def test_any_wrong_bit_of_a_token_shows(bit: int) -> None:
    packet = bytearray(bus.token(pids.IN, 0x55, 6))
    packet[bit // 8] ^= 1 << bit % 8
    assert look(bytes(packet)).fault[0] in (columns.BAD_PID, columns.BAD_CRC5)


@pytest.mark.parametrize("bit", range(32))
def test_any_wrong_bit_of_a_split_shows(bit: int) -> None:
    packet = bytearray(bus.split(0x2A, 5, complete=True, low=True, kind=3))
    packet[bit // 8] ^= 1 << bit % 8
    assert look(bytes(packet)).fault[0] in (columns.BAD_PID, columns.BAD_CRC5)


def test_what_a_recorder_cut_is_not_blamed_on_the_bus() -> None:
    """Data cut by the snap length has no check to fail; a token cut is of no use."""
    found = look(bus.data(pids.DATA0, bytes(512)), bus.token(pids.IN, 1, 1), b"", snap=2)
    assert found.fault.tolist() == [columns.GOOD, columns.CUT, columns.CUT]
