"""The table of patterns, kept as data in ``tables/*.toml``: each says what a line looks like and what it states.

A pattern has an ``id``, the ``kind`` of its statement, one or more ``forms``, ``says`` (what it states, in a line), an
``example`` and a ``near`` miss (one or a list each), the ``source`` of its wording, and where they apply ``values``
(fixed values), ``reaches`` or ``fails`` (the stage of bring-up that it shows), ``end = "device"`` where the device's
side speaks.

A form is the line itself with gaps: ``{name}`` or ``{name:type}`` (`sticktrace.capture.logs.fields`), a blank for any
run of blanks, ``~...~`` around what may be missing. It may stand anywhere in a line; case does not matter. A form
that begins with ``re:`` is a regular expression with named groups. A line is only compared with the patterns that share
a whole word with it; ``words`` names that word where the form has none of its own.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, fields
from functools import cache, cached_property
from pathlib import Path
from typing import Any, NamedTuple

from sticktrace.capture.logs.fields import COUNTS, FIELDS
from sticktrace.capture.logs.statement import About, Kind
from sticktrace.errors import CaptureError

TABLES = Path(__file__).with_name("tables")
WORD = re.compile(r"[a-z_]{3,}")
_GAP = re.compile(r"\{(\w+)(?::(\w+))?\}")
_ABOUT = frozenset(f.name for f in fields(About))
_KEYS = {"id", "kind", "forms", "says", "example", "near", "source", "values", "reaches", "fails", "end", "words"}


@dataclass
class Form:
    """A form: its regular expression (compiled when first asked for), the type of each gap, and the words that a line
    must share with it."""

    text: str
    expression: str
    types: dict[str, str]
    words: tuple[str, ...]
    needed: frozenset[str] = frozenset()
    any_word: bool = False

    @cached_property
    def regex(self) -> re.Pattern[str]:
        """What reads the line."""
        return re.compile(self.expression, re.I)

    def read(self, found: re.Match[str]) -> dict[str, Any]:
        """The values in the gaps, typed."""
        values: dict[str, Any] = {}
        for name, text in found.groupdict().items():
            if text is not None:
                if name in self.types:
                    values[name] = FIELDS[self.types[name]].convert(text)
                else:
                    values[name] = int(text) if name in COUNTS and text.isdigit() else text.strip()
        return values


@dataclass(frozen=True, slots=True)
class Pattern:
    """One row of the table."""

    id: str
    kind: Kind
    forms: tuple[Form, ...]
    says: str
    examples: tuple[str, ...]
    nears: tuple[str, ...]
    source: str
    values: dict[str, Any] = field(default_factory=dict)
    reaches: str = ""
    fails: str = ""
    end: str = "host"


class Found(NamedTuple):
    """A form that reads part of a line."""

    match: re.Match[str]
    pattern: Pattern
    form: Form


class Table:
    """Patterns in order, found by the words that a line holds."""

    def __init__(self, patterns: list[Pattern]) -> None:
        self.patterns = patterns
        often = Counter(word for p in patterns for form in p.forms for word in set(form.words))
        self._by_word: dict[str, list[tuple[int, Pattern, Form]]] = {}
        for order, (pattern, form) in enumerate((p, form) for p in patterns for form in p.forms):
            rare = form.words if form.any_word else [min(form.words, key=lambda w: (often[w], -len(w)))]
            for word in rare:
                self._by_word.setdefault(word, []).append((order, pattern, form))
        self._words = frozenset(self._by_word)

    def find(self, line: str) -> list[Found]:
        """What the line says: matches that do not overlap, in the order of the line. Of two that do, the one that
        begins earlier counts, then the earlier row of the table."""
        rows = self._rows(line)
        if not rows:
            return []
        matches = [
            Found(match, pattern, form) for _, pattern, form in rows if (match := form.regex.search(line)) is not None
        ]
        found: list[Found] = []
        for one in sorted(matches, key=lambda one: one.match.start()) if len(matches) > 1 else matches:
            if not found or one.match.start() >= found[-1].match.end():
                found.append(one)
        return found

    def _rows(self, line: str) -> list[tuple[int, Pattern, Form]]:
        words = set(WORD.findall(line.lower()))
        rows: dict[int, tuple[int, Pattern, Form]] = {}
        for word in self._words & words:
            for row in self._by_word[word]:
                if row[2].needed <= words:
                    rows[row[0]] = row
        return [rows[order] for order in sorted(rows)] if len(rows) > 1 else list(rows.values())


def compile_form(text: str, words: tuple[str, ...] = ()) -> Form:
    """A form, ready to use. Raises CaptureError with what is wrong with it."""
    if text.startswith("re:"):
        if not words:
            raise CaptureError(f"pattern form {text!r}: a regular expression needs `words`")
        named = {name: name for name in re.findall(r"\(\?P<(\w+)>", text) if name in FIELDS}
        return Form(text, text[3:].strip(), named, words, any_word=True)
    types: dict[str, str] = {}
    parts: list[str] = []
    for number, piece in enumerate(text.split("~")):
        optional = number % 2 == 1
        expression = _expression(piece, types)
        parts.append(f"(?:{expression})?" if optional else expression)
    own = _whole_words(text)
    if not (words or own):
        raise CaptureError(f"pattern form {text!r}: it has no word of three letters; name one with `words`")
    return Form(text, _edges(text, "".join(parts)), types, words or tuple(own), frozenset(own), bool(words))


def _expression(piece: str, types: dict[str, str]) -> str:
    out: list[str] = []
    at = 0
    for gap in _GAP.finditer(piece):
        out.append(_literal(piece[at : gap.start()]))
        name, kind = gap[1], gap[2] or gap[1]
        if kind not in FIELDS:
            raise CaptureError(f"pattern form {piece!r}: no type {kind!r}; there are {', '.join(FIELDS)}")
        types[name] = kind
        out.append(f"(?P<{name}>{FIELDS[kind].regex})")
        at = gap.end()
    return "".join([*out, _literal(piece[at:])])


def _literal(text: str) -> str:
    return r"\s+".join(re.escape(part) for part in re.split(r"\s+", text))


def _edges(text: str, expression: str) -> str:
    """A form begins and ends at the edge of a word."""
    before = r"(?<![\w])" if text[0].isalnum() or text[0] == "{" else ""
    return before + expression + (r"(?!\w)" if text[-1].isalnum() else "")


def _whole_words(text: str) -> list[str]:
    """Words of a form that a line holds as they are: those that no gap and nothing optional touches."""
    marked = _GAP.sub("\0", re.sub(r"~[^~]*~", "\0", text)).lower()
    return [w[0] for w in WORD.finditer(marked) if "\0" not in marked[max(0, w.start() - 1) : w.end() + 1]]


def read_table(text: str, name: str) -> list[Pattern]:
    """The patterns of a TOML text. Raises CaptureError naming the row that is wrong."""
    import tomllib

    try:
        rows = tomllib.loads(text).get("pattern", [])
    except tomllib.TOMLDecodeError as error:
        raise CaptureError(f"{name}: {error}") from error
    return [pattern_of(row, name) for row in rows]


def pattern_of(row: dict[str, Any], name: str) -> Pattern:
    """The pattern in a row. Raises CaptureError with what is wrong with it."""
    where = f"{name}: pattern {row.get('id', '?')!r}"
    strange = set(row) - _KEYS
    missing = {"id", "kind", "forms", "says", "example", "near", "source"} - set(row)
    if strange or missing:
        raise CaptureError(f"{where}: " + (f"unknown {sorted(strange)}" if strange else f"lacks {sorted(missing)}"))
    try:
        words = tuple(word.lower() for word in _many(row.get("words", [])))
        forms = tuple(compile_form(form, words) for form in _many(row["forms"]))
        return Pattern(
            row["id"], Kind(row["kind"]), forms, row["says"], _many(row["example"]), _many(row["near"]), row["source"],
            dict(row.get("values", {})), row.get("reaches", ""), row.get("fails", ""), row.get("end", "host"),
        )  # fmt: skip
    except (ValueError, re.error, CaptureError) as error:
        raise CaptureError(f"{where}: {error}") from error


def _many(value: str | list[str]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)


def about_of(values: dict[str, Any]) -> About:
    """Takes out of the values those that tell whom a line is about."""
    return About(**{name: values.pop(name) for name in _ABOUT & values.keys()})


@cache
def table() -> Table:
    """The table that comes with the program."""
    patterns: list[Pattern] = []
    for path in sorted(TABLES.glob("*.toml")):
        patterns += read_table(path.read_text("utf-8"), path.name)
    return Table(patterns)
