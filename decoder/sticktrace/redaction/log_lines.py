"""The lines of a log that can be passed on: what was understood, with private words replaced.

What else a log holds could be anything and is left out, and so are the names of hosts and users in front of a message.
Serial numbers, names of files and of places where volumes are mounted are replaced wherever a pattern reads them, and
so is what a pattern takes as it comes: words that no row of a table tells from others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from sticktrace.capture.logs import Kind, LogReader, Statement
from sticktrace.capture.reader import Reader
from sticktrace.redaction.filler import Keep, Scrambler

_NAMES = frozenset(("where", "label", "file", "name"))
_AS_IT_COMES = ("text", "text2", "words", "message")
"""Gaps that take any words."""
_SHORTEST = 3
_WITH_NAMES = frozenset((Kind.FILE_SYSTEM, Kind.FILES, Kind.FILE_RESULT))


class LogCopy:
    """Writes a log anew. ``counts`` is what was replaced, ``left_out`` how many lines were not taken over."""

    def __init__(self, scrambler: Scrambler, keep: Keep) -> None:
        self.counts: Counter[str] = Counter()
        self.left_out = 0
        self._scrambler, self._keep = scrambler, keep

    def lines(self, reader: Reader) -> Iterator[str]:
        """The lines of the copy."""
        assert isinstance(reader, LogReader)
        for item in reader.sayings():
            stamp = f"[{item.time_ns // 10**9:5}.{item.time_ns % 10**9 // 1000:06}] " if item.timed else ""
            yield f"{stamp}{self.redacted(item)}\n"
        self.left_out = reader.records - reader.understood

    def redacted(self, item: Statement) -> str:
        """What was understood of a line, with private words replaced."""
        line = item.line
        serial = item.kind is Kind.STRING and item.get("which") == "serial"
        if serial and not self._keep.serials:
            line = self._replaced(line, item.get("text", ""), "serial numbers")
        elif item.kind is Kind.STRING and not serial and not self._keep.strings:
            line = self._replaced(line, item.get("text", ""), "identity strings")
        elif item.kind in _WITH_NAMES and not self._keep.names:
            for name in sorted(_NAMES & item.values.keys()):
                line = self._replaced(line, str(item.get(name)), "names")
        elif item.kind is Kind.INQUIRY and not self._keep.strings:
            for name in ("vendor", "product", "revision"):
                line = self._replaced(line, str(item.get(name, "")), "identity strings")
        if item.kind is Kind.FILE_RESULT and not self._keep.names:
            line = self._between(line, f"f_{item.get('function')}", f"FR_{item.get('code')}")
        standard = item.kind is Kind.STRING or (item.kind is Kind.SENSE_CODE and "asc" in item.values)
        return line if standard or self._keep.contents else self._without_words(item, line)

    def _between(self, line: str, first: str, last: str) -> str:
        """A file's name, or whatever a program prints between the function and its result."""
        low, high = line.find(first) + len(first), line.rfind(last)
        if not len(first) <= low < high:
            return line
        return line[:low] + self._scrambler.text(line[low:high]) + line[high:]

    def _without_words(self, item: Statement, line: str) -> str:
        for name in _AS_IT_COMES:
            old = str(item.get(name, ""))
            at = line.rfind(old)
            if len(old.strip()) >= _SHORTEST and at >= 0:
                line = line[:at] + self._scrambler.text(old) + line[at + len(old) :]
                self.counts["words of messages"] += 1
        return line

    def _replaced(self, line: str, old: str, what: str) -> str:
        if not old.strip() or old not in line:
            return line
        self.counts[what] += 1
        return line.replace(old, self._scrambler.text(old))
