"""Lines that speak of storage traffic in a form that is not read: counted, so that nobody is told there is none."""

from __future__ import annotations

import re

from sticktrace.text import safe

_TELLING = re.compile(
    r"[45]3425355|5[35] ?5[35] ?4[23] ?[45][23]"
    r"|(?<![A-Za-z])(?:d?CBW\w*|d?CSW\w*|USB[CS]|CDB|bulk[- ]only|SCSI)(?![A-Za-z])"
    r"|(?<![A-Za-z])(?:TEST[_ ]?UNIT[_ ]?READY|REQUEST[_ ]?SENSE|READ[_ ]?CAPACITY|MODE[_ ]?SENSE|INQUIRY|sense key)"
    r"(?![A-Za-z])", re.I,
)  # fmt: skip
_SHOWN = 80
_LONGEST = 2000


class Lookalikes:
    """``count`` lines looked like storage traffic and were not read; ``line`` is the number of the first, ``text`` what
    stands there."""

    __slots__ = ("count", "line", "text")

    def __init__(self) -> None:
        self.count = self.line = 0
        self.text = ""

    def see(self, line: int, text: str) -> bool:
        """A line of which nothing was understood. Returns whether it looks like storage traffic."""
        if _TELLING.search(text[:_LONGEST]) is None:
            return False
        self.add(line, text)
        return True

    def add(self, line: int, text: str) -> None:
        """A line of storage traffic that could not be used."""
        self.count += 1
        if not self.line:
            self.line, self.text = line, safe(text.strip()[:_SHOWN])

    @property
    def words(self) -> str:
        """As a person is told; "" for none."""
        if not self.count:
            return ""
        which = "1 line looks" if self.count == 1 else f"{self.count:,} lines look"
        first = "it is" if self.count == 1 else "the first is"
        return f"{which} like storage traffic in a form that is not read; {first} line {self.line}: {self.text}"


def in_text(sample: bytes) -> Lookalikes:
    """Those of the beginning of a text of which nothing at all was read."""
    found = Lookalikes()
    for number, line in enumerate(sample.split(b"\n"), 1):
        found.see(number, line[:_LONGEST].decode("utf-8", "replace"))
    return found
