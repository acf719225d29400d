"""Lines of a text capture, whatever encoding and line ends a terminal program saved it with.

Text without a byte-order mark is taken as UTF-8; undecodable bytes become replacement marks, never an error. Logs of
Windows terminals often are UTF-16 with a byte-order mark (Unicode Standard, 2.13, "Unicode Signature"). A line ends
with LF, with CR and LF, or with CR alone, as old systems and some terminals write.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.damage_log import DamageLog

_MARKS = {b"\xff\xfe": ("utf-16-le", b"\n\0", b"\r\0"), b"\xfe\xff": ("utf-16-be", b"\0\n", b"\0\r")}
_UTF_8 = ("utf-8", b"\n", b"\r")
_MARK = "\ufeff"
WRAPPER = re.compile(rb"(?i)55\W{0,3}(?:0x)?53\W{0,3}(?:0x)?42\W{0,3}(?:0x)?[45]3|0x[45]3425355")
"""A CBW's or a CSW's signature in hex (BOT 1.0 5.1, 5.2), as bytes or as a word."""
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0e-\x1a\x1c-\x1f]")
_RUN = 4
"""CRs before an LF that count as one line end with it: each program that a log goes through may add one."""


def encoding_of(data: Any) -> tuple[str, bytes, bytes]:
    """The encoding that the first two bytes announce, its LF and its CR."""
    return _MARKS.get(bytes(data[:2]), _UTF_8)


def as_utf8(sample: bytes) -> bytes:
    """The beginning of a capture as UTF-8 with LF, for those that look at what it holds."""
    encoding = encoding_of(sample)[0]
    if encoding != _UTF_8[0]:
        sample = sample.decode(encoding, "replace").lstrip(_MARK).encode("utf-8", "replace")
    return sample.replace(b"\r", b"\n") if b"\r" in sample else sample


def legible(sample: bytes, foreign: bool = True) -> bytes:
    """What of the beginning of a capture can be text: all of it, or the lines without noise where those are a good part
    or hold a wrapper, as on a serial line that began at the wrong rate; b"" for what is no text. Only where ``foreign``
    may more than a fifth of the bytes be other than ASCII."""
    if _is_text(sample, foreign):
        return sample
    kept = b"\n".join(line for line in sample.split(b"\n") if _is_text(line, foreign) and not _CONTROL.search(line))
    return kept if 4 * len(kept) > len(sample) or WRAPPER.search(kept) else b""


def _is_text(sample: bytes, foreign: bool) -> bool:
    high = 0 if foreign else len(sample) - len(sample.translate(None, bytes(range(128, 256))))
    return len(_CONTROL.findall(sample)) * 50 <= len(sample) and high * 5 <= len(sample)


class TextLines:
    """Hands out the lines of a capture one by one. ``position`` is the offset of the next line; ``whole`` may be called
    again when the data has grown. Of a line longer than ``longest`` characters only the beginning is handed out, and
    ``log`` is told; ``encoding`` is that of the bytes."""

    def __init__(self, longest: int, log: DamageLog | None = None) -> None:
        self.position = 0
        self._longest, self._log = longest, log
        self.encoding, self._lf, self._cr = _UTF_8
        self._number = 0
        self._next = {b"": 0}

    def whole(self, data: Any) -> Iterator[str]:
        """The lines whose end is there, without it."""
        if self.position == 0:
            self.encoding, self._lf, self._cr = encoding_of(data)
        self._next = {self._lf: -1, self._cr: -1}
        while (end := self._end(data)) is not None:
            start, (stop, self.position) = self.position, end
            yield self._text(data, start, stop)

    def rest(self, data: Any) -> Iterator[str]:
        """What follows the last line end, if anything does."""
        if self.position < len(data):
            start, self.position = self.position, len(data)
            yield self._text(data, start, len(data)).rstrip("\r")

    def _end(self, data: Any) -> tuple[int, int] | None:
        """Where the next line stops and where the one after it begins; None if its end is not there yet."""
        lf, cr, width = self._find(data, self._lf), self._find(data, self._cr), len(self._lf)
        if lf <= cr:
            return (lf, lf + width) if lf < len(data) else None
        after = cr
        while after - cr < _RUN * width and data[after : after + width] == self._cr:
            after += width
        if data[after : after + width] == self._lf:
            return cr, after + width
        # A CR at the end of a capture that is still growing may be half of a line end.
        return (cr, cr + width) if after < len(data) else None

    def _find(self, data: Any, mark: bytes) -> int:
        """The next place of a mark, the length of the data if there is none. Looked for once, not for every line."""
        end = self._next[mark]
        if end < self.position:
            end = data.find(mark, self.position)
            # In UTF-16 the same two bytes may stand across two characters; those are no line end.
            while end >= 0 and (end - self.position) % len(mark):
                end = data.find(mark, end + 1)
            self._next[mark] = end = end if end >= 0 else len(data)
        return end

    def _text(self, data: Any, start: int, end: int) -> str:
        self._number += 1
        most = self._longest * len(self._lf)
        if end - start > most and self._log is not None:
            self._log.report(f"line {self._number}", f"longer than {self._longest:,} characters; the rest is not read")
        raw = bytes(data[start : min(end, start + most)])
        return raw.decode(self.encoding, "replace").lstrip(_MARK)
