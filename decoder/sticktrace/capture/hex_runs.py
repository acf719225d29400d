"""Where on a line of text the bytes are: a run of hex in any of the usual shapes, cut off where a text column begins.

How dumps are laid out is common practice, not a standard: an offset or a memory address in front, bytes in groups, and
behind them the same bytes as characters, with or without bars around, blanks between groups, or a closing bar.
"""

from __future__ import annotations

import re
from typing import NamedTuple

# A byte as 55, 0x55 or \x55, or several without a space between; what may stand between two of them.
BYTES = r"(?:0[xX][0-9A-Fa-f]{1,2}|(?:\\x[0-9A-Fa-f]{2})++|(?:[0-9A-Fa-f]{2})++)(?![0-9A-Za-z_])"
TOKEN = re.compile(r"(?:0[xX]|\\x)?([0-9A-Fa-f]+)")

_RUN = re.compile(rf"(?<![0-9A-Za-z_.+\\-]){BYTES}(?:(?:[ \t]*,[ \t]*|[ \t]+|[:-](?=[0-9A-Fa-f]{{2}})){BYTES})*+")
_OFFSET = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{4,16}:(?=\s)")
_BAR = re.compile(r"[ \t]*\|")
_GAP = re.compile(r"[ \t]*\||[ \t]{2,}")
_DIGITS = re.compile(r"[0-9A-Fa-f ]*")
_MARKS = re.compile(r"0[xX]|\\x|[,:-]")
_COLUMN_LIMIT = 400
"""A text column is looked for only in lines of a dump's width."""

_OFFSET_SIZES = (0, 2, 4, 8)
_LONGEST_OFFSET = 8
"""Bytes that an offset in front of the others may look like."""


class Run(NamedTuple):
    """``start`` and ``end`` of the bytes, -1 for none; ``column`` is whether a text column follows them, ``agrees``
    whether it says the same as the bytes do."""

    start: int
    end: int
    column: bool = False
    agrees: bool = False


def find_bytes(text: str) -> Run:
    """The longest run of hex bytes, unless a text column shows that a shorter one is meant."""
    runs = [match for match in _RUN.finditer(text) if not _OFFSET.match(text, match.start())]
    if not runs:
        return Run(-1, -1)
    best = max(runs, key=_size)
    if len(text) <= _COLUMN_LIMIT:
        # A text column may itself look like bytes ("be ad"), even longer ones than it stands for.
        for run in (best, *runs):
            for gap in _GAP.finditer(text, run.start()):
                if gap.start() > run.end():
                    break
                if (run is best or "|" in gap[0]) and _says(text[run.start() : gap.start()], text[gap.end() :]):
                    return Run(run.start(), gap.start(), True, True)
        end = _before_close_column(text, best)
        if end:
            return Run(best.start(), end, True, True)
    return Run(best.start(), best.end(), _BAR.match(text, best.end()) is not None)


def _size(match: re.Match[str]) -> int:
    return sum(len(token[1]) + 1 >> 1 for token in TOKEN.finditer(match[0]))


def _before_close_column(text: str, run: re.Match[str]) -> int:
    """Where the bytes end in front of a text column that is set off by one blank alone, 0 if there is none. It then has
    a character for each byte, blanks too; those at the end of a line are lost."""
    shown = len(text)
    count = 0
    for token in TOKEN.finditer(text, run.start(), run.end()):
        count += len(token[1]) + 1 >> 1
        end = token.end()
        if end + 1 >= shown or text[end] != " " or shown - end - 1 > count:
            continue
        data = _plain(text[run.start() : end])
        if any(_shows(data[skip:], text[end + 1 :], skip) for skip in _OFFSET_SIZES):
            return end
    return 0


def _shows(data: bytes, column: str, skip: int) -> bool:
    """Whether a column shows these bytes one by one, with dots for those that are no characters. One that may itself be
    bytes has to stand in a dump: behind an offset and of a row's width."""
    lost = len(data) - len(column)
    if not 0 <= lost <= len(data) - len(data.rstrip(b" ")) or not data:
        return False
    if not all(char == (chr(byte) if 32 <= byte < 127 else ".") for byte, char in zip(data, column, strict=False)):
        return False
    return not _DIGITS.fullmatch(column) or (skip > 0 and len(column) in (8, 16, 32))


def _plain(hexed: str) -> bytes:
    try:
        return bytes.fromhex(_MARKS.sub("", hexed))
    except ValueError:
        return b""


def _says(hexed: str, column: str) -> bool:
    """Whether a text column shows these bytes. Blanks in it are passed over: they separate groups, fill the last row
    up, or stand for the byte 20h, which other dumps show as a dot."""
    shown = column.replace(" ", "").replace("\t", "")
    data = _plain(hexed)
    texts = (shown, shown[:-1]) if shown.endswith("|") else (shown,)
    skips = range(min(len(data), _LONGEST_OFFSET + 1))
    parts = [data[skip:] for skip in skips]
    parts += [part.replace(b" ", b"") for part in parts]
    return any(_same(part, text) for text in texts for part in parts if len(part) == len(text))


def _same(data: bytes, text: str) -> bool:
    return bool(data) and all(
        chr(byte) == char if 33 <= byte < 127 else not char.isalnum() or byte > 127
        for byte, char in zip(data, text, strict=True)
    )


def find_hex(text: str) -> bytes:
    """The bytes that a rest of a line begins with, behind marks and blanks; b"" where something else stands."""
    run = find_bytes(text)
    if run.start < 0 or text[: run.start].strip(" \t:=-,;>"):
        return b""
    tokens = [match[1].zfill(2) for match in TOKEN.finditer(text[run.start : run.end])]
    return bytes.fromhex("".join(tokens)) if all(len(token) % 2 == 0 for token in tokens) else b""
