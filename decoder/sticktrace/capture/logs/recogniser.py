"""Lines in, statements out: heads taken off, glued lines parted, wrapped lines joined, the table of patterns asked."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from sticktrace.capture.logs import meaning
from sticktrace.capture.logs.fat_results import RESULTS
from sticktrace.capture.logs.patterns import Found, Table, about_of, table
from sticktrace.capture.logs.stamps import Clock, Head, take_off
from sticktrace.capture.logs.statement import NOBODY, Kind, Statement
from sticktrace.errors import CaptureError
from sticktrace.text import safe

LONGEST_LINE = 2000
Missed = Callable[[int, str], object]
"""Is told of a line in which nothing was understood: its number, and its text without what loggers put in front."""

_GLUED = re.compile(r"(?<=\S)\s*(?=\[\s*\d{1,8}\.\d{6}\]\s)|(?<=[^\s<>])(?=<[0-7]>\s?[a-zA-Z])")
_WRAPPED = 40
"""A line shorter than this was not broken for its length, unless what follows is bare bytes."""
_BYTES = re.compile(r"\s*[0-9a-fA-F]{2}(?:\s[0-9a-fA-F]{2})*\s*")
_PROMPT = re.compile(r"\S*[#$%>]\s|=>\s")
_MOST_JOINED = 4


@dataclass(slots=True)
class _Line:
    """A line that waits for what may belong to it."""

    head: Head
    width: int
    records: list[int]
    found: list[Found] = field(default_factory=list)


class Recogniser:
    """Give it every line with `line`, then call `finish`; both yield the statements that are complete.

    ``read`` counts the lines in which something was understood; ``missed`` is told of every other that is not blank,
    with its record number. ``clock`` keeps the time.
    """

    def __init__(self, patterns: Table | None = None, missed: Missed = lambda _record, _text: None) -> None:
        self.clock = Clock()
        self._missed = missed
        self.read = self._owned = 0
        self._table = patterns or table()
        self._waiting: _Line | None = None

    def line(self, text: str, record: int) -> Iterator[Statement]:
        """One line, with its number."""
        text = text[:LONGEST_LINE]
        parts = _GLUED.split(text) if text.count("[") > 1 or "<" in text[1:] else [text]
        for part in parts:
            yield from self._part(part, record)

    def finish(self) -> Iterator[Statement]:
        """No more lines."""
        if self._waiting is not None:
            yield from self._told(self._waiting)
            self._waiting = None

    def _part(self, text: str, record: int) -> Iterator[Statement]:
        head = take_off(text)
        line = _Line(head, len(text), [record], self._table.find(head.text))
        if self._waiting is not None:
            if self._joins(self._waiting, line):
                return
            yield from self._told(self._waiting)
        self._waiting = line if head.text.strip() else None

    def _joins(self, before: _Line, line: _Line) -> bool:
        """Whether a line goes on with the one before: a pattern reads across the break."""
        text = line.head.text.strip()
        if line.found or line.head.time_ns >= 0 or line.head.cut or len(before.records) >= _MOST_JOINED or not text:
            return False
        bare = _BYTES.fullmatch(text) is not None
        if (before.width < _WRAPPED and not bare) or _PROMPT.match(text):
            return False
        start = before.head.text.rstrip()
        for between in (" ", ""):
            found = self._table.find(start + between + text)
            if any(self._crosses(one, len(start), before, line, bare) for one in found):
                before.head.text, before.found, before.width = start + between + text, found, max(line.width, _WRAPPED)
                before.records += line.records
                return True
        return False

    @staticmethod
    def _crosses(one: Found, at: int, before: _Line, line: _Line, bare: bool) -> bool:
        """Whether a match needs what stands behind the break. One that only grows longer by it would swallow any line:
        that counts for bytes, and for free text where stamps show that this line has no head of its own."""
        match = one.match
        if not match.start() < at < match.end() - 1:
            return False
        if all(one.pattern is not old.pattern for old in before.found) and match.end() > at + 1:
            last = match.lastgroup or ""
            return one.form.types.get(last) not in ("rest", "text") or match.start(last) > at or before.head.headed
        return bare or (before.head.headed and not line.head.headed and before.width >= _WRAPPED and _open(one))

    def _told(self, line: _Line) -> Iterator[Statement]:
        """The statements of a line that is whole."""
        again = self.clock.take(line.head)
        timed = line.head.time_ns >= 0
        if again:
            why = {"why": "the clock starts again"}
            yield Statement(
                Kind.BEGINS, self.clock.now_ns, tuple(line.records), NOBODY, why, pattern="clock", timed=timed
            )
        owned = tuple(record for record in line.records if record > self._owned)
        if not line.found:
            self._missed(line.records[0], line.head.text)
        else:
            self.read += len(owned)
            self._owned = max(self._owned, line.records[-1])
        for number, one in enumerate(line.found):
            yield self._statement(one, line, timed, () if number else owned)

    def _statement(self, one: Found, line: _Line, timed: bool, owned: tuple[int, ...]) -> Statement:
        pattern = one.pattern
        try:
            values = dict(pattern.values) | one.form.read(one.match)
            about = about_of(values)
            meaning.settle(pattern.kind, values)
            fails = pattern.fails
            if pattern.kind == Kind.FILE_RESULT and values["code"] in RESULTS:
                fails = RESULTS[values["code"]].fails
        except (KeyError, ValueError, TypeError, AttributeError) as error:  # a pattern of the user's own
            line_read = safe(one.match[0])
            raise CaptureError(f"pattern {pattern.id!r} does not fit the line {line_read!r}: {error}") from error
        return Statement(
            pattern.kind, self.clock.now_ns, tuple(line.records), about, values, safe(one.match[0].strip()), pattern.id,
            pattern.reaches, fails, timed, pattern.end, owned, line.head.time_ns,
        )  # fmt: skip


def _open(one: Found) -> bool:
    """Whether a match ends in free text."""
    last = one.match.lastgroup or ""
    return one.form.types.get(last) in ("rest", "text") and one.match.end() == one.match.end(last)
