"""Commands that the recording lacks, told by the tags of those that it has.

A tag identifies nothing but the command now open (BOT 1.0 5.1), and hosts choose tags as they like. Many count them up
by one. Where that was seen to hold, a jump tells how many commands stand between two that were recorded, unless another
lane used the tags in between: some hosts have one counter for all devices.
"""

from __future__ import annotations

RUN = 8
"""Steps by one that show a counter; each jump that is told needs as many of its own, or it is no counter after all."""

_MOST = 10_000
"""A longer jump is no loss of records but a new beginning."""


class TagCounter:
    """The tags of one lane. ``all`` holds the counters of every lane of a recording, this one included."""

    __slots__ = ("_all", "_run", "_unread", "last")

    def __init__(self, counters: list[TagCounter]) -> None:
        self.last = -1
        self._run = self._unread = 0
        self._all = counters
        counters.append(self)

    def missing(self, tag: int) -> int:
        """How many commands are missing between the last and one with this tag."""
        gap = tag - self.last - 1 - self._unread
        if self._run < RUN or not 0 < gap <= _MOST:
            return 0
        return 0 if any(self.last < other.last < tag for other in self._all if other is not self) else gap

    def take(self, tag: int) -> int:
        """The next command has this tag. Returns how many are missing before it."""
        if tag == self.last + 1:
            self._run += 1
            missing = 0
        else:
            missing = self.missing(tag)
            continues = missing or (self._unread and tag == self.last + 1 + self._unread)
            self._run = self._run - RUN * (missing > 0) if continues else 0
        self.last, self._unread = tag, 0
        return missing

    def skip(self) -> None:
        """A command whose tag cannot be read."""
        self._unread += 1
