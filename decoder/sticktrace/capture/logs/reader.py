"""The capture form "log": text of kernels, boot loaders, firmware and boards, read line by line into statements."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import Any

from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.logs.failures import Failures
from sticktrace.capture.logs.patterns import Table
from sticktrace.capture.logs.recogniser import LONGEST_LINE, Recogniser
from sticktrace.capture.logs.statement import Kind, Statement
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.text_lines import TextLines, legible
from sticktrace.capture.transfer import Transfer

OTHER_LINES = "lines of other programs"
_WEAK = frozenset((Kind.NEWS, Kind.BEGINS))
_SAMPLE = 256 << 10


def strength(sample: bytes, patterns: Table | None = None) -> int:
    """How surely the beginning of a text is a log: 2 for the words of a kernel, 1 for words that boards use, 0 for
    none. Control characters and bytes that are no text make it none."""
    sample = legible(sample[:_SAMPLE])
    reader, found = LogReader(sample, patterns), 0
    for item in chain(reader.statements(), reader.rest()):
        if item.kind not in _WEAK:
            found = 1
            if not item.pattern.startswith("board."):
                return 2
    return found


class LogReader(Reader):
    """Reads a log. A record is a line; lines in which nothing was understood are counted in ``skipped``.

    ``understood`` counts the lines that a statement came from; ``untold`` is whether no line had a time.
    """

    form = "log"
    speaks = is_text = True

    def __init__(self, data: Any, patterns: Table | None = None) -> None:
        super().__init__(data)
        self.origin_ns = 0
        log = DamageLog()
        self.damage: list[Damage] = log
        self._lines = TextLines(LONGEST_LINE, log)
        self._recogniser = Recogniser(patterns, self.unread.see)
        self._failures = Failures()
        self._told = 0

    @property
    def position(self) -> int:
        return self._lines.position

    @property
    def understood(self) -> int:
        """Lines in which something was understood."""
        return self._recogniser.read

    @property
    def assumed(self) -> list[str]:
        clock, found = self._recogniser.clock, []
        if self.records and not clock.timed:
            found.append("no times are printed: all times are 0")
        if clock.restarts:
            found.append("the printed clock starts again: later times are counted on from the last one")
        return found

    def transfers(self) -> Iterator[Transfer | Statement]:
        return self.statements()

    def settle(self) -> Iterator[Statement]:
        for item in self._recogniser.finish():
            yield from self._failures.take(item)
        yield from self._failures.finish()
        self._count()

    def finish(self) -> Iterator[Transfer | Statement]:
        return self.rest()

    def sayings(self) -> Iterator[Statement]:
        """Everything that is said, line by line, nothing put together."""
        for source in (self._lines.whole(self.data), self._lines.rest(self.data)):
            for text in source:
                self.records += 1
                yield from self._recogniser.line(text, self.records)
        yield from self._recogniser.finish()

    def statements(self) -> Iterator[Statement]:
        """What the lines so far say, in order."""
        for text in self._lines.whole(self.data):
            yield from self._line(text)

    def rest(self) -> Iterator[Statement]:
        """What the last lines say: no more will come."""
        for text in self._lines.rest(self.data):
            yield from self._line(text)
        yield from self.settle()

    def _line(self, text: str) -> Iterator[Statement]:
        self.records += 1
        before = self._recogniser.read
        for item in self._recogniser.line(text, self.records):
            yield from self._failures.take(item)
        if self._recogniser.read == before:
            yield from self._failures.pause(1)
        self._count()

    def _count(self) -> None:
        self.last_ns = self._recogniser.clock.now_ns
        self.skipped[OTHER_LINES] = self.records - self._recogniser.read
