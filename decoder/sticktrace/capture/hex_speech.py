"""What the other lines of a console say: the words between the bytes, read as a log is.

One text may show bytes and tell in words what they led to: that a device was attached, that a volume was mounted, what
the kernel made of a failed command. `sticktrace.capture.logs` reads the words; here its statements get their place and
time among the transfers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from sticktrace.capture.line_patterns import LinePatterns
from sticktrace.capture.logs import Kind, Statement
from sticktrace.capture.logs.failures import Failures
from sticktrace.capture.logs.recogniser import Missed, Recogniser

_MOST_WAITING = 8
"""Records back that a line may still wait to be read."""

TURNS = frozenset((Kind.PLUGGED, Kind.UNPLUGGED, Kind.RESET, Kind.BEGINS))
"""Statements behind which nothing is what it was: what is still open belongs in front of them."""

_OF_UNITS = re.compile(r"\b(?:sd|sr|scsi) \d{1,3}:\d|\[s[dr][a-z0-9]{1,3}\]|\((?:da|umass-sim)\d|\busb \d{1,3}-\d")


def speaks_of_units(text: str) -> bool:
    """Whether a line is a kernel's about a unit or a port that it names. Bytes on such a line are no transfer."""
    return _OF_UNITS.search(text) is not None


class Speech:
    """Give it each line that holds no bytes. ``lines`` counts those that it was given, ``understood`` those in which
    something was understood; ``missed`` is told of the others, by line number."""

    def __init__(self, missed: Missed, patterns: LinePatterns) -> None:
        self._recogniser = Recogniser(patterns.logs, lambda record, text: missed(self._numbers.get(record, 0), text))
        self._numbers: dict[int, int] = {}
        self._failures = Failures()
        self._waits = False
        self._now_ns = 0
        self.lines = 0

    @property
    def understood(self) -> int:
        """Lines that a statement came from."""
        return self._recogniser.read

    def line(self, text: str, record: int, number: int, time_ns: int) -> Iterator[Statement]:
        """A line with its record number, its line number and time. A statement may have to wait for the line after."""
        before = self._recogniser.read
        self.lines += 1
        self._numbers[record] = number
        if len(self._numbers) > _MOST_WAITING:
            del self._numbers[next(iter(self._numbers))]
        for item in self._recogniser.line(text, record):
            yield from self._told(item)
        self._now_ns, self._waits = time_ns, True
        if self._recogniser.read == before:
            yield from self._failures.pause(1)

    def flush(self) -> Iterator[Statement]:
        """A line of another kind follows: nothing more belongs to the last one."""
        if self._waits:
            self._waits = False
            for item in self._recogniser.finish():
                yield from self._told(item)

    def finish(self) -> Iterator[Statement]:
        """No more lines."""
        yield from self.flush()
        yield from self._failures.finish()

    def _told(self, item: Statement) -> Iterator[Statement]:
        item.time_ns = self._now_ns
        yield from self._failures.take(item)
