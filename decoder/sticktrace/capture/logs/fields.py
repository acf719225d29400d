"""What may stand in the gaps of a pattern: how it is printed, and what it becomes.

A gap is written ``{name}`` or ``{name:type}``; without a type the name is the type. The values of a statement are typed
by these: numbers are int, byte lists are bytes, all else is text.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sticktrace.codes import error_numbers

LONGEST_TEXT = 200


@dataclass(frozen=True, slots=True)
class Field:
    """A type of gap: the regular expression of what is printed, and what it is turned into."""

    regex: str
    convert: Callable[[str], Any] = str.strip


def _hex(text: str) -> int:
    return int(text.lower().removeprefix("0x").rstrip("h"), 16)


def _number(text: str) -> int:
    """A number as a program writes it: 12, 0x0c, 0ch, 1,024."""
    text = text.lower().replace(",", "")
    return _hex(text) if text.startswith("0x") or text.endswith("h") else int(text)


def _bytes(text: str) -> bytes:
    pairs = text.lower().replace("0x", " ").replace(",", " ").replace("-", " ").replace(":", " ").split()
    if len(pairs) == 1 and len(pairs[0]) > 2:
        return bytes.fromhex(pairs[0])
    return bytes(int(pair, 16) for pair in pairs)


def _bcd(text: str) -> int:
    """A release number: 1.02 is 0102h, as bcdDevice has it."""
    high, low = text.split(".")
    return int(high, 16) << 8 | int(low, 16)


def _error(text: str) -> int:
    return error_numbers.from_log(text)[0]


_SPEEDS = {
    "super": ("super", "5000", "5.0", "10000"), "high": ("high", "480"), "full": ("full", "12"), "low": ("low", "1.5"),
}  # fmt: skip


def _speed(text: str) -> str:
    """ "low", "full", "high" or "super"."""
    text = text.lower()
    return next((speed for speed, starts in _SPEEDS.items() if text.startswith(starts)), text)


def _path(text: str) -> str:
    """A path of ports; "usb1" and "1-0" are the root hub of bus 1."""
    text = text.lower()
    return f"{text[3:]}-0" if text.startswith("usb") else text


_SPEED = (
    r"(?:low|full|high|super)(?:[- ]?speed)?(?:[- ]?plus)?(?: gen ?\w+)?"
    r"|(?:480|12|1\.5|5000|5\.0|10000)\s?[MG]b(?:it/s|ps|/s)"
)
_PAIR = r"(?:0x)?[0-9a-f]{1,2}(?![0-9a-z])"

COUNTS = frozenset(("count", "max_lun", "number", "most", "status", "result", "version", "qualifier", "sector"))
"""Groups of regular expressions that are numbers where they are digits."""

FIELDS: dict[str, Field] = {
    "int": Field(r"\d{1,18}+(?!\d)", int),
    "number": Field(r"0x[0-9a-f]{1,16}+|[0-9][0-9a-f]{0,15}+h\b|\d{1,15}(?:,\d{3}){0,5}+", _number),
    "hex": Field(r"(?:0x)?[0-9a-f]{1,16}+h?", _hex),
    "code": Field(r"[0-9a-f]{1,2}(?![0-9a-z])"),  # in whichever base: see `asc.as_printed`
    "hex4": Field(r"(?:0x)?[0-9a-f]{4}(?![0-9a-f])", _hex),
    "errno": Field(r"-?\d{1,4}+(?!\d)|0x[0-9a-f]{1,8}+|E[A-Z]{2,12}|(?:USB_ERR_)?[A-Z][A-Z_]{3,20}", _error),
    "word": Field(r"[\w.+-]++"),
    "name": Field(r"[\w./+:-]+[\w+]"),
    "text": Field(rf".{{0,{LONGEST_TEXT}}}?"),
    "rest": Field(rf".{{0,{LONGEST_TEXT}}}"),
    "cell": Field(r"\S(?:\S| (?! )){0,60}"),  # text that ends at two blanks or at the end
    "hostbyte": Field(r"DID_[A-Z_]{2,30}|0x[0-9a-f]{1,2}(?![0-9a-z])"),
    "bcd": Field(r"[0-9a-f]{1,2}\.[0-9a-f]{2}", _bcd),
    "bytes": Field(rf"{_PAIR}(?:[ ,:-]+{_PAIR})*+|(?:[0-9a-f]{{2}}){{3,32}}\b", _bytes),
    "cdb": Field(rf"{_PAIR}(?:[ ,]+{_PAIR}){{5,31}}+|(?:[0-9a-f]{{2}}){{6,32}}\b", _bytes),
    "float": Field(r"\d{1,15}(?:\.\d{1,9})?", float),
    "path": Field(r"\d{1,3}-\d{1,3}(?:\.\d{1,3}){0,6}+|usb\d{1,3}", _path),
    "scsi": Field(r"\d{1,4}:\d{1,3}:\d{1,5}:\d{1,5}"),
    "block": Field(r"(?:sd[a-z]{1,3}|sr\d{1,2}|da\d{1,3}|cd\d{1,2}|sd\d{1,2}|ub[a-z])(?![a-z])|mmcblk\d|nvme\dn\d"),
    "speed": Field(_SPEED, _speed),
    "port": Field(r"\d{1,3}+", int), "host": Field(r"\d{1,5}+", int), "address": Field(r"\d{1,3}+", int),
    "lun": Field(r"\d{1,5}+", int), "bus": Field(r"\d{1,3}+", int),
    "unit": Field(r"(?:umass|ugen|uhub|usbus|umass-sim)\d{1,3}(?:\.\d{1,3})?"),
    "onoff": Field(r"on|off|enabled|disabled|yes|no", lambda text: text.lower() in ("on", "enabled", "yes")),
    "key": Field(
        r"(?:0x)?[0-9a-f]{1,2}(?![0-9a-z])|(?:no sense|recovered error|not ready|medi(?:um|a) error|hardware error"
        r"|illegal request|unit attention|(?:data|write) protect|blank check|vendor (?:specific|unique)(?:\(9\))?"
        r"|copy aborted|aborted command|volume overflow|miscompare|completed|soft error)(?![a-z])"
    ),
}  # fmt: skip
"""Every type of gap."""
