"""What consoles print of traffic in words, recognised by a table of patterns that is kept as data.

The table is ``wordings/*.toml``; a user adds a file of their own. A pattern has a ``name``, ``means`` (one of
`MEANINGS`), one or more ``forms``, ``says`` in a line what becomes of it, an ``example`` that it reads and a ``near``
miss that it must not. ``of`` tells whose "fields" they are. ``setup`` is the control request that a pattern of means
"request" names: five numbers or names of gaps, for bmRequestType, bRequest, wValue, wIndex, wLength (USB 2.0 Table
9-2); ``data`` its answer, gaps each with a size in bytes.

A form is words and gaps: ``on EP {endpoint} with {length} bytes {result}``. Case does not matter, nor which blanks and
marks stand between the parts, nor whether any do. ``~...~`` is around what may be missing, ``(a|b)`` are choices, and
``...`` stands for a few other words. What a gap may hold is said by its name (`GAPS`), or behind a colon.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from sticktrace.capture.hex_status import KEYS_OF_AN_END, WORDS_OF_AN_END
from sticktrace.codes.usb_requests import PORT_FEATURES
from sticktrace.errors import CaptureError

TABLES = Path(__file__).with_name("wordings")
LONGEST_LINE = 240
"""Characters of a line that are compared; no statement about a transfer is longer."""

OF = ("cbw", "csw", "setup", "sense")
"""Whose fields a pattern of means "fields" reads."""

MEANINGS = {
    "request": "a control request, by its setup bytes or by its name",
    "submitted": "a transfer was handed to the host controller",
    "ended": "a transfer ended",
    "command": "a SCSI command, by its bytes or by its name",
    "fields": "fields of a CBW, a CSW, a setup packet or of sense data, by their names",
    "moved": "so many bytes were moved, by whatever transfer is due",
    "answer": "how the control request under way ended",
    "sense": "sense data by its bytes",
    "data": "the bytes below belong to the request or command at hand",
    "place": "whose turn it is",
}
"""What a pattern can mean."""

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
    """A compiled form: its text, the expression, what each gap becomes, and the words of which a line must hold one."""

    text: str
    regex: re.Pattern[str]
    gaps: dict[str, Gap]
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Wording:
    """One pattern of the table."""

    name: str
    means: str
    forms: tuple[Form, ...]
    says: str
    examples: tuple[str, ...]
    near: tuple[str, ...]
    of: str = ""
    setup: tuple[int | str, ...] = ()
    data: tuple[tuple[str, int], ...] = ()

    def read(self, line: str) -> Saying | None:
        """What the line says by this pattern, None if it says nothing."""
        for form in self.forms:
            found = form.regex.search(line)
            if found is None:
                continue
            values = {name: form.gaps[name].convert(text) for name, text in found.groupdict().items() if text}
            if None not in values.values():
                return Saying(self, values, line[found.end() :])
        return None


@dataclass(slots=True)
class Saying:
    """What a line says: the pattern that read it, the values in its gaps, and the text behind what was read."""

    wording: Wording
    values: dict[str, Any] = field(default_factory=dict)
    rest: str = ""

    @property
    def means(self) -> str:
        """One of `MEANINGS`."""
        return self.wording.means

    def get(self, name: str) -> Any:
        """The value in a gap, None if it was not printed."""
        return self.values.get(name)


_PARTS = re.compile(r"\{(\w+)(?::(\w+))?\}|~([^~]*)~|\(([^()]*)\)|(\.\.\.)|([0-9A-Za-z]+)")


def compile_form(text: str) -> Form:
    """A form made ready. Raises CaptureError with what is wrong with it."""
    gaps: dict[str, Gap] = {}
    expression = _expression(text, gaps)
    regex = re.compile(rf"(?<![0-9A-Za-z]){expression}", re.I)
    return Form(text, regex, gaps, _marks_of(text))


def _marks_of(text: str) -> tuple[str, ...]:
    """The words of which a line must hold one: the longest word that always stands there, or choices of such."""
    groups: list[tuple[str, ...]] = [(word.lower(),) for *_, word in _PARTS.findall(text) if len(word) > 1]
    groups += [tuple(_longest(c) for c in choices.split("|")) for *_, choices, _, _ in _PARTS.findall(text) if choices]
    if not groups or not any(all(len(word) > 1 for word in group) for group in groups):
        raise CaptureError(f"form {text!r}: it needs a word of two letters that always stands there")
    return max(groups, key=lambda group: (min(map(len, group)), -len(group)))


def _longest(words: str) -> str:
    return max(re.findall("[a-z]+", words.lower()), key=len, default="")


def _expression(text: str, gaps: dict[str, Gap]) -> str:
    whole = ""
    for name, kind, optional, choices, others, word in _PARTS.findall(text):
        marks = _MARKS if whole else ""
        if optional:
            whole += f"(?:{marks}{_expression(optional, gaps)})?"
        elif name:
            whole += f"{marks}(?P<{name}>{_gap(name, kind, gaps, text).regex})"
        elif choices:
            whole += marks + "(?:" + "|".join(_expression(choice, gaps) for choice in choices.split("|")) + ")"
        else:
            whole += marks + (_OTHER_WORDS if others else rf"{word}(?![a-z])" if word.isalpha() else word)
    return whole


def _gap(name: str, kind: str, gaps: dict[str, Gap], text: str) -> Gap:
    if kind and kind not in GAPS:
        raise CaptureError(f"form {text!r}: no kind of gap is called {kind!r}; there are {', '.join(GAPS)}")
    if name in gaps:
        raise CaptureError(f"form {text!r}: the gap {name!r} stands there twice")
    gaps[name] = GAPS.get(kind or name, GAPS["number"])
    return gaps[name]



FieldNames = dict[str, dict[str, str]]
"""Of each of `OF`: a name without case, blanks and marks -> the field that it stands for."""


class Table:
    """Patterns in order, the first one that reads a line has it; and the names of fields."""

    def __init__(self, wordings: list[Wording], names: FieldNames) -> None:
        self.wordings, self.names = wordings, names
        self._by_mark: dict[str, list[tuple[int, Wording]]] = {}
        for order, wording in enumerate(wordings):
            for mark in {mark for form in wording.forms for mark in form.marks}:
                self._by_mark.setdefault(mark, []).append((order, wording))
        self._marks = tuple(self._by_mark)

    def read(self, line: str) -> Saying | None:
        """What a line says, None if no pattern reads it."""
        line = line[:LONGEST_LINE]
        low = line.lower()
        rows = [row for mark in self._marks if mark in low for row in self._by_mark[mark]]
        if len(rows) > 1:
            rows.sort(key=lambda row: row[0])
        for _, wording in rows:
            saying = wording.read(line)
            if saying is not None:
                return saying
        return None

    def listing(self) -> Iterator[str]:
        """A line for each pattern: its name, what it means, what becomes of it."""
        for wording in self.wordings:
            yield f"{wording.name}  ({wording.means}: {MEANINGS[wording.means]})  {wording.says}"

    def explain(self, name: str) -> Iterator[str]:
        """A pattern in full: its forms, what the gaps may hold, its example with the values read, its near miss. Raises
        CaptureError for a name that is not there."""
        wording = next((w for w in self.wordings if w.name == name), None)
        if wording is None:
            raise CaptureError(f"no pattern is called {name!r}; there are {', '.join(w.name for w in self.wordings)}")
        yield f"{wording.name}: {wording.says}"
        yield f"  means     {wording.means}{' of ' + wording.of if wording.of else ''}, {MEANINGS[wording.means]}"
        for form in wording.forms:
            yield f"  form      {form.text}"
        for example in wording.examples:
            saying = wording.read(example)
            yield f"  example   {example}"
            yield f"  says      {_values(saying) if saying else 'nothing'}"
        for near in wording.near:
            yield f"  near miss {near}"

    def try_line(self, line: str) -> str:
        """What the table makes of a line, in words."""
        saying = self.read(line)
        if saying is None:
            return "no pattern reads this line"
        return f"{saying.wording.name} ({saying.means}): {_values(saying) or saying.wording.says}"


def _values(saying: Saying) -> str:
    shown = {k: v.hex(" ") if isinstance(v, bytes) else v for k, v in saying.values.items()}
    return ", ".join(f"{name} {value}" for name, value in shown.items())


_NEEDED = {"name", "means", "forms", "says", "example", "near"}


def read_table(text: str, origin: str) -> Table:
    """The table in a TOML text; each pattern is tried on its own example and near miss. Raises CaptureError naming the
    row that is wrong and why."""
    import tomllib

    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CaptureError(f"{origin}: not TOML: {error}") from error
    rows = found.get("pattern", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise CaptureError(f"{origin}: patterns are written [[pattern]]")
    wordings = [_row(row, f"{origin}: pattern {number}") for number, row in enumerate(rows, 1)]
    return Table(wordings, _names(found.get("names", {}), origin))


def _names(found: Any, origin: str) -> FieldNames:
    names: FieldNames = {}
    try:
        for kind, fields in found.items():
            if kind not in OF:
                raise CaptureError(f"{origin}: names of {kind!r}: there are {', '.join(OF)}")
            names[kind] = {squeezed(name): field for field, many in fields.items() for name in _many(many)}
    except (AttributeError, TypeError) as error:
        raise CaptureError(f"{origin}: names are written [names.cbw] with lines like tag = [...]") from error
    return names


def _joined(tables: list[Table]) -> Table:
    names: FieldNames = {kind: {} for kind in OF}
    for one in reversed(tables):
        for kind, fields in one.names.items():
            names[kind] |= fields
    return Table([wording for one in tables for wording in one.wordings], names)


def _row(row: dict[str, Any], where: str) -> Wording:
    where += f" {row.get('name', '')!r}"
    missing, strange = _NEEDED - row.keys(), row.keys() - _NEEDED - {"of", "setup", "data"}
    if missing or strange:
        raise CaptureError(f"{where}: {f'lacks {sorted(missing)}' if missing else f'has unknown {sorted(strange)}'}")
    if row["means"] not in MEANINGS or row.get("of", "cbw") not in OF:
        raise CaptureError(f"{where}: means is one of {', '.join(MEANINGS)}; of is one of {', '.join(OF)}")
    try:
        wording = Wording(
            row["name"], row["means"], tuple(map(compile_form, _many(row["forms"]))), row["says"],
            _many(row["example"]), _many(row["near"]), row.get("of", ""), tuple(row.get("setup", ())),
            tuple((str(gap), int(size)) for gap, size in row.get("data", ())),
        )  # fmt: skip
    except (re.error, ValueError, TypeError, AttributeError, CaptureError) as error:
        raise CaptureError(f"{where}: {error}") from error
    for example in wording.examples:
        if wording.read(example) is None:
            raise CaptureError(f"{where}: does not read its own example {example!r}")
    for near in wording.near:
        if wording.read(near) is not None:
            raise CaptureError(f"{where}: reads its near miss {near!r}")
    return wording


def _many(value: str | list[str]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)


@cache
def table() -> Table:
    """The table that comes with the program."""
    return _joined([read_table(path.read_text("utf-8"), path.name) for path in sorted(TABLES.glob("*.toml"))])


def with_own(path: str) -> Table:
    """A user's patterns in front of those that come with the program. Raises CaptureError."""
    try:
        text = Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise CaptureError(f"{path}: cannot be read as patterns: {error}") from error
    return _joined([read_table(text, path), table()])
