"""Lines of a text capture, whatever encoding a terminal program saved it in.

Text without a byte-order mark is taken as UTF-8; undecodable bytes become replacement marks, never an error. Logs of
Windows terminals often are UTF-16 with a byte-order mark (Unicode Standard, 2.13, "Unicode Signature").
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

_MARKS = {b"\xff\xfe": ("utf-16-le", b"\n\0"), b"\xfe\xff": ("utf-16-be", b"\0\n")}
_UTF_8 = ("utf-8", b"\n")
_MARK = "\ufeff"


def encoding_of(data: Any) -> tuple[str, bytes]:
    """The encoding that the first two bytes announce, and its line end."""
    return _MARKS.get(bytes(data[:2]), _UTF_8)


def as_utf8(sample: bytes) -> bytes:
    """The beginning of a capture as UTF-8, for those that look at what it holds."""
    encoding, _ = encoding_of(sample)
    if encoding == _UTF_8[0]:
        return sample
    return sample.decode(encoding, "replace").lstrip(_MARK).encode("utf-8", "replace")


class TextLines:
    """Hands out the lines of a capture one by one. ``position`` is the offset of the next line; ``whole`` may be called
    again when the data has grown. Of a line longer than ``longest`` characters only the beginning is handed out."""

    def __init__(self, longest: int) -> None:
        self.position = 0
        self._longest = longest
        self._encoding, self._end = "", b""

    def whole(self, data: Any) -> Iterator[str]:
        """The lines whose end is there, without it."""
        if self.position == 0:
            self._encoding, self._end = encoding_of(data)
        width = len(self._end)
        while (end := self._find(data, width)) >= 0:
            start, self.position = self.position, end + width
            yield self._text(data, start, end)

    def rest(self, data: Any) -> Iterator[str]:
        """What follows the last line end, if anything does."""
        if self.position < len(data):
            start, self.position = self.position, len(data)
            yield self._text(data, start, len(data))

    def _find(self, data: Any, width: int) -> int:
        end: int = data.find(self._end, self.position)
        # In UTF-16 the same two bytes may stand across two characters; those are no line end.
        while end >= 0 and (end - self.position) % width:
            end = data.find(self._end, end + 1)
        return end

    def _text(self, data: Any, start: int, end: int) -> str:
        raw = bytes(data[start : min(end, start + self._longest * len(self._end))])
        return raw.decode(self._encoding, "replace").lstrip(_MARK)
