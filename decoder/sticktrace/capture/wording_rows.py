"""The rows of the table of wordings, read from TOML: each is tried on its own example and near miss."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

from sticktrace.capture.wording import MEANINGS, OF, FieldNames, Table, Wording
from sticktrace.capture.wording_forms import compile_form, squeezed
from sticktrace.errors import CaptureError

TABLES = Path(__file__).with_name("wordings")

_KEYS = {"name", "means", "forms", "says", "example", "near"}
_MAY = {"of", "setup", "data"}
_BYTES = ("setup", "block", "row", "bytes")
_NUMBERS = ("number", "hex", "endpoint", "feature")
_HOLDS = {"setup": ("setup",), "cdb": _BYTES, "bytes": _BYTES, "result": ("result",), "command": ("command",)}
"""Kinds that gaps of these names must have; any other gap that is made use of holds a number."""

_NEEDED = {
    "ended": ("endpoint",), "submitted": ("endpoint",), "moved": ("moved", "asked"), "answer": ("brought",),
    "sense": ("bytes",),
}  # fmt: skip
"""Gaps that every form of a pattern has which means this."""


@cache
def table() -> Table:
    """The table that comes with the program."""
    return joined([read_table(path.read_text("utf-8"), path.name) for path in sorted(TABLES.glob("*.toml"))])


def joined(tables: list[Table]) -> Table:
    """One table of several: of patterns and names that say different things, those of an earlier one count."""
    known: FieldNames = {kind: {} for kind in OF}
    for one in reversed(tables):
        for kind, fields in one.names.items():
            known[kind] |= fields
    return Table([wording for one in tables for wording in one.wordings], known)


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
    wordings = [wording_of(row, f"{origin}: pattern {number}") for number, row in enumerate(rows, 1)]
    return Table(wordings, field_names(found.get("names", {}), origin))


def field_names(found: Any, origin: str) -> FieldNames:
    """The names of fields in a table. Raises CaptureError."""
    known: FieldNames = {}
    try:
        for kind, fields in found.items():
            if kind not in OF:
                raise CaptureError(f"{origin}: names of {kind!r}: there are {', '.join(OF)}")
            known[kind] = {squeezed(name): field for field, many in fields.items() for name in _many(many)}
    except (AttributeError, TypeError) as error:
        raise CaptureError(f"{origin}: names are written [names.cbw] with lines like tag = [...]") from error
    return known


def wording_of(row: dict[str, Any], where: str) -> Wording:
    """The pattern in a row. Raises CaptureError with what is wrong with it."""
    where += f" {row.get('name', '')!r}"
    missing, strange = _KEYS - row.keys(), row.keys() - _KEYS - _MAY
    if missing or strange:
        raise CaptureError(f"{where}: {f'lacks {sorted(missing)}' if missing else f'has unknown {sorted(strange)}'}")
    try:
        wording = Wording(
            row["name"], row["means"], tuple(map(compile_form, _many(row["forms"]))), row["says"],
            _many(row["example"]), _many(row["near"]), row.get("of", ""), tuple(row.get("setup", ())),
            tuple((str(gap), int(size)) for gap, size in row.get("data", ())),
        )  # fmt: skip
        wrong = _wrong(wording)
    except (re.error, ValueError, TypeError, AttributeError, CaptureError) as error:
        raise CaptureError(f"{where}: {error}") from error
    if wrong:
        raise CaptureError(f"{where}: {wrong}")
    return wording


def _wrong(wording: Wording) -> str:
    """What is wrong with a pattern, "" for nothing."""
    means = wording.means
    if means not in MEANINGS or (wording.of or "cbw") not in OF or (means == "fields") is not bool(wording.of):
        return f"means is one of {', '.join(MEANINGS)}; of is one of {', '.join(OF)}, and stands beside fields only"
    if not all(isinstance(text, str) for text in (wording.name, wording.says)):
        return "name and says are texts"
    asked = {part for part in wording.setup if isinstance(part, str)} | {gap for gap, _ in wording.data}
    if wording.setup and (means != "request" or len(wording.setup) != 5):
        return "setup has five parts, and stands beside request only"
    if not all(0 < size <= 8 for _, size in wording.data):
        return "data has 1 to 8 bytes for each gap"
    for form in wording.forms:
        needed = {*asked, *_NEEDED.get(means, ()), *(("setup",) if means == "request" and not wording.setup else ())}
        if lacks := needed - form.kinds.keys():
            return f"form {form.text!r} lacks the gap {sorted(lacks)[0]!r}"
        for gap, kind in form.kinds.items():
            held = _HOLDS.get(gap, _NUMBERS)
            if kind not in held and (kind != "word" or gap in _HOLDS):
                return f"form {form.text!r}: {gap!r} holds {' or '.join(held)}, not {kind}"
            if kind == "word" and gap in asked | needed:
                return f"form {form.text!r}: {gap!r} holds a number, not a word"
    return _untrue(wording)


def _untrue(wording: Wording) -> str:
    if not wording.examples or not wording.near:
        return "example and near are one text or more"
    for example in wording.examples:
        if wording.read(example) is None:
            return f"does not read its own example {example!r}"
    for near in wording.near:
        if wording.read(near) is not None:
            return f"reads its near miss {near!r}"
    return ""


def _many(value: str | list[str]) -> tuple[str, ...]:
    many = (value,) if isinstance(value, str) else tuple(value)
    if not all(isinstance(one, str) for one in many):
        raise TypeError("forms, example, near and names are texts or lists of texts")
    return many
