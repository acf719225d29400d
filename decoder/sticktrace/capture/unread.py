"""Lines of a text in which nothing was understood: counted and kept by their shape; and those of them that speak of
storage traffic in a form that is not read, so that nobody is told there is none."""

from __future__ import annotations

import re
from collections.abc import Iterator

from sticktrace.text import count_of, safe

_TELLING = re.compile(
    r"[45]3425355|5[35] ?5[35] ?4[23] ?[45][23]"
    r"|(?<![A-Za-z])(?:d?CBW\w*|d?CSW\w*|USB[CS]|CDB|bulk[- ]only|SCSI)(?![A-Za-z])"
    r"|(?<![A-Za-z])(?:TEST[_ ]?UNIT[_ ]?READY|REQUEST[_ ]?SENSE|READ[_ ]?CAPACITY|MODE[_ ]?SENSE|INQUIRY|sense key)"
    r"(?![A-Za-z])", re.I,
)  # fmt: skip
_SHOWN = 80
_LONGEST = 2000
_NUMBER = re.compile(r"(?<![A-Za-z])(?:0x)?[0-9A-Fa-f]*\d[0-9A-Fa-f]*")
MOST_SHAPES = 2_000
"""So many kinds of lines are kept; lines of further kinds are counted."""


class Unread:
    """``missed`` lines were not understood. Of these ``count`` looked like storage traffic; ``line`` is the number of
    the first such, ``text`` what stands there."""

    __slots__ = ("_shapes", "count", "line", "missed", "text")

    def __init__(self) -> None:
        self.count = self.line = self.missed = 0
        self.text = ""
        self._shapes: dict[str, tuple[int, str, int]] = {}

    def see(self, line: int, text: str) -> bool:
        """A line of which nothing was understood. Returns whether it looks like storage traffic."""
        text = text[:_LONGEST]
        self.missed += 1
        self._keep(line, text)
        if _TELLING.search(text) is None:
            return False
        self.add(line, text)
        return True

    def add(self, line: int, text: str) -> None:
        """A line of storage traffic that could not be used."""
        self.count += 1
        if not self.line:
            self.line, self.text = line, safe(text.strip()[:_SHOWN])

    def _keep(self, line: int, text: str) -> None:
        """Lines that differ in nothing but numbers are kept as one."""
        shape = _NUMBER.sub("0", text[:_SHOWN])
        first, shown, times = self._shapes.get(shape, (line, text, 0))
        if times or len(self._shapes) < MOST_SHAPES:
            self._shapes[shape] = first, shown if times else safe(text.strip()), times + 1

    def listing(self) -> Iterator[str]:
        """A line for each kind of line that was not understood: where it stands first, and how many are like it."""
        yield f"{count_of(self.missed, 'line')} not understood" + (":" if self.missed else "")
        for line, text, times in self._shapes.values():
            yield f"  line {line}: {text}" + (f"  ({times - 1:,} more like it)" if times > 1 else "")
        others = self.missed - sum(times for _, _, times in self._shapes.values())
        if others:
            yield f"  {count_of(others, 'line')} of other kinds"

    @property
    def words(self) -> str:
        """As a person is told of those that look like storage traffic; "" for none."""
        if not self.count:
            return ""
        which = "1 line looks" if self.count == 1 else f"{self.count:,} lines look"
        first = "it is" if self.count == 1 else "the first is"
        return f"{which} like storage traffic in a form that is not read; {first} line {self.line}: {self.text}"


def in_text(sample: bytes) -> Unread:
    """Those of the beginning of a text of which nothing at all was read."""
    found = Unread()
    for number, line in enumerate(sample.split(b"\n"), 1):
        found.see(number, line[:_LONGEST].decode("utf-8", "replace"))
    return found
