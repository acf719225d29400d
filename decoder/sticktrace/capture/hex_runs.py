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
_MARKS = re.compile(r"0[xX]|\\x|[,:-]")
_COLUMN_LIMIT = 400
"""A text column is looked for only in lines of a dump's width."""

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
    return Run(best.start(), best.end(), _BAR.match(text, best.end()) is not None)


def _size(match: re.Match[str]) -> int:
    return sum(len(token[1]) + 1 >> 1 for token in TOKEN.finditer(match[0]))


def _says(hexed: str, column: str) -> bool:
    """Whether a text column shows these bytes. Blanks in it are passed over: they separate groups, fill the last row
    up, or stand for the byte 20h, which other dumps show as a dot."""
    shown = column.replace(" ", "").replace("\t", "")
    try:
        data = bytes.fromhex(_MARKS.sub("", hexed))
    except ValueError:
        return False
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
