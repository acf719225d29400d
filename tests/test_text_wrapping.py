"""Lines for a terminal: no piece is wider than it, no word is lost, colour takes no room."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from sticktrace.text import wrapped

COLOUR = re.compile(r"\x1b\[[0-9;]*m")
WORDS = st.lists(st.text("abcxyz.,", min_size=1, max_size=9), min_size=1, max_size=30)


@given(WORDS, st.integers(20, 100), st.booleans())
def test_pieces_fit_and_hold_every_word(words: list[str], columns: int, coloured: bool) -> None:
    line = " ".join(f"\x1b[1m{word}\x1b[0m" if coloured and n % 3 == 0 else word for n, word in enumerate(words))
    pieces = wrapped("  " + line, columns)
    assert all(len(COLOUR.sub("", piece)) <= columns for piece in pieces)
    assert COLOUR.sub("", " ".join(pieces)).split() == words


def test_what_goes_over_stands_under_its_column() -> None:
    line = "  identity       reached   SKERRY TIDE LOGGER 2.31, direct access block device (disk)"
    assert wrapped(line, 60) == [
        "  identity       reached   SKERRY TIDE LOGGER 2.31, direct",
        "                           access block device (disk)",
    ]


def test_a_pipe_and_a_line_that_fits_stay_as_they_are() -> None:
    assert wrapped("x" * 300, 0) == ["x" * 300]
    assert wrapped("short", 80) == ["short"]
