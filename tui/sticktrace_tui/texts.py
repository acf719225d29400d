"""A column of short texts, one per row, held as one run of bytes: a million of them are cheap."""

from __future__ import annotations

from array import array


class Texts:
    """Append texts; read them back by row. A text equal to the one before costs no bytes again."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self._start = array("Q")
        self._size = array("H")
        self._last = ""

    def __len__(self) -> int:
        return len(self._start)

    def append(self, text: str) -> None:
        """Add the text of the next row."""
        if self._start and text == self._last:
            self._start.append(self._start[-1])
            self._size.append(self._size[-1])
            return
        raw = text.encode("utf-8", "backslashreplace")[:0xFFFF]
        self._start.append(len(self._bytes))
        self._size.append(len(raw))
        self._bytes += raw
        self._last = text

    def __getitem__(self, row: int) -> str:
        start = self._start[row]
        return self._bytes[start : start + self._size[row]].decode("utf-8", "replace")
