"""Filler for private bytes: the same length, the same kind of characters, equal where the original was equal.

A secret key, made for one run and then forgotten, decides what becomes what. Nothing here can be turned back without
it; equal input gives equal filler, so that what depends on two things being the same or not (a name in two places, a
block read twice, a counterfeit that answers with another block) comes out as before.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from itertools import groupby

_CLASSES = ("123456789", "ABCDEF", "GHIJKLMNOPQRSTUVWXYZ", "abcdef", "ghijklmnopqrstuvwxyz")
"""Characters that may stand for each other. Zero stays zero and hexadecimal digits stay so, because a serial number is
judged by them (BOT 1.0 4.1.1)."""
CLASS_OF = {char: letters for letters in _CLASSES for char in letters}


def turned(char: str) -> str:
    """What may stand for a character: its class, beginning with itself; ``x`` for one beyond ASCII."""
    letters = CLASS_OF.get(char)
    if letters is None:
        return char if ord(char) < 0x80 else "x"
    at = letters.index(char)
    return letters[at:] + letters[:at]


@dataclass(frozen=True, slots=True)
class Keep:
    """What is left as it is, at the wish of the caller."""

    names: bool = False
    serials: bool = False
    strings: bool = False
    contents: bool = False


class Scrambler:
    """Replaces text and data under one secret key."""

    def __init__(self, key: bytes | None = None) -> None:
        self._key = key or os.urandom(32)
        self._steps: dict[bytes, int] = {}

    def digest(self, data: bytes, purpose: bytes = b"") -> bytes:
        """64 bytes that depend on the key, the purpose and the data."""
        return hashlib.blake2b(data, key=self._key, person=purpose[:16]).digest()

    def fill(self, data: bytes) -> bytes:
        """Filler for one block of data: hexadecimal digits. Blocks that are all 00h or all FFh stay."""
        if not data or (data[0] in (0, 0xFF) and data.count(data[0]) == len(data)):
            return data
        digits = self.digest(data).hex().encode()
        return (digits * (len(data) // len(digits) + 1))[: len(data)]

    def text(self, text: str, purpose: bytes = b"text") -> str:
        """Text with letters and digits replaced within their class, others beyond ASCII by ``x``. Different texts stay
        different as far as their letters and digits go: each replacement depends on all characters before it."""
        out: list[str] = []
        for place, char in enumerate(text):
            letters = CLASS_OF.get(char)
            if letters is None:
                out.append(char if ord(char) < 0x80 else "x")
                continue
            step = self._step(purpose + text[:place].encode("utf-8", "surrogatepass"))
            # Never by nothing: a serial number of few digits must not come out as itself by chance.
            out.append(letters[(letters.index(char) + 1 + step % (len(letters) - 1)) % len(letters)])
        return "".join(out)

    def _step(self, prefix: bytes) -> int:
        step = self._steps.get(prefix)
        if step is None:
            if len(self._steps) > 1 << 16:
                self._steps.clear()
            step = int.from_bytes(self.digest(prefix, b"step")[:4], "big")
            self._steps[prefix] = step
        return step

    def ascii(self, data: bytes, purpose: bytes = b"text") -> bytes:
        """The same for bytes; bytes above 7Fh become ``x``."""
        return self.text(data.decode("latin-1"), purpose).encode("latin-1", "replace")

    def utf16(self, data: bytes, purpose: bytes = b"text") -> bytes:
        """The same for little-endian UTF-16, unit by unit; zero and FFFFh units, which end a text, and an odd last byte
        stay. What follows such a unit is another text."""
        units = [int.from_bytes(data[i : i + 2], "little") for i in range(0, len(data) - 1, 2)]
        out: list[bytes] = []
        for ends, piece in groupby(units, lambda unit: unit in (0, 0xFFFF)):
            text = "".join(map(chr, piece))
            out += [ord(char).to_bytes(2, "little") for char in (text if ends else self.text(text, purpose))]
        return b"".join(out) + data[2 * len(units) :]
