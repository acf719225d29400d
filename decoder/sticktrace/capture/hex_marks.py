"""The mark at the end of each line of the transfer log (docs/hook): " #0c*5e7a", the number of the line and two sums.

A serial line loses and changes characters without a word, and a command that misses its status for that looks like a
fault of the stick. The number counts lines; the first sum is that of the characters in front of the "*", the second
that of the first as it was after each character; all modulo 256 and in hex. Terminal programs put times of their own in
front of lines, so the log's own beginning is looked for.
"""

from __future__ import annotations

import re
from itertools import accumulate

_MARK = re.compile(r" #([0-9a-f]{2})\*([0-9a-f]{4})\s*$")
_BEGIN = re.compile(r"(\d+)(?:-\d+)? us (?:bus|dev) |lost \d+ transfers")
_PART = re.compile(
    r"\d us (?:bus|dev)\b|\b(?:IN|OUT) ep [0-9a-f]{2} \d|\bSETUP: [0-9a-f]{2} |\*[0-9a-f]{4}\s*$|^[0-9a-f ]{8,}$"
)
"""What a piece of a line looks like, in a text whose other lines have marks."""


def sums(text: str) -> int:
    """Both sums, the first in the high byte."""
    total = list(accumulate(text.encode("latin-1", "replace")))
    return (total[-1] & 0xFF) << 8 | sum(total) & 0xFF if total else 0


class LineMarks:
    """Follows the marks of one capture. Texts without any are left alone."""

    def __init__(self) -> None:
        self._number: int | None = None
        self._time = 0
        self.broken = False

    def take(self, text: str) -> tuple[str, int]:
        """The line without its mark, and how many lines are missing before it. "" for one that did not come whole; it
        is among those missing before the next, or ``broken`` says that none came after it."""
        mark = _MARK.search(text)
        if mark is None:
            if self._number is None or _PART.search(text) is None:
                return text, 0
        elif (whole := self._whole(text, mark)) is not None:
            return whole, self._missing(int(mark[1], 16), whole)
        self.broken = _BEGIN.search(text) is not None
        return "", 0

    def _missing(self, number: int, line: str) -> int:
        """How many lines are missing before this one; none where a firmware started again, and its clock with it."""
        before, self._number, self.broken = self._number, number, False
        begin, then = _BEGIN.match(line), self._time
        if begin is not None and begin[1]:
            self._time = int(begin[1])
        again = number == 0 and self._time < then
        return 0 if before is None or again else (number - before - 1) & 0xFF

    @staticmethod
    def _whole(text: str, mark: re.Match[str]) -> str | None:
        """The log's own line, if its characters make up the sum. Digits of a line that broke off may stand in front."""
        value, end = int(mark[2], 16), mark.start(2) - 1
        for begin in _BEGIN.finditer(text, 0, end):
            for start in range(begin.start(), max(begin.end(1), begin.start() + 1)):
                if sums(text[start:end]) == value:
                    return text[start : mark.start()]
        return None
