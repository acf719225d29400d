"""The marks of the transfer log: number and sum of each line (docs/hex-text.md)."""

from __future__ import annotations

import pytest

from sticktrace.capture.hex_marks import LineMarks
from sticktrace.capture.hex_text import GARBLED
from sticktrace.capture.transfer import GAP
from test_capture_hex_text import CBW, CSW, read, spaced


def marked(line: str, number: int) -> str:
    """A line as the log prints it."""
    text = f"{line} #{number & 255:02x}"
    first = second = 0
    for char in text.encode():
        first = first + char & 255
        second = second + first & 255
    return f"{text}*{first:02x}{second:02x}"


LINES = [f"{100 * n} us dev 2 OUT ep 02 31: {spaced(CBW)}" for n in range(4)]
WHOLE = [marked(line, 253 + n) for n, line in enumerate(LINES)]


def taken(texts: list[str]) -> tuple[list[tuple[str, int]], LineMarks]:
    marks = LineMarks()
    return [marks.take(text) for text in texts], marks


def test_whole_lines_lose_only_their_mark() -> None:
    found, marks = taken(WHOLE)
    assert found == [(line, 0) for line in LINES] and not marks.broken


@pytest.mark.parametrize("front", ["[12:00:00.123] ", "2031-04-01 12:00:00 > ", "12:00:00 300 us dev 9 IN ep 81 13: "])
def test_what_stands_in_front_is_left_out(front: str) -> None:
    """A terminal's own time, or the rest of a line whose end was lost."""
    found, _ = taken([front + line for line in WHOLE])
    assert found == [(line, 0) for line in LINES]


def test_any_character_changed_is_seen() -> None:
    for at in range(len(WHOLE[1])):
        for hurt in (WHOLE[1][:at] + WHOLE[1][at + 1 :], WHOLE[1][:at] + "\ufffd" + WHOLE[1][at + 1 :], WHOLE[1][:at]):
            found, _ = taken([WHOLE[0], hurt, WHOLE[2]])
            if at or hurt.startswith("\ufffd"):
                assert (found[1][0], found[2]) in (("", (LINES[2], 1)), (hurt, (LINES[2], 1))), hurt


def test_missing_lines_are_counted() -> None:
    assert taken([WHOLE[0], WHOLE[3]])[0][1] == (LINES[3], 2)
    assert taken([marked("lost 3 transfers", 9), marked("lost 5 transfers", 12)])[0][1] == ("lost 5 transfers", 2)


def test_a_firmware_that_starts_again_lost_nothing() -> None:
    """Its clock starts again as well."""
    assert taken([WHOLE[1], marked(LINES[0], 0)])[0][1] == (LINES[0], 0)
    assert taken([WHOLE[0], marked(LINES[1], 0)])[0][1] == (LINES[1], 2)


def test_other_lines_are_left_alone() -> None:
    chatter = ["store: level 1874 mm", "usbh: ready #1", "", "IN ep 81 13: " + spaced(CSW)]
    assert taken(chatter)[0] == [(text, 0) for text in chatter]
    assert taken([WHOLE[0], *chatter[:2]])[0][1:] == [(text, 0) for text in chatter[:2]]


def test_pieces_of_lines_are_no_data() -> None:
    """Once lines have marks, a line of the log without one is a piece of one, and so is a row of bytes."""
    for piece in ("dev 2 IN ep 81 13: 55 53", "00 00 00 01 00 00 00", WHOLE[1][20:], "us dev 2 SETUP: 80 06 00"):
        transfers, reader = read(f"{WHOLE[0]}\n{piece}\n{WHOLE[2]}\n")
        assert [(t.kind == GAP, t.requested) for t in transfers] == [(False, 31), (True, 1), (False, 31)], piece
        assert reader.skipped[GARBLED] == 1 and [damage.where for damage in reader.damage] == ["line 3"]


def test_a_last_line_that_was_cut() -> None:
    transfers, reader = read(f"{WHOLE[0]}\n{WHOLE[1][:50]}")
    assert [t.kind == GAP for t in transfers] == [False, True] and "last line" in reader.damage[0].what


def test_bytes_garbled_in_a_log_without_marks() -> None:
    for hurt in (spaced(CBW)[:9] + spaced(CBW)[10:], spaced(CBW)[:13] + "z" + spaced(CBW)[14:]):
        transfers, reader = read(f"dev 2 OUT ep 02 31: {hurt}\ndev 2 IN ep 81 13: {spaced(CSW)}\n")
        assert [(t.kind == GAP, t.actual) for t in transfers] == [(True, 0), (False, 13)]
        assert "garbled" in reader.damage[0].what and reader.damage[0].where == "line 1"
    grouped = CBW.hex(" ", 2)
    assert [t.captured for t in read(f"dev 2 OUT ep 02 31: {grouped}\n")[0]] == [31]
