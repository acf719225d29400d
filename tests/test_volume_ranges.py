"""Commands that name ranges, however huge: work goes by the number of commands (SBC-3 5.28 UNMAP, 5.43 WRITE SAME)."""

from __future__ import annotations

import itertools
import struct
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sticktrace.drawing.as_text import text_lines
from sticktrace.output.volume_drawing import regions_of
from sticktrace.output.volume_text import medium_lines
from sticktrace.transport.items import FAILED, MISSING, Sense
from sticktrace.volume import holders
from sticktrace.volume.findings import facts
from sticktrace.volume.overview import left_uncertain
from volume_lab import Lab, sample

HUGE = 0xFFFFFFFF


def unmap(lab: Lab, ranges: list[tuple[int, int]], direction: str = "out", **how: Any) -> None:
    """UNMAP with some ranges (first block, blocks)."""
    body = b"".join(struct.pack(">QI4x", lba, blocks) for lba, blocks in ranges)
    data = struct.pack(">HH4x", len(body) + 6, len(body)) + body
    lab.exchange(struct.pack(">B6xHx", 0x42, len(data)), data, direction, **how)


def write_same(lab: Lab, lba: int, blocks: int, data: bytes = bytes(512), **how: Any) -> None:
    """WRITE SAME(16)."""
    lab.exchange(struct.pack(">BBQIBB", 0x93, 0, lba, blocks, 0, 0), data, "out", **how)


def there(lab: Lab, *places: int) -> list[bool]:
    """Which blocks are known."""
    return [lab.tracker.media[0].store.content(lba) is not None for lba in places]


def shown(lab: Lab) -> None:
    """Everything that the verb `volume` works out."""
    for medium in lab.tracker.media:
        list(medium_lines(medium))
        list(text_lines(regions_of(medium, [], 80)))
        facts(medium)
        left_uncertain(medium)
        list(medium.store.read_range(0, 1 << 59))


@pytest.mark.parametrize("command", ["unmap", "write same", "a write that failed", "a write cut short"])
def test_thousands_of_commands_over_half_a_tebiblock(command: str) -> None:
    """Each overlaps all others; between them the host reads, writes and looks at the tables."""
    lab = Lab(sample("fat16"))
    lab.capacity()
    lab.read_all()
    begun, cells = time.monotonic(), list[int]()
    for turn in range(2500):
        low = turn * 977
        if command == "unmap":
            unmap(lab, [(low, HUGE), (low + HUGE, HUGE - turn)])
        elif command == "write same":
            write_same(lab, low, HUGE - turn)
        else:
            cdb = struct.pack(">BBQIBB", 0x8A, 0, low, HUGE - turn, 0, 0)
            status = FAILED if command.endswith("failed") else "passed"
            lab.exchange(cdb, bytes(512), "out", status=status, expected=HUGE)
        if turn % 5 == 0:
            lab.read(0)
            lab.write(turn, bytes([turn % 256]) * 512)
    given_away = holders._given

    def counted(names: list[int], ranges: list[list[int]], count: int) -> list[int]:
        cells.append(count)
        return given_away(names, ranges, count)

    holders._given = counted
    try:
        shown(lab)
    finally:
        holders._given = given_away
    extents = sum(len(medium.store) for medium in lab.tracker.media)
    assert max(cells) <= 2 * extents + 1, "cells go by commands"
    assert time.monotonic() - begun < 60, "seconds on a quiet machine, many minutes where the range counts"


def test_write_same_without_a_number_reaches_to_the_end() -> None:
    lab = Lab(bytes(8192))
    lab.capacity()
    lab.read_all()
    write_same(lab, 10, 0)
    assert there(lab, 9, 10, 15) == [True, False, False]
    assert left_uncertain(lab.tracker.media[0]) == [(10, 6, lab.number)]
    lab = Lab(bytes(8192))
    lab.read(4, 4)
    write_same(lab, 6, 0)
    assert there(lab, 5, 6) == [True, False] and lab.tracker.media[0].store.spans() == [(4, 8)]


@pytest.mark.parametrize(
    ("sense", "kept"),
    [((5, 0x20, 0), True), ((5, 0x24, 0), True), ((7, 0x27, 0), True), ((5, 0x26, 0), False), ((3, 0x0C, 0), False),
     (None, False)],
)  # fmt: skip
def test_a_refused_one_changes_nothing_a_broken_one_may(sense: Any, kept: bool) -> None:
    """SPC-3 Table 27: with an invalid field in the parameter data the medium may have been altered already."""
    for command in (unmap, write_same):
        lab = Lab(bytes(8192))
        lab.read_all()
        tracker, lab.tracker = lab.tracker, Lab().tracker
        what: Any = ([(4, 4)],) if command is unmap else (4, 4)
        command(lab, *what, status=MISSING if sense is None else FAILED)
        lab.tracker = tracker
        made = lab.made[-1]
        made.sense = None if sense is None else Sense(*sense, made.number + 1, made.status_at)
        lab.tracker.feed(made)
        assert there(lab, 3, 4, 7, 8) == [True, kept, kept, True]


def test_read_sub_channel_is_no_unmap() -> None:
    """MMC: on a CD unit opcode 42h reads."""
    lab = Lab(bytes(8192))
    lab.read_all()
    unmap(lab, [(0, 16)], direction="in")
    assert all(there(lab, *range(16)))


def test_a_command_block_of_one_byte_is_no_stumbling_block() -> None:
    """Any legal length of any opcode: BOT 1.0 5.1 allows bCBWCBLength from 1 on."""
    for opcode in range(256):
        for length in range(1, 17):
            lab = Lab()
            lab.exchange(bytes([opcode]) + bytes(length - 1), bytes(512), "in")
            lab.exchange(bytes([opcode]) + b"\xff" * (length - 1), bytes(512), "out", status=FAILED)


claims = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 20), st.integers(0, 9)).map(lambda c: (c[0], c[0] + c[1], c[2])),
    max_size=25,
)


@given(claims, st.integers(0, 30), st.integers(0, 30))
def test_holders_agree_with_a_plain_model(laid: list[tuple[int, int, int]], low: int, count: int) -> None:
    """Block by block, the first claim that names it."""
    plain = [next((c[2] for c in laid if c[0] <= at < c[1]), holders.NOBODY) for at in range(low, low + count)]
    got = list(holders.held(laid, low, low + count))
    assert [holder for first, after, holder in got for _ in range(first, after)] == plain
    assert all(first < after for first, after, _ in got)
    assert all(one[1] == two[0] and one[2] != two[2] for one, two in itertools.pairwise(got))
