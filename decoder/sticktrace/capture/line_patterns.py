"""Patterns for lines of text, both tables as one: those that read bytes and fields of the traffic
(`sticktrace.capture.wording`) and those that read what a log says (`sticktrace.capture.logs.patterns`).

A user's file holds rows of either, told apart by their ``means`` or ``kind``; they are asked before those that come
with the program. Each of its rows must read its own example and leave its near miss alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from sticktrace.capture import wording, wording_rows
from sticktrace.capture.logs import patterns as logs
from sticktrace.capture.logs.recogniser import Recogniser
from sticktrace.capture.logs.stamps import take_off
from sticktrace.errors import CaptureError
from sticktrace.text import safe

_MOST = 1 << 20


class LinePatterns:
    """Both tables. ``own`` is a user's file, whose rows come first. Raises CaptureError that names a row that is
    wrong."""

    def __init__(self, own: str | Path = "") -> None:
        self._own = _read(Path(own)) if own else None

    @cached_property
    def words(self) -> wording.Table:
        """Patterns that read bytes and fields of the traffic."""
        table = wording_rows.table()
        return wording_rows.joined([self._own.words, table]) if self._own else table

    @cached_property
    def logs(self) -> logs.Table:
        """Patterns that read what a log says."""
        table = logs.table()
        return logs.Table([*self._own.logs, *table.patterns]) if self._own else table

    def listing(self) -> Iterator[str]:
        """A line for each pattern: its name, what it means, what becomes of it."""
        yield from self.words.listing()
        for row in self.logs.patterns:
            yield f"{row.id:34}  {row.kind:18}  {row.says}"

    def explain(self, name: str) -> Iterator[str]:
        """A pattern in full: its forms, its examples with the values read, its near misses. Raises CaptureError for a
        name that is not there."""
        row = next((row for row in self.logs.patterns if row.id == name), None)
        if row is None:
            yield from self.words.explain(name)
            return
        yield f"{row.id}: {row.says}"
        yield f"  kind      {row.kind}{f', shows {row.reaches}' * bool(row.reaches)}"
        for form in row.forms:
            yield f"  form      {form.text}"
        for example in row.examples:
            yield f"  example   {example}"
            yield f"  says      {'; '.join(_said(self.logs, example)) or 'nothing'}"
        for near in row.nears:
            yield f"  near miss {near}"
        yield f"  source    {row.source}"

    def try_line(self, line: str) -> Iterator[str]:
        """What each table makes of a line, in words."""
        if self.words.read(line) is not None:
            yield safe(self.words.try_line(line))
        yield from map(safe, _said(self.logs, line))


STANDARD = LinePatterns()
"""The patterns that come with the program."""


@dataclass(frozen=True, slots=True)
class _Own:
    logs: list[logs.Pattern]
    words: wording.Table


def _said(table: logs.Table, line: str) -> list[str]:
    said = []
    for found in table.find(take_off(line).text):
        values = ", ".join(f"{name} {value}" for name, value in found.form.read(found.match).items())
        said.append(f"{found.pattern.id} ({found.pattern.kind}): {values or found.pattern.says}")
    return said


def _read(path: Path) -> _Own:
    import tomllib

    name = safe(str(path))
    try:
        with path.open("rb") as handle:
            text = handle.read(_MOST + 1)
        if len(text) > _MOST:
            raise CaptureError(f"{name}: patterns of more than {_MOST >> 20} MiB are not read")
        found = tomllib.loads(text.decode("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CaptureError(f"{name}: cannot be read as patterns: {error}") from error
    strange = found.keys() - {"pattern", "names"}
    rows = found.get("pattern", [])
    if strange or not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise CaptureError(f"{name}: patterns are written [[pattern]], names of fields [names.cbw]")
    wordings, own = [], []
    for number, row in enumerate(rows, 1):
        if "means" in row:
            wordings.append(wording_rows.wording_of(row, f"{name}: pattern {number}"))
        elif "kind" in row:
            own.append(_checked(row, f"{name}: pattern {number}"))
        else:
            wanted = "`means` (bytes or fields of the traffic) or `kind` (what a log says)"
            raise CaptureError(f"{name}: pattern {number}: it needs {wanted}")
    return _Own(own, wording.Table(wordings, wording_rows.field_names(found.get("names", {}), name)))


def _checked(row: dict[str, Any], where: str) -> logs.Pattern:
    """A pattern of a log that reads its examples and not its near misses."""
    try:
        pattern = logs.pattern_of(row, where)
        alone = logs.Table([pattern])
        for example in pattern.examples:
            reader = Recogniser(alone)
            if not [*reader.line(example, 1), *reader.finish()]:
                raise CaptureError(f"{where}: does not read its own example {example!r}")
        for near in pattern.nears:
            if alone.find(take_off(near).text):
                raise CaptureError(f"{where}: reads its near miss {near!r}")
    except (TypeError, AttributeError, ValueError) as error:
        raise CaptureError(f"{where}: {error}") from error
    known = {stage for one in logs.table().patterns for stage in (one.reaches, one.fails)}
    if not {pattern.reaches, pattern.fails} <= known or pattern.end not in ("host", "device"):
        stages = ", ".join(sorted(known - {""}))
        raise CaptureError(f"{where}: reaches and fails are one of {stages}; end is host or device")
    return pattern
