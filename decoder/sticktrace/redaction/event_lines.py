"""A usbmon text changed in place: payload behind the equals sign, and dots for all that is no event.

What stands in front of an event or behind it (prompts, quoted mail, log times) and every line that is none could be
anything. Signs that quote stay, since broken lines are put together by them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator
from itertools import chain
from typing import TYPE_CHECKING, Any

from sticktrace.capture.transfer import Transfer
from sticktrace.capture.usbmon_events import Event, Other, details
from sticktrace.capture.usbmon_text import LONGEST_LINE, UsbmonTextReader
from sticktrace.errors import SticktraceError
from sticktrace.redaction.filler import Scrambler
from sticktrace.redaction.records import Spans

if TYPE_CHECKING:
    from sticktrace.session import Capture

_STAYS = frozenset(b" \t\r\n\0>|")
_MARKS = (b"\xff\xfe", b"\xfe\xff")


class TextPlaces(UsbmonTextReader):
    """Where payload bytes stand in a usbmon text: in which lines, as which hex digits. ``hidden`` counts the lines of
    which something was taken out."""

    def __init__(self, capture: Capture, put: Callable[[int, bytes], None]) -> None:
        super().__init__(capture.source.data, store=capture.text_payload())
        self._put = put
        self._starts: list[int] = []
        self._sizes: dict[int, int] = {}
        self._spans: list[tuple[int, int]] = []
        self._line_ends = [2 if bytes(self.data[:2]) in _MARKS else 0]
        self._first_line = 1
        self.hidden = 0
        for source in (self.transfers(), self.finish()):
            for _ in source:
                pass

    def _line(self, text: str) -> Iterator[Transfer]:
        self._line_ends.append(self.position)
        yield from super()._line(text)

    def _next(self, found: Event | Other) -> Iterator[Transfer]:
        if isinstance(found, Other):
            self._hide(found.line, 0, None)
        yield from super()._next(found)

    def _event(self, event: Event, number: int) -> Transfer | None:
        self._first_line = event.line
        transfer = super()._event(event, number)
        if transfer is None:
            self._hide(event.line, 0, None)
        else:
            self._around(event, whole=event.line == len(self._line_ends) - 1)
        return transfer

    def _raw(self, line: int) -> bytes:
        return bytes(self.data[self._line_ends[line - 1] : self._line_ends[line]])

    def _around(self, event: Event, whole: bool) -> None:
        """What stands in front of an event on its line, and behind its last word if it is ``whole`` there."""
        raw, encoding = self._raw(event.line), self._lines.encoding
        begin = next((at for size in range(len(event.head[0]), 0, -1)
                      if (at := raw.find(event.head[0][:size].encode(encoding))) >= 0), 0)  # fmt: skip
        self._hide(event.line, 0, begin)
        if not whole:
            return
        text = raw[begin:].decode(encoding, "replace")[:LONGEST_LINE]
        words = text.split()[4:]
        kept = next(
            (n for n in range(len(words) + 1) if details(words[:n], event.head[4]) == event.details), len(words)
        )
        end = begin
        for word in text.split()[: 4 + kept]:
            end = raw.index(word.encode(encoding), end) + len(word.encode(encoding))
        self._hide(event.line, end, None)

    def _hide(self, line: int, low: int, high: int | None) -> None:
        """Bytes of a line become dots, but for signs that quote."""
        old, dot = self._raw(line), ".".encode(self._lines.encoding)
        new = bytearray(old)
        for at in range(low, len(old) if high is None else high, len(dot)):
            if not _STAYS.issuperset(old[at : at + len(dot)]):
                new[at : at + len(dot)] = dot[: len(old) - at]
        if new != old:
            self.hidden += 1
            self._put(self._line_ends[line - 1], bytes(new))

    def _keep(self, words: str) -> tuple[int, int]:
        at, captured = super()._keep(words)
        if captured:
            self._starts.append(at)
            self._sizes[at] = captured
            self._spans.append((self._line_ends[self._first_line - 1], self.position))
        return at, captured

    def write(self, place: int, new: bytes) -> None:
        """Replaces payload bytes from ``place`` on. They lie behind the equals sign of an event, over several lines
        where those were broken."""
        index = bisect_right(self._starts, place) - 1
        start, end = self._spans[index]
        at = self.data.find(b"=", start, end) + 1
        digits = [position for position in range(at, end) if self.data[position : position + 1].isalnum()]
        for position, digit in zip(digits[2 * (place - self._starts[index]) :], new.hex().encode(), strict=False):
            self._put(position, bytes([digit]))

    def replace_rest(self, spans: Spans, scrambler: Scrambler) -> int:
        """Replaces the digits that stand for bytes of no transfer; returns how many pieces that were."""
        count = 0
        for start in self._starts:
            size = self._sizes[start]
            for low, high in spans.gaps(start, start + size):
                old = self.payload[low:high]
                new = scrambler.fill(old)
                if new != old:
                    self.write(low, new)
                    count += 1
        return count


def same_events(_form: str, data: Any, copy: Any) -> None:
    """Raises SticktraceError unless both hold the same events, so that none is lost or invented."""
    facts = []
    for each in (data, copy):
        reader = UsbmonTextReader(each)
        events = sum(1 for _ in chain(reader.transfers(), reader.finish()))
        facts.append((events, reader.records, dict(reader.skipped)))
    if facts[0] != facts[1]:
        raise SticktraceError("damaged so that a copy would not hold the same events; not written")
