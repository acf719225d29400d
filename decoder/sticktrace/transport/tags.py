"""Commands that the recording lacks, told by the tags of those that it has.

A tag identifies nothing but the command now open (BOT 1.0 5.1), and hosts choose tags as they like. Many count them up
by one. Where that was seen to hold, a jump tells how many commands stand between two that were recorded, unless another
lane used the tags in between: some hosts have one counter for all devices.
"""

from __future__ import annotations

from typing import Any

RUN = 8
"""Steps by one that show a counter; each jump that is told needs as many of its own, or it is no counter after all."""

_MOST = 10_000
"""A longer jump is no loss of records but a new beginning."""

_SHORTEST_NS, _NO_CLOCK_NS = 10_000, 1_000
"""No command is over in less than the one (common practice: three transfers, each with an interrupt of the host); steps
below the other are those of a form without times."""


class TagCounter:
    """The tags of one lane. ``all`` holds the counters of every lane of a recording, this one included."""

    __slots__ = ("_all", "_run", "_since_ns", "_unread", "last")

    def __init__(self, counters: list[TagCounter]) -> None:
        self.last = -1
        self._run = self._unread = self._since_ns = 0
        self._all = counters
        counters.append(self)

    def missing(self, tag: int, now_ns: int) -> int:
        """How many commands are missing between the last and one with this tag, submitted now."""
        gap = tag - self.last - 1 - self._unread
        if self._run < RUN or not 0 < gap <= _MOST or _NO_CLOCK_NS <= now_ns - self._since_ns < gap * _SHORTEST_NS:
            return 0
        return 0 if any(self.last < other.last < tag for other in self._all if other is not self) else gap

    def take(self, tag: int, now_ns: int) -> int:
        """The next command, submitted now, has this tag. Returns how many are missing before it."""
        if tag == self.last + 1:
            self._run += 1
            missing = 0
        else:
            missing = self.missing(tag, now_ns)
            continues = missing or (self._unread and tag == self.last + 1 + self._unread)
            self._run = self._run - RUN * (missing > 0) if continues else 0
        self.last, self._unread, self._since_ns = tag, 0, now_ns
        return missing

    def take_all(self, tags: Any, times_ns: Any) -> int:
        """The next commands have these tags and were submitted at these times (numpy arrays). Takes them up to the
        first before which commands may be missing; returns how many."""
        import numpy as np

        if self._unread:
            return 0
        if tags[0] == self.last + 1 and (tags[1:] == tags[:-1] + 1).all():
            self.last, self._since_ns = int(tags[-1]), int(times_ns[-1])
            self._run += len(tags)
            return len(tags)
        steps = np.diff(tags, prepend=self.last)
        places = np.arange(len(steps))
        broken = np.maximum.accumulate(np.where(steps == 1, -1, places))
        runs = np.where(broken < 0, self._run + places + 1, places - broken)
        before = np.concatenate(([self._run], runs[:-1]))
        doubtful = (before >= RUN) & (steps > 1) & (steps <= _MOST + 1)
        count = int(doubtful.argmax()) if doubtful.any() else len(steps)
        if count:
            self.last, self._since_ns = int(tags[count - 1]), int(times_ns[count - 1])
            self._run = int(runs[count - 1])
        return count

    def skip(self) -> None:
        """A command whose tag cannot be read."""
        self._unread += 1
