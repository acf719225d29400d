"""Records in blocks against the walk that takes them one by one: the walk is the definition."""

from __future__ import annotations

import struct
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import capture_bytes, capture_names
from sticktrace.capture import blocks as blocks_module
from sticktrace.capture.blocks import blocks
from sticktrace.capture.pcap import MAGICS, PcapWalk
from sticktrace.capture.pcapng import PcapngWalk

BINARY = [name for name in capture_names() if name.endswith((".pcap", ".pcapng"))]
SECOND = 1_927_368_000  # a day in January 2031


def walk_of(data: bytes) -> Any:
    return PcapWalk(data) if data[:4] in MAGICS else PcapngWalk(data)


def by_blocks(data: bytes, most: int = 1 << 16) -> tuple[list[tuple[Any, ...]], list[str]]:
    """What `walk` yields, put together again from blocks, and the damage."""
    walk, frames = walk_of(data), []
    for block in blocks(walk, data, most):
        assert 0 < len(block.at) <= most
        for time_ns, at, captured, original, source in zip(*(c.tolist() for c in block[:5]), strict=True):
            link_type, order, _ = block.sources[source]
            frames.append((time_ns, at, captured, original, link_type, order))
    walk.finish(data)
    return frames, [str(damage) for damage in walk.damage]


LATEST = 1 << 62
"""A time beyond this, which only damage can make, counts as this in columns."""


def one_by_one(data: bytes) -> tuple[list[tuple[Any, ...]], list[str]]:
    walk = walk_of(data)
    frames = [(min(frame[0], LATEST), *frame[1:]) for frame in walk.walk(data)]
    walk.finish(data)
    return frames, [str(damage) for damage in walk.damage]


@pytest.mark.parametrize("name", BINARY)
@pytest.mark.parametrize("most", [1 << 16, 7])
def test_every_capture_has_the_same_records_either_way(name: str, most: int) -> None:
    data = capture_bytes(name)
    assert by_blocks(data, most) == one_by_one(data)


def short_records(sizes: list[int], order: str = "<", pcapng: bool = False) -> bytes:
    """Many small records, as a bus probe writes them: a clock in ns that passes seconds, a byte pattern as payload that
    looks like times and block types."""
    out = bytearray()
    if pcapng:
        out += struct.pack(order + "IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
        out += struct.pack(order + "IIHHIHHBxxxHHI", 1, 32, 295, 0, 0, 9, 1, 9, 0, 0, 32)
    else:
        out += struct.pack(order + "IHHIIII", 0xA1B23C4D, 2, 4, 0, 0, 65_535, 295)
    time_ns = SECOND * 1_000_000_000
    fill = struct.pack(order + "III", SECOND, 6, SECOND + 1) * 200
    for number, size in enumerate(sizes):
        time_ns += 997 + number % 5 * 31_000
        payload = fill[number % 12 :][:size]
        if pcapng:
            padded = payload + bytes(-size % 4)
            total = 32 + len(padded)
            out += struct.pack(order + "7I", 6, total, 0, time_ns >> 32, time_ns & 0xFFFFFFFF, size, size)
            out += padded + struct.pack(order + "I", total)
        else:
            seconds, fraction = divmod(time_ns, 1_000_000_000)
            out += struct.pack(order + "4I", seconds, fraction, size, size) + payload
    return bytes(out)


@pytest.mark.parametrize("pcapng", [False, True])
@pytest.mark.parametrize("order", ["<", ">"])
def test_long_runs_of_short_records(order: str, pcapng: bool) -> None:
    """Over several stretches of a mebibyte, so that starts are found by how headers begin."""
    data = short_records([3, 1, 3, 67, 1] * 30_000, order, pcapng)
    frames, damage = by_blocks(data)
    assert (frames, damage) == one_by_one(data)
    assert len(frames) == 150_000


@settings(max_examples=60, deadline=None)
@given(
    st.booleans(), st.sampled_from("<>"), st.integers(0, 2**31), st.binary(min_size=1, max_size=40), st.integers(0, 2),
)  # fmt: skip
def test_damage_is_met_in_the_same_place(pcapng: bool, order: str, place: int, noise: bytes, how: int) -> None:
    """Overwritten, inserted or taken out: both ways see the same records and report the same damage."""
    data = short_records([3, 1, 3, 515, 1, 19] * 700, order, pcapng)
    at = 60 + place % (len(data) - 100)
    left = {0: at + len(noise), 1: at, 2: at + 3 * len(noise)}[how]
    broken = data[:at] + (b"" if how == 2 else noise) + data[left:]
    with patch.object(blocks_module, "_SCAN", 1 << 13), patch.object(blocks_module, "_STEPS", 16):
        assert by_blocks(broken) == one_by_one(broken)


def test_a_file_that_grows_goes_on_where_it_ended() -> None:
    data = short_records([3, 1, 3, 67, 1] * 2_000)
    walk, seen = PcapWalk(data), 0
    for end in (100, 5_000, 5_001, 77_777, len(data)):
        seen += sum(len(block.at) for block in blocks(walk, data[:end]))
    assert seen == 10_000
    assert not walk.damage
