"""Values as words: everything that ends on a terminal passes through here.

Device strings are hostile input: `safe` shows control characters, bidirectional overrides and other invisible
characters as escapes, so that no caller needs to think of it again.
"""

import re
import unicodedata

_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp", "Zs"}
"""Categories of characters that do not show, or do more than that; of the spaces the plain one is let through."""


def safe(text: str | bytes) -> str:
    r"""Text with every character that a terminal might act on, or not show, written as an escape (\x1b, \u202e).

    Bytes are read as ASCII; other bytes are written as \xNN.
    """
    if isinstance(text, bytes):
        return "".join(chr(b) if 32 <= b < 127 else f"\\x{b:02x}" for b in text)
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c == " " or unicodedata.category(c) not in _HIDDEN else _escape(c) for c in text)


def _escape(char: str) -> str:
    code = ord(char)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def quoted(text: str) -> str:
    """Text made safe, in the quotation marks that it does not hold itself. (`repr` would escape the escapes.)"""
    mark = '"' if "'" in text and '"' not in text else "'"
    return mark + safe(text) + mark


def field_text(raw: bytes) -> str:
    """A space-padded ASCII field (INQUIRY vendor, product, ...) without its padding; trailing NULs count as padding."""
    return safe(raw.rstrip(b" \x00"))


def hex_bytes(data: bytes) -> str:
    """Bytes as pairs of hex digits with spaces: ``55 53 42 43``."""
    return data.hex(" ")


_BINARY_UNITS = ("B", "KiB", "MiB", "GiB", "TiB", "PiB")


def bytes_in_words(count: int) -> str:
    """A byte count in binary units with the exact figure kept when it is small: ``512 B``, ``4 KiB``, ``7.45 GiB``."""
    power = min((abs(count).bit_length() - 1) // 10, len(_BINARY_UNITS) - 1) if count else 0
    if not power:
        return f"{count} B"
    shown = f"{count / (1 << 10 * power):.2f}".rstrip("0").rstrip(".")
    return f"{shown} {_BINARY_UNITS[power]}"


def time_in_words(ns: int) -> str:
    """A duration in the unit that reads best: ``850 ns``, ``12.5 µs``, ``3.20 ms``, ``1.500 s``."""
    if abs(ns) < 1_000:
        return f"{ns} ns"
    if abs(ns) < 1_000_000:
        return f"{ns / 1_000:.1f} µs"
    if abs(ns) < 1_000_000_000:
        return f"{ns / 1_000_000:.2f} ms"
    return f"{ns / 1_000_000_000:.3f} s"


def count_of(number: int, noun: str, plural: str = "") -> str:
    """``1 exchange``, ``2 exchanges``."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_COLUMN = re.compile(r"\S {2,}(?=\S)")


def wrapped(line: str, columns: int) -> list[str]:
    """A line that may hold columns and colour, broken at words so that no piece is wider than the terminal; what goes
    over is indented under the last column that leaves it room. ``columns`` 0 means no limit."""
    plain = _COLOUR.sub("", line)
    if not columns or len(plain) <= columns:
        return [line]
    starts = [found.end() for found in _COLUMN.finditer(plain) if found.end() <= columns * 3 // 5]
    hang = starts[-1] if starts else min(len(plain) - len(plain.lstrip()) + 2, columns // 2)
    pieces, room, now = [], 0, ""
    for word in re.split(r"(?<=\S)(?= )", line):
        size = len(_COLOUR.sub("", word))
        if now.strip() and room + size > columns:
            pieces.append(now)
            now, word = " " * hang, word.lstrip(" ")
            room, size = hang, len(_COLOUR.sub("", word))
        now, room = now + word, room + size
    return [*pieces, now]
