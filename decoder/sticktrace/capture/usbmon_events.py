"""Events of the kernel's text form, put together again where a mail program or a terminal broke their lines.

An event says itself how much belongs to it (kernel documentation, usbmon: "Raw text data format"): a setup packet or a
status, a length, and behind a length that is not 0 a mark or up to 32 bytes of data in words of four. So what is still
owed is known, and a line that begins no event and could be that is taken for it. How programs break and quote lines is
common practice, not a standard.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

MOST_DATA = 32
"""Bytes of data that the kernel prints of an event (DATA_MAX)."""

_MOST_PIECES = 24
"""Lines that one event may have been broken into; at a few characters a line it is damage of another kind."""

# People paste events with things in front: quote marks of mail, console prompts, log times.
_HEAD = re.compile(
    r"(?<![0-9A-Za-z])([0-9a-fA-F]{1,16}) +(\d{1,10}) +([SCE]) "
    r"+([CZIB])([io]):(\d{1,3}):(\d{1,3})(?::(\d{1,2}))?(?!\S)",
    re.ASCII,
)
_BEGINNING = re.compile(
    r"(?<![0-9A-Za-z])[0-9a-fA-F]{8,16}(?: +\d{1,10}(?: +[SCE](?: +[CZIB](?:[io][:\d]{0,10})?)?)?)? *$", re.ASCII
)
_QUOTE = re.compile(r"[>|\s]*[|\s]|>+(?=[^>\s])")
_PIECE = re.compile(r"[0-9a-fA-F:_<>=sSCEZBIio -]+", re.ASCII)
_STATUS = re.compile(r"(-?\d{1,10})((?::-?\d{1,10})*)", re.ASCII)
_SETUP_DIGITS = (2, 2, 4, 4, 4)
_HEX = re.compile("[0-9a-fA-F]*")


class Details(NamedTuple):
    """What follows the address of an event: setup bytes, status, length (-1 where the line ends before it), data in
    hex, and whether the event goes on."""

    setup: bytes = b""
    status: int = 0
    length: int = -1
    data: str = ""
    owed: bool = True


class Event(NamedTuple):
    """``head`` holds tag, time, event, kind, way and two or three numbers of the address. ``line`` is the number of its
    first line."""

    head: tuple[str, ...]
    details: Details
    line: int


class Other(NamedTuple):
    """A line that belongs to no event, with its number."""

    line: int
    text: str


def begins(line: str) -> bool:
    """Whether an event, or the first piece of a broken one's address, stands on this line."""
    return _HEAD.search(line) is not None


class Unfolding:
    """Feed it lines; it hands out events, and the lines that belong to none. ``folded`` counts the events
    that had been broken, ``first`` is the line of the first of them."""

    def __init__(self) -> None:
        self.folded = self.first = 0
        self._line = self._digits = 0
        self._held = ""
        self._lines: list[Other] = []

    def feed(self, text: str) -> Iterator[Event | Other]:
        """Take one line. What is yielded is whole, or nothing more can come of it."""
        self._line += 1
        head = _HEAD.search(text)
        if head is None or (self._held and self._torn(text, head)):
            if text.strip():
                yield from self._other(text.strip(), Other(self._line, text))
            return
        if self._held:
            yield from self.end()
        found = details(text[head.end() :].split(), head[4])
        if found is None:
            yield Other(self._line, text)
        elif found.owed:
            self._held, self._lines = text[head.start() :].rstrip(), [Other(self._line, text)]
        else:
            self._digits = len(head[1])
            yield Event(head.groups(), found, self._line)

    def end(self) -> Iterator[Event | Other]:
        """Nothing more will come for what is held."""
        held, self._held = self._held, ""
        head = _HEAD.match(held)
        found = details(held[head.end() :].split(), head[4]) if head else None
        if not held:
            return
        if head is None or found is None or found.length < 0:
            yield from self._lines
            return
        if len(self._lines) > 1:
            self.folded += 1
            self.first = self.first or self._lines[0].line
        yield Event(head.groups(), found, self._lines[0].line)

    def _torn(self, text: str, head: re.Match[str]) -> bool:
        """Whether what looks like an event is the rest of one whose id or time was broken in two."""
        if _HEAD.match(self._held) or text[: head.start()].strip(">| \t"):
            return False
        whole = _HEAD.match(self._held + text[head.start() :])
        usual = self._digits or (0 if len(head[1]) in (8, 16) else 16)
        return whole is not None and len(whole[1]) == usual

    def _other(self, text: str, line: Other) -> Iterator[Event | Other]:
        """A line that begins no event: what is owed, the beginning of one that is broken in its head, or neither."""
        joined = self._joined(text) if self._held and len(self._lines) < _MOST_PIECES else ""
        if joined:
            self._held = joined
            self._lines.append(line)
            head = _HEAD.match(joined)
            found = details(joined[head.end() :].split(), head[4]) if head else None
            if found is not None and not found.owed:
                yield from self.end()
            return
        yield from self.end()
        beginning = _BEGINNING.search(text)
        if beginning is not None:
            self._held, self._lines = beginning[0], [line]
        else:
            yield line

    def _joined(self, text: str) -> str:
        """What is held with this line behind it, "" if it does not fit. Words may have been broken in two."""
        quote = _QUOTE.match(text)
        piece = text[quote.end() :] if quote else text
        if not _PIECE.fullmatch(piece):
            return ""
        fitting = [whole for between in ("", " ") if (whole := self._held + between + piece) and _plausible(whole)]
        # "0" and "0 >" may be two words or one; what makes the event whole is meant.
        return next((whole for whole in fitting if not _owed(whole)), fitting[0] if fitting else "")


def _owed(text: str) -> bool:
    head = _HEAD.match(text)
    found = details(text[head.end() :].split(), head[4]) if head else None
    return found is None or found.owed


def _plausible(text: str) -> bool:
    """Whether this is an event or the beginning of one, its data in words of four bytes as the kernel prints it."""
    head = _HEAD.match(text)
    if head is None:
        return _BEGINNING.fullmatch(text) is not None
    words = text[head.end() :].split()
    data = words[words.index("=") + 1 :] if "=" in words else []
    in_fours = all(len(word) == 8 for word in data[:-1]) and len("".join(data[-1:])) <= 8
    return in_fours and details(words, head[4]) is not None


def details(words: list[str], letter: str) -> Details | None:
    """What follows the address, as far as it is there. None if it does not follow the documented form."""
    if not words or words == ["-"]:
        return Details()
    if letter == "C" and len(words[0]) == 1 and words[0].isalpha():
        # A setup tag and five words; a tag other than 's' says that the setup packet could not be captured.
        setup = words[1:6]
        if words[0] == "s" and not _fits(setup):
            return None
        if len(setup) < len(_SETUP_DIGITS) or len(setup[4]) < 4:
            return Details()
        return _data(_setup_bytes(setup) if words[0] == "s" else b"", 0, words[6:])
    found = _STATUS.fullmatch(words[0])
    if found is None:
        return None
    rest = words[1:]
    if letter == "Z" and rest:
        # A count of packet descriptors and up to five of them, each status:offset:length.
        rest = [word for word in rest[1:] if ":" not in word]
    return _data(b"", int(found[1]), rest)


def _fits(setup: list[str]) -> bool:
    last = len(setup) - 1
    return all(
        _HEX.fullmatch(word) and (len(word) == size or (n == last and len(word) < size))
        for n, (word, size) in enumerate(zip(setup, _SETUP_DIGITS, strict=False))
    )


def _data(setup: bytes, status: int, words: list[str]) -> Details | None:
    """Length, then '=' and data words, or a letter or mark that says why there are none."""
    if not words:
        return Details(setup, status)
    if not words[0].isdecimal() or len(words[0]) > 10:
        return None
    length = int(words[0])
    if length > 0xFFFFFFFF:  # the kernel's field has 32 bits
        return None
    if len(words) > 1 and (len(words[1]) > 1 or words[1].isdecimal()):
        return None
    if len(words) == 1 or words[1] != "=":
        return Details(setup, status, length, "", owed=length > 0 and len(words) == 1)
    hexed = "".join(words[2:])
    if not _HEX.fullmatch(hexed):
        return None
    return Details(setup, status, length, hexed, owed=len(hexed) < 2 * min(length, MOST_DATA))


def _setup_bytes(words: list[str]) -> bytes:
    """The setup packet as it goes over the bus: the words are printed as values and travel low byte first."""
    low_first = b"".join(bytes.fromhex(word)[::-1] for word in words[2:])
    return bytes.fromhex(words[0] + words[1]) + low_first
