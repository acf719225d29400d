"""Wrappers printed as words of 32 or 16 bits: the bytes of each word are turned into the order of memory.

A CBW begins with the number 43425355h, a CSW with 53425355h (BOT 1.0 5.1, 5.2: little-endian). Where a text shows these
numbers as words, it was printed by a program that read memory in words, and its other dumps of such words are no
different. Words have more bytes than a wrapper: what fills up the last one is left out.
"""

from __future__ import annotations

import re

_SIGNATURE = re.compile(r"[45]3425355|5355[ ,]+(?:0x)?(?:4342|5342)", re.I)
_RUNS = {
    4: re.compile(r"(?:0x)?[0-9A-F]{8}(?:[ ,]{1,4}(?:0x)?[0-9A-F]{8})*(?![0-9A-Za-z])", re.I),
    2: re.compile(r"(?:0x)?[0-9A-F]{4}(?:[ ,]{1,4}(?:0x)?[0-9A-F]{4})*(?![0-9A-Za-z])", re.I),
}
_WORD = re.compile(r"(?:0x)?([0-9A-F]{4,8})", re.I)
_SIZES = {b"USBC": 31, b"USBS": 13}
_LEAST = 3
"""Words of a line that shows them without a wrapper's signature in front."""


class WordLines:
    """Rewrites lines of words as lines of bytes. ``unit`` is the size of a word once the text has shown one."""

    def __init__(self) -> None:
        self.unit = 0
        self._owed = 0

    def plain(self, text: str) -> str:
        """The line with its words as bytes in the order of memory; as it is if it holds none."""
        if not self.unit and not _SIGNATURE.search(text):
            return text
        for unit in (self.unit,) if self.unit else (4, 2):
            run = self._run(text, unit)
            if run is not None:
                data = b"".join(bytes.fromhex(word)[::-1] for word in _WORD.findall(run[0]))
                size = _SIZES.get(data[:4])
                if not self.unit and size is None:
                    continue
                if size is not None:
                    self.unit, self._owed = unit, size
                shown = data[: self._owed] if self._owed else data
                self._owed = max(0, self._owed - len(data))
                return f"{text[: run.start()]}{shown.hex(' ')}{text[run.end() :]}"
        return text

    def _run(self, text: str, unit: int) -> re.Match[str] | None:
        """The words of a line: from a wrapper's signature on, or as many as a dump has."""
        for run in _RUNS[unit].finditer(text):
            words = _WORD.findall(run[0])
            first = b"".join(bytes.fromhex(word)[::-1] for word in words[:2])
            if first[:4] in _SIZES and len(words) > 1:
                return run
            if self.unit and (len(words) >= _LEAST or self._owed) and not text[run.end() :].lstrip().startswith(":"):
                return run
        return None
