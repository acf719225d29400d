"""How a line of console text says that a transfer ended: a word, a name out of a driver's source, or a number.

Which words are in use is common practice. Each stands for an errno of the kernel documentation "USB error codes", which
is what the rooms above work on. Numbers are read as that document has them; of any other number only its firmware knows
what it means, save that 0 is success and a negative one a failure.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

NAKED = -11
"""EAGAIN: the device answered NAK and the transfer goes on. It never leaves this room: see `hex_wire`."""

FAILED = -71
"""EPROTO, which is also "unknown USB error": for failures that are not described further."""


class Said(NamedTuple):
    """``status`` is an errno, None where nothing was said or what was said is not known; then ``unknown`` quotes it.
    ``general`` is whether a line about anything else may hold the same words."""

    status: int | None = None
    unknown: str = ""
    general: bool = False


_TELLING = (
    (r"stall(?:ed)?|EPIPE", -32),
    (r"naks?|nak'?ed|nack(?:ed)?", NAKED),
    (r"timed?[ _-]?out|ETIMEDOUT", -110),
    (r"babble", -75),
    (r"crc[ _-]?err(?:or)?", -84),
    (r"no[ _-]?response", -71),
    (r"cancel+ed|aborted", -104),
)
_GENERAL = (
    (r"halted", -32),
    (r"not[ _-]?ready|nyet|busy|pending|EAGAIN|EBUSY", NAKED),
    (r"tmo", -110),
    (r"bbl(?:err)?|over(?:run|flow)|EOVERFLOW", -75),
    (r"crc|toggle[ _-]?err(?:or)?|(?:data)?tgl(?:err)?|EILSEQ", -84),
    (r"short(?:[ _-]?packet)?|underrun|EREMOTEIO", -121),
    (r"no[ _-]?err(?:or)?|ENOERR", 0),
    (r"no[ _-]?answer|not[ _-]?responding|EPROTO|ETIME", -71),
    (r"disconnect(?:ed|ion)?|detach(?:ed)?|unplugged|removed|gone|no[ _-]?dev(?:ice)?|ENODEV|ESHUTDOWN", -19),
    (r"cancel|abort|unlinked|ECONNRESET|ECANCELED", -104),
    (r"(?:xact|trans)?err(?:or)?|fail(?:ed|ure)?|fault|not[ _-]?ok|nok|unsuccessful|EIO", FAILED),
    (r"ok(?:ay)?|done|success(?:ful(?:ly)?)?|succeeded|completed?|pass(?:ed)?|finished|ack(?:ed)?", 0),
)
_KEYS = "status|stat|state|result|res|retval|ret|rc|error|errno|err|code"


_SILENT = Said()


def _words(pattern: str) -> re.Pattern[str]:
    """Whole words, or parts of a name such as URB_STALL."""
    return re.compile(rf"(?<![A-Za-z])(?:{pattern})(?![A-Za-z])", re.I)


_QUIET = re.compile(r"(?:[^A-Za-z-]|\b(?:in|out|tx|rx|bulk|ep|bytes?|len|kept|setup|cbw|csw|data)\b)*+", re.I)
"""Nothing is said here: most lines, told quickly."""

WORDS_OF_AN_END = "|".join(row for row, _ in _TELLING + _GENERAL)
"""Regular expression of the words that say how something ended."""

KEYS_OF_AN_END = _KEYS
"""Regular expression of the names in front of a number that says so."""

_ROWS = [(_words(row), status, rows is _GENERAL) for rows in (_TELLING, _GENERAL) for row, status in rows]
_OUTCOME = _words("|".join((_KEYS, "timed", *(row for row, _ in _TELLING + _GENERAL))))

_NUMBER = re.compile(
    rf"(?<![A-Za-z])(?:{_KEYS})\s*(?:[:=]|\bis\b)?\s*[\[(]?"
    r"([+-]?(?:0x[0-9a-f]{1,8}|\d{1,10}))(?![\w.]| +[0-9a-f]{2}\b)",
    re.IGNORECASE | re.ASCII,
)
_NAME = re.compile(
    r"(?<![A-Za-z])((?i:status|result|error|err)\s*[:= ]\s*(?:[A-Z]\w*_\w+|[A-Z]{3,40})"
    r"|(?:URB|XFER|TRANSFER|TD|HC|HCD|EP|STATUS|RESULT|ERR)_[A-Z0-9_]{1,40})(?!\w)"
)
_ERRNOS = frozenset((2, 18, 19, 32, 62, 63, 70, 71, 75, 84, 104, 108, 110, 113, 121))
_BARE = re.compile(r"(?<![\w.])-(\d{1,3})\b", re.ASCII)
_ELSEWHERE = {-145: -110, -116: -110, -11: NAKED, -16: NAKED, -115: NAKED}
"""ETIMEDOUT as kernels for MIPS and as a C library of firmware count it; EAGAIN, EBUSY, EINPROGRESS: goes on."""


def said_in(text: str, moved: int | None = None) -> Said:
    """What the words around a transfer's bytes say of its end: numbers first, then words, the telling ones before the
    general ones. ``moved`` is the stated length: calls that return it are common."""
    if _QUIET.fullmatch(text):
        return _SILENT
    if match := _NUMBER.search(text):
        return _number(match, moved)
    for match in _BARE.finditer(text):
        if int(match[1]) in _ERRNOS:
            return Said(-int(match[1]))
    for words, status, general in _ROWS:
        if words.search(text):
            return Said(status, general=general)
    name = _NAME.search(text)
    return Said(unknown=name[1], general=True) if name else _SILENT


def _number(match: re.Match[str], moved: int | None) -> Said:
    number = int(match[1], 16 if "x" in match[1].lower() else 10)
    if number >> 31 == 1:
        number -= 1 << 32  # a negative int printed as hex
    if number == 0 or (moved and number == moved):
        return Said(0, general=True)
    known = _ELSEWHERE.get(number, number if -number in _ERRNOS else None)
    if known is not None:
        return Said(known)
    return Said(FAILED if number < 0 else None, match[0].strip(), general=True)


def without_numbers(text: str, length: int | None) -> str:
    """The text with blanks where numbers say how a transfer ended, so that they are not taken for bytes. Two digits
    are the byte itself where the stated ``length`` is one."""
    return _NUMBER.sub(lambda match: match[0] if length == 1 and len(match[1]) == 2 else " " * len(match[0]), text)


@lru_cache(4096)
def is_outcome(word: str) -> bool:
    """Whether a single word speaks of how something ended."""
    return _OUTCOME.fullmatch(word) is not None
