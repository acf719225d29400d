"""The exchange listing, and the account of bytes, fitted to a terminal: what is shown at which width."""

from __future__ import annotations

import pytest

from sticktrace.bus.device import Device
from sticktrace.grammar.bot import CBW
from sticktrace.output.explaining import lines
from sticktrace.output.listing import Listing
from sticktrace.transport.items import FAILED, NO_DATA, PASSED, Direction, Exchange, Sense, Status
from sticktrace.transport.remarks import Remark, Said
from workshop import wire

WIDTHS = [20, 40, 60, 80, 100, 109, 110, 120, 132, 160, 200]


def exchange(status: Status) -> Exchange:
    """A READ(10); one that failed has its sense and a long remark."""
    sense = Sense(3, 0x11, 0, 2, NO_DATA) if status == FAILED else None  # SPC-4 Annex D: UNRECOVERED READ ERROR
    remarks = (Remark(Said.COMMAND_END_LOST),) if sense else ()
    return Exchange(
        12, 1_500_000_000, 1, 2, 0, 7, wire.read10(0x12345678, 240), Direction.IN, 122_880, Device(1, 0), 122_880,
        0, status,
        sense=sense, remarks=remarks, end_ns=1_502_000_000,
    )  # fmt: skip


@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    listing, touches = Listing(width), "file allocation table"
    for text in (listing.head(), listing.line(exchange(PASSED), touches), listing.line(exchange(FAILED), touches)):
        assert max(map(len, text.splitlines())) <= width


@pytest.mark.parametrize("width", WIDTHS[1:])
def test_the_outcome_and_the_reason_of_a_failure_are_seen_at_every_width(width: int) -> None:
    """However narrow: the number, FAILED, and all of the sense."""
    words = " ".join(Listing(width).line(exchange(FAILED)).split())
    assert words.startswith("12 ") and " FAILED" in words
    for word in ("UNRECOVERED", "READ", "ERROR", "(3/11/00)", "recorded"):
        assert word in words


def test_colour_falls_on_the_outcome_alone() -> None:
    """At any width the mark goes around the word and moves nothing else."""
    for width in (0, 40, 80, 160):
        marked = Listing(width, lambda text, mood: f"<{text}>").line(exchange(FAILED))
        assert marked == Listing(width).line(exchange(FAILED)).replace("FAILED", "<FAILED>")


def test_a_pipe_has_all_columns_on_one_line() -> None:
    line = Listing().line(exchange(FAILED), "file allocation table")
    assert "\n" not in line
    for text in ("1.500000", "1.2/0", "LBA 305419896, 240 blocks", "122880", "2.00 ms", "file allocation table"):
        assert text in line


@pytest.mark.parametrize("width", [100, 120, 160])
def test_an_explanation_wraps_its_words_and_loses_none(width: int) -> None:
    """Words go on below their column; every row keeps its place and its bytes."""
    told = CBW.explain(wire.cbw(1, 36, 0x80, 0, wire.inquiry(36)))
    narrow, wide = list(lines(told, width=width)), list(lines(told))
    assert max(map(len, narrow)) <= width
    assert " ".join(" ".join(narrow).split()) == " ".join(" ".join(wide).split())


def test_an_explanation_without_room_for_words_puts_them_below() -> None:
    """The figures alone are wider than 60 columns; the words still are not."""
    told = CBW.explain(wire.cbw(1, 36, 0x80, 0, wire.inquiry(36)))
    narrow = list(lines(told, width=60))
    assert "          chosen by the host; the CSW repeats it" in narrow
    assert " ".join(" ".join(narrow).split()) == " ".join(" ".join(lines(told)).split())
