"""Forms: how a pattern says what a line looks like, as words and gaps, made into an expression that finds it.

``on EP {endpoint} with {length} bytes {result}``: case does not matter, nor which blanks and marks stand between the
parts, nor whether any do. ``~...~`` is around what may be missing, ``(a|b)`` are choices, and ``...`` stands for a few
other words. What a gap may hold is said by its name (`GAPS`), or behind a colon.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

from sticktrace.capture.hex_status import KEYS_OF_AN_END, WORDS_OF_AN_END
from sticktrace.codes.usb_requests import PORT_FEATURES
from sticktrace.errors import CaptureError

_MARKS = r"[^0-9A-Za-z]{0,16}?"
_OTHER_WORDS = r"[^\n]{0,40}?"
_BYTE = r"(?:0x)?[0-9a-f]{2}h?(?![0-9a-z])"
_NUMBER = r"-?(?:0x[0-9a-f]{1,16}|[0-9a-f]{1,16}h(?![0-9a-z])|\d{1,19})(?![0-9a-f])"


def _bytes(text: str) -> bytes:
    return bytes(int(pair.strip("hH"), 16) for pair in re.findall(r"(?:0x)?([0-9a-f]{2}h?)", text, re.I))


def number(text: str) -> int:
    """A number as programs print it: 12, -5, 0x0c, 0Ch."""
    sign, text = (-1, text[1:]) if text.startswith("-") else (1, text)
    low = text.lower()
    return sign * (int(low.strip("h"), 16) if low.startswith("0x") or low.endswith("h") else int(low))


def _hex(text: str) -> int:
    return int(text.lower().removeprefix("0x").rstrip("h"), 16)


def squeezed(name: str) -> str:
    """A name without case, blanks and marks: how names are compared."""
    return re.sub(r"[^0-9a-z]", "", name.lower())


_FEATURES = {squeezed(name): code for code, name in PORT_FEATURES.items()}

_SHORT_NAMES = {
    "read": 0x28, "write": 0x2A, "readcapacity": 0x25, "modesense": 0x1A, "modeselect": 0x15, "verify": 0x2F,
    "startstop": 0x1B, "synchronizecache": 0x35, "synccache": 0x35, "allowmediumremoval": 0x1E, "preventallow": 0x1E,
    "testunit": 0x00, "seek": 0x2B, "readformatcapacity": 0x23, "servicein": 0x9E, "serviceactionin": 0x9E,
}  # fmt: skip
"""Short names of commands in common use, and the opcode that is meant by them."""


@cache
def _opcodes() -> dict[str, int]:
    from sticktrace.grammar.vocabulary import COMMANDS

    return {squeezed(command.name): command.opcode for command in reversed(COMMANDS)} | _SHORT_NAMES


def opcode_named(text: str) -> int | None:
    """The opcode of the command whose name these words begin with, None if no command is called so."""
    words = re.findall(r"[A-Za-z]+|\d+", text)
    for count in range(len(words), 0, -1):
        opcode = _opcodes().get(squeezed("".join(words[:count])))
        if opcode is not None:
            return opcode
    return None


class Gap(NamedTuple):
    """What may stand in a gap, as a regular expression, and what it becomes."""

    regex: str
    convert: Callable[[str], Any]


GAPS = {
    "number": Gap(_NUMBER, number),
    "hex": Gap(r"(?:0x)?[0-9a-f]{1,16}h?(?![0-9a-z])", _hex),
    "endpoint": Gap(r"(?:0x)?[0-9a-f]{1,2}h?(?![0-9a-f])", _hex),
    "result": Gap(
        rf"(?:{KEYS_OF_AN_END})[\s:=]{{0,3}}(?:{WORDS_OF_AN_END}|-?(?:0x[0-9a-f]{{1,8}}|\d{{1,10}}))(?![0-9A-Za-z])"
        rf"|(?:{WORDS_OF_AN_END})(?![A-Za-z])", str.strip,
    ),
    "setup": Gap(rf"{_BYTE}(?:[ ,:-]{{1,3}}{_BYTE}){{7}}(?![ ,:-]{{1,3}}{_BYTE})", _bytes),
    "block": Gap(rf"{_BYTE}(?:[ ,:-]{{1,3}}{_BYTE}){{5,15}}+(?![ ,:-]{{1,3}}{_BYTE})", _bytes),
    "row": Gap(rf"{_BYTE}(?:[ ,:-]{{1,3}}{_BYTE}){{7,}}+", _bytes),
    "bytes": Gap(rf"{_BYTE}(?:[ ,:-]{{1,3}}{_BYTE})*+", _bytes),
    "feature": Gap(r"[A-Za-z][A-Za-z0-9_ ]{2,30}", lambda text: _FEATURES.get(squeezed(text))),
    "command": Gap(r"[A-Za-z][A-Za-z_ -]{1,40}(?:[ _(]{0,2}\d{1,2}\)?(?![0-9A-Za-z]))?", opcode_named),
    "word": Gap(r"[A-Za-z]\w{0,30}", str),
}  # fmt: skip
"""Kinds of gaps. A gap whose name is none of these holds a number."""


class Form(NamedTuple):
    """A compiled form: its text, the expression, the kind of each gap, and the words of which a line must hold one."""

    text: str
    regex: re.Pattern[str]
    kinds: dict[str, str]
    marks: tuple[str, ...]

    def read(self, found: re.Match[str]) -> dict[str, Any]:
        """What stands in the gaps; None where it cannot be what it should."""
        return {name: GAPS[self.kinds[name]].convert(text) for name, text in found.groupdict().items() if text}


_PARTS = re.compile(r"\{(\w+)(?::(\w+))?\}|~([^~]*)~|\(([^()]*)\)|(\.\.\.)|([0-9A-Za-z]+)")


def compile_form(text: str) -> Form:
    """A form made ready. Raises CaptureError with what is wrong with it."""
    kinds: dict[str, str] = {}
    expression = _expression(text, kinds)
    regex = re.compile(rf"(?<![0-9A-Za-z]){expression}", re.I)
    return Form(text, regex, kinds, _marks_of(text))


def _marks_of(text: str) -> tuple[str, ...]:
    """The words of which a line must hold one: the longest word that always stands there, or choices of such."""
    groups: list[tuple[str, ...]] = [(word.lower(),) for *_, word in _PARTS.findall(text) if len(word) > 1]
    groups += [tuple(_longest(c) for c in choices.split("|")) for *_, choices, _, _ in _PARTS.findall(text) if choices]
    if not groups or not any(all(len(word) > 1 for word in group) for group in groups):
        raise CaptureError(f"form {text!r}: it needs a word of two letters that always stands there")
    return max(groups, key=lambda group: (min(map(len, group)), -len(group)))


def _longest(words: str) -> str:
    return max(re.findall("[a-z]+", words.lower()), key=len, default="")


def _expression(text: str, kinds: dict[str, str]) -> str:
    whole = ""
    for name, kind, optional, choices, others, word in _PARTS.findall(text):
        marks = _MARKS if whole else ""
        if optional:
            whole += f"(?:{marks}{_expression(optional, kinds)})?"
        elif name:
            whole += f"{marks}(?P<{name}>{_gap(name, kind, kinds, text).regex})"
        elif choices:
            whole += marks + "(?:" + "|".join(_expression(choice, kinds) for choice in choices.split("|")) + ")"
        else:
            whole += marks + (_OTHER_WORDS if others else rf"{word}(?![a-z])" if word.isalpha() else word)
    return whole


def _gap(name: str, kind: str, kinds: dict[str, str], text: str) -> Gap:
    if kind and kind not in GAPS:
        raise CaptureError(f"form {text!r}: no kind of gap is called {kind!r}; there are {', '.join(GAPS)}")
    if name in kinds:
        raise CaptureError(f"form {text!r}: the gap {name!r} stands there twice")
    kinds[name] = kind or (name if name in GAPS else "number")
    return GAPS[kinds[name]]
