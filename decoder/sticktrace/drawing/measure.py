"""How wide words are: columns of a terminal, which are the units of a scene as well."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

_NO_WIDTH = ("Mn", "Me")


def columns(text: str) -> int:
    """Columns that a text takes: two for wide East Asian characters (UAX #11), none for combining marks."""
    if text.isascii():
        return len(text)
    return sum(_columns_of(char) for char in text)


def _columns_of(char: str) -> int:
    if unicodedata.category(char) in _NO_WIDTH:
        return 0
    return 2 if unicodedata.east_asian_width(char) in "WF" else 1


def fit(text: str, room: int) -> str:
    """The text, cut with an ellipsis where it takes more columns than there are."""
    if columns(text) <= room:
        return text
    kept = _head(text, max(0, room - 1))
    return kept + "…" if room > 0 else ""


def _head(text: str, room: int) -> str:
    """As many characters from the start as fit."""
    used = 0
    for at, char in enumerate(text):
        used += _columns_of(char)
        if used > room:
            return text[:at]
    return text


def wrap(text: str, room: int) -> list[str]:
    """A text broken at spaces into lines of at most ``room`` columns; a word that is longer is broken anywhere."""
    return list(_wrapped(text, max(2, room)))


def _wrapped(text: str, room: int) -> Iterator[str]:
    line = ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if columns(longer) <= room:
            line = longer
            continue
        if line:
            yield line
        while columns(word) > room:
            head = _head(word, room)
            if "-" in head[:-1]:
                head = head[: head.rindex("-", 0, -1) + 1]
            yield head
            word = word[len(head) :]
        line = word
    if line:
        yield line
