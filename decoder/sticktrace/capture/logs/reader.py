"""The capture form "log": text of kernels, boot loaders, firmware and boards, read line by line into statements."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.logs.failures import Failures
from sticktrace.capture.logs.recogniser import LONGEST_LINE, Recogniser
from sticktrace.capture.logs.statement import Kind, Statement
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.text_lines import TextLines
from sticktrace.capture.transfer import Transfer

OTHER_LINES = "lines of other programs"
_WEAK = frozenset((Kind.NEWS, Kind.BEGINS))
_SAMPLE = 512 << 10


def strength(sample: bytes) -> int:
    """How many statements of weight the beginning of a text holds."""
    reader = LogReader(sample[:_SAMPLE])
    return sum(item.kind not in _WEAK for item in (*reader.statements(), *reader.rest()))


class LogReader(Reader):
    """Reads a log. A record is a line; lines in which nothing was understood are counted in ``skipped``.

    ``understood`` counts the lines that a statement came from; ``untold`` is whether no line had a time.
    """

    form = "log"

    def __init__(self, data: Any) -> None:
        super().__init__(data)
        self.origin_ns = 0
        self.damage: list[Damage] = DamageLog()
        self._lines = TextLines(LONGEST_LINE)
        self._recogniser = Recogniser()
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

    def transfers(self) -> Iterator[Transfer]:
        """A log shows none."""
        for _ in self.statements():
            pass
        yield from ()

    def finish(self) -> Iterator[Transfer]:
        for _ in self.rest():
            pass
        yield from ()

    def statements(self) -> Iterator[Statement]:
        """What the lines so far say, in order."""
        for text in self._lines.whole(self.data):
            yield from self._line(text)

    def rest(self) -> Iterator[Statement]:
        """What the last lines say: no more will come."""
        for text in self._lines.rest(self.data):
            yield from self._line(text)
        for item in self._recogniser.finish():
            yield from self._failures.take(item)
        yield from self._failures.finish()
        self._count()

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
