"""Bytes as people paste them: hex in all its spellings, and arrays out of the source of a firmware."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click

_SHOWN = 60
_COMMENT = re.compile(r"/\*.*?\*/|//[^\n]*|^\s*#[^\n]*", re.S | re.M)
_ARRAY = re.compile(r"\{([^{}]*)\}|=\s*&?\[([^\[\]]*)\]")
_CAST = re.compile(r"^\s*\(\s*[A-Za-z_][\w ]*\)\s*")
_PLACE = re.compile(r"^\s*(?:\[\s*\w+\s*\]|\.\w+)\s*=\s*")
_NUMBER = re.compile(r"-?(?:0[xX]([0-9A-Fa-f]+)|0[bB]([01]+)|([0-9]+))(?:[uUlL]*|_?[ui]8)")
_LETTER = re.compile(r"b?'(?:\\x([0-9A-Fa-f]{1,2})|\\(.)|([^\\']))'")
_ESCAPES = {"0": 0, "n": 10, "r": 13, "t": 9}


def bytes_from(text: str) -> bytes:
    """Bytes from hex as people write it: 55534243, 55 53, 0x55, 0x53,, 55:53, 55h. Raises UsageError with the place."""
    plain = re.sub(r"0[xX]|[,:;{}_\-]|\b([0-9A-Fa-f]{2})[hH]\b", lambda m: m[1] or " ", text)
    digits = "".join(part if len(part) != 1 else "0" + part for part in plain.split())
    bad = re.search(r"[^0-9A-Fa-f]", digits)
    if bad:
        shown = repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "...")
        raise click.UsageError(f"{bad[0]!r} is neither a hex digit nor a file that exists: {shown}")
    if len(digits) % 2 or not digits:
        raise click.UsageError(f"{len(digits)} hex digits make no whole bytes; write two for each")
    return bytes.fromhex(digits)


def arrays_in(text: str) -> list[bytes]:
    """The bytes of each array of numbers in a piece of source, in the forms of C, C++ and Rust; empty where there is
    none. In source a number without 0x is decimal. Raises UsageError for an array that holds names or larger numbers
    between its bytes."""
    found = []
    for match in _ARRAY.finditer(_COMMENT.sub(" ", text)):
        words = [word for word in _split(match[1] if match[1] is not None else match[2]) if word]
        values = [_value(word) for word in words]
        known = [value for value in values if value is not None]
        if not known:
            continue
        if len(known) < len(words):
            name = words[values.index(None)]
            raise click.UsageError(f"{name[:_SHOWN]!r} in the array is no byte: write its value in its place")
        found.append(bytes(known))
    return found


def _split(inside: str) -> Iterator[str]:
    """The elements of an array; a comma may stand in quotes."""
    for part in re.findall(r"(?:'(?:\\.|[^'\\])*'|[^,'])+", inside):
        yield _CAST.sub("", _PLACE.sub("", part)).strip()


def _value(word: str) -> int | None:
    """The byte that an element stands for; None where it is none."""
    if match := _NUMBER.fullmatch(word):
        digits = next(at for at in (1, 2, 3) if match[at] is not None)
        octal = digits == 3 and len(match[3]) > 1 and match[3][0] == "0"
        value = int(match[digits], 8 if octal and set(match[3]) <= set("01234567") else (16, 2, 10)[digits - 1])
        value = -value if word.startswith("-") else value
        return value & 0xFF if -128 <= value <= 255 else None
    if match := _LETTER.fullmatch(word):
        if match[1]:
            return int(match[1], 16)
        char = match[2] or match[3]
        return _ESCAPES.get(char, ord(char)) if match[2] else ord(char) if ord(char) < 256 else None
    return None
