"""The byte ruler over every layout and all kinds of bytes: every byte covered once, none overlaps, none is outside."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import geometry
from sticktrace.drawing.as_text import text_lines
from sticktrace.drawing.fields import laid_out
from sticktrace.drawing.nesting import inside
from sticktrace.drawing.ruler import LEFT, ruler
from sticktrace.drawing.scene import Label, Scene, Span
from sticktrace.grammar import bot
from sticktrace.grammar.layout import Explanation, Layout
from sticktrace.storage.commands import find
from test_grammar_every import EVERY, NAMES

READ = bytes.fromhex("55534243 01000000 00020000 80 00 0a 28 00 00000820 00 0001 00 000000000000")
"""A CBW with READ(10) of LBA 2080, one block (BOT 1.0 5.1, SBC-2 5.6)."""


def byte_lines(scene: Scene) -> Iterator[tuple[int, int, list[Label]]]:
    """The bytes of each line with its place and that of the next one."""
    lines: dict[int, list[Label]] = {}
    for shape in scene.shapes:
        if isinstance(shape, Label) and shape.mood == "byte":
            lines.setdefault(shape.y, []).append(shape)
    for y, end in zip(sorted(lines), [*sorted(lines)[1:], scene.height][: len(lines)], strict=True):
        yield y, end, lines[y]


def check_cover(scene: Scene, explanation: Explanation | None, data: bytes, start: int = 0) -> int:
    """Each byte stands there once, in order, over the bracket of its field; returns how many are drawn."""
    laid = laid_out(explanation, len(data))
    assert [byte for one in laid.fields for byte in range(one.start, one.end)] == list(range(laid.size))
    at = start
    for y, end, shown in byte_lines(scene):
        assert [label.x for label in shown] == [LEFT + 3 * n for n in range(len(shown))]
        spans = [s for s in scene.shapes if isinstance(s, Span) and y < s.y < end]
        line_end = at + len(shown)
        for n, label in enumerate(shown):
            assert label.text in (f"{data[at + n]:02x}" if at + n < len(data) else "··", "··")
        one_at = at
        while one_at < line_end:
            one = laid.at(one_at)
            last = min(one.end, line_end)
            place = LEFT + 3 * (one_at - at), 3 * (last - one_at) - 1, one.rows[0][0] if one.rows else -1
            found = [s for s in spans if not s.group and (s.x, s.w, s.key) == place]
            assert found, (scene.title, one, place)
            assert (found[0].left, found[0].right) == (one.start == one_at, one.end == last)
            one_at = last
        at = line_end
    return at


def check(explanation: Explanation | None, data: bytes, width: int) -> None:
    """The whole of it drawn, byte by byte."""
    scene = ruler(explanation, data, width, limit=None, fold=False)
    geometry.check(scene)
    assert check_cover(scene, explanation, data) == max(len(data), explanation.used if explanation else 0)


@pytest.mark.parametrize("layout", EVERY.values(), ids=NAMES)
def test_every_layout(layout: Layout) -> None:
    """Whatever the bytes are, the drawing is sound at each width and in each form."""
    for data, width in ((bytes(range(1, 97)), 80), (b"\xff" * 40, 60), (bytes(40), 120), (b"\x00\x01", 60)):
        check(layout.explain(data), data, width)


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=300), st.integers(60, 200))
def test_bytes_that_nothing_explains(data: bytes, width: int) -> None:
    check(None, data, width)


def whole() -> Explanation:
    """The wrapper with its command block inside."""
    command = find(READ[15:31])
    assert command is not None
    return inside(bot.CBW.explain(READ), command.cdb.explain(READ[15:25]), 15)


@pytest.mark.parametrize("width", range(60, 161, 5))
def test_a_block_within_its_wrapper(width: int) -> None:
    check(whole(), READ, width)


def test_what_stands_where() -> None:
    """BOT 1.0 5.1: dCBWTag is bytes 4-7, bmCBWFlags byte 12; bit 7 of it is Direction, 1 = data-in."""
    lines = list(text_lines(ruler(whole(), READ, 80)))
    at = lines.index(" 55 53 42 43 01 00 00 00 00 02 00 00 80 00 0a")
    (tag,) = [line for line in lines if "dCBWTag" in line]
    assert tag[lines[at].index("01 00 00 00") :].startswith("└─────────┘")
    (way,) = [line for line in lines if "Direction" in line]
    (bits,) = [line for line in lines if "1000 0000" in line]
    assert way[bits.index("1000")] == "╵" and "data from device to host" in way
    lba = next(line for line in lines if "LOGICAL BLOCK ADDRESS = 2080 (820h)" in line)
    assert lba.lstrip().startswith("└─────────┘")


def test_folded_and_cut() -> None:
    """A long field is folded and its bytes counted; what is not drawn is said; --all has each byte."""
    data = bytes(range(256)) * 8
    assert check_cover(ruler(None, data, 80, limit=None, fold=False), None, data) == len(data)
    few = ruler(None, data, 80, fold=False, limit=64)
    assert check_cover(few, None, data) == 64
    assert any("bytes 64 to 2,047 are not drawn here" in line for line in text_lines(few))
    folded = list(text_lines(ruler(None, data, 80)))
    assert any("2,032 bytes more of the same field" in line for line in folded) and len(folded) < 8
    later = ruler(None, data, 80, start=512, limit=16, fold=False)
    assert next(text_lines(later)) and check_cover(later, None, data, 512) == 528


def test_lines_that_say_the_same_are_counted() -> None:
    data = bytes(160) + b"SKERRY" + bytes(90)
    scene = ruler(None, data, 80, limit=None, fold=False, same=True)
    geometry.check(scene)
    lines = list(text_lines(scene))
    assert sum("00 00 00" in line for line in lines) == 3 and any(
        "144 bytes more of the same" in line for line in lines
    )
    assert any("534b45525259" in line.replace(" ", "") for line in lines)
