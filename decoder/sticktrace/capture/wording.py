"""What consoles print of traffic in words, recognised by a table of patterns that is kept as data.

The table is ``wordings/*.toml`` (read by `sticktrace.capture.wording_rows`); a user adds a file of their own. A pattern
has a ``name``, ``means`` (one of `MEANINGS`), one or more ``forms`` (`sticktrace.capture.wording_forms`), ``says`` in a
line what becomes of it, an ``example`` that it reads and a ``near`` miss that it must not. ``of`` tells whose "fields"
they are. ``setup`` is the control request that a pattern of means "request" names: five numbers or names of gaps, for
bmRequestType, bRequest, wValue, wIndex, wLength (USB 2.0 Table 9-2); ``data`` its answer, gaps each with a size in
bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sticktrace.capture.wording_forms import Form
from sticktrace.errors import CaptureError

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
            values = form.read(found)
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
            yield f"{wording.name:34}  {wording.means:18}  {wording.says}"

    def explain(self, name: str) -> Iterator[str]:
        """A pattern in full: its forms, what the gaps may hold, its example with the values read, its near miss. Raises
        CaptureError for a name that is not there."""
        wording = next((w for w in self.wordings if w.name == name), None)
        if wording is None:
            raise CaptureError(f"no pattern is called {name!r}; `sticktrace patterns` lists them")
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
