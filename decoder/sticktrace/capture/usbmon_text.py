"""The Linux kernel's text form of a USB recording (kernel documentation, usbmon: "Raw text data format").

One event per line: ``tag time type address status-or-setup [length] [data]``. The 'u' form has a bus number in the
address (``Bo:1:005:2``), the older 't' form none (``Bo:005:02``). The kernel prints at most 32 bytes of data, so sector
contents are not in such a capture. Times are microseconds and wrap; they are unwrapped here. Lines that were quoted or
broken on their way are put together by `usbmon_events`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.apart import KERNEL
from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.join import Joiner
from sticktrace.capture.line_patterns import STANDARD, LinePatterns
from sticktrace.capture.logs.reader import OTHER_LINES
from sticktrace.capture.logs.stamps import take_off
from sticktrace.capture.payload import Deposit, Payload
from sticktrace.capture.reader import SAID, Damage, Reader
from sticktrace.capture.text_lines import TextLines
from sticktrace.capture.transfer import BREAK, BULK, CONTROL, INTERRUPT, ISOCHRONOUS, Transfer
from sticktrace.capture.usbmon_events import Event, Other, Unfolding, begins
from sticktrace.text import count_of, time_in_words

KINDS = {"Z": ISOCHRONOUS, "I": INTERRUPT, "C": CONTROL, "B": BULK}
WRAP_US = 4096 * 1_000_000
"""The kernel keeps 12 bits of seconds. Older kernels let 32 bits of microseconds wrap (`WRAP_32_US`): the
documentation's own second example has such a time."""
WRAP_32_US = 1 << 32
_BACK_US = 1_000_000
"""Events are printed in order; a time that steps back by more than this has wrapped, or belongs to another trace."""

_LONGEST_PAUSE_US = 600 * 1_000_000
"""A clock that wraps went on meanwhile. Where that would have been a longer pause than this, and nothing that was
submitted before it ends behind it, another trace begins."""

LONGEST_LINE = 4096
MALFORMED = "line that is not an event of the text form"
_TEXT_PER_NUL = 50
_MOST_BREAKS = 8


def looks_like(data: bytes) -> bool:
    """Whether any line of this UTF-8 text is an event. No other form has lines like that. A few NULs are damage, as a
    lost power supply leaves it in a log; many make it no text."""
    if data.count(0) > len(data) // _TEXT_PER_NUL:
        return False
    return any(begins(line[:LONGEST_LINE].decode("utf-8", "replace")) for line in data.split(b"\n"))


class UsbmonTextReader(Reader):
    """Reads the text form. A record is an event, or a line that is not blank and belongs to none; those are skipped and
    reported by line."""

    form = "usbmon text"
    is_text = True

    def __init__(
        self, data: Any, join_as: type[Joiner] = Joiner, store: Payload | None = None,
        patterns: LinePatterns = STANDARD,
    ) -> None:  # fmt: skip
        super().__init__(data, join_as)
        self._patterns, self._said = patterns, 0
        self.log_apart = KERNEL.search(data) is not None
        self.payload = Deposit(store)
        self.origin_ns = 0
        self.joiner = join_as(self.skipped)
        self.joiners.append(self.joiner)
        self._log = DamageLog()
        self.damage: list[Damage] = self._log
        self._lines = TextLines(LONGEST_LINE, self._log)
        self._events = Unfolding()
        self._first_us: int | None = None
        self._latest_us = 0
        self._turns_us = 0
        self._wrap_us = WRAP_US
        self._breaks: list[str] = []

    @property
    def position(self) -> int:
        return self._lines.position

    @property
    def assumed(self) -> list[str]:
        said = super().assumed
        if self._events.folded:
            broken = count_of(self._events.folded, "event was", "events were")
            said.append(
                f"{broken} broken over several lines, as mail programs do, and put together again; the first "
                f"in line {self._events.first}"
            )
        for place in self._breaks[:_MOST_BREAKS]:
            said.append(f"{place}, so another recording begins there: nothing is carried over from the one before")
        return said

    def transfers(self) -> Iterator[Transfer]:
        for text in self._lines.whole(self.data):
            yield from self._line(text)

    def finish(self) -> Iterator[Transfer]:
        self.payload.end(len(self.data))
        for text in self._lines.rest(self.data):
            yield from self._line(text)
        for found in self._events.end():
            yield from self._next(found)
        yield from self.joiner.rest(self.last_ns)

    def _line(self, text: str) -> Iterator[Transfer]:
        for found in self._events.feed(text):
            yield from self._next(found)

    def _next(self, found: Event | Other) -> Iterator[Transfer]:
        if isinstance(found, Event) and self._another_begins(found):
            yield from self._break(found)
        self.records += 1
        transfer = self._event(found, self.records) if isinstance(found, Event) else None
        if isinstance(found, Other) and (head := take_off(found.text)).headed:
            self._logged(found.line, head.text)
        elif transfer is None:
            self.skipped[MALFORMED] += 1
            self._log.report(f"line {found.line}", "not an event of the kernel's text form")
            self.unread.see(found.line, found.text if isinstance(found, Other) else " ".join(found.head))
        elif transfer is not _NOTHING:
            yield transfer

    def _logged(self, line: int, text: str) -> None:
        """A line that a logger wrote: no damage. What it says is for those who read logs."""
        if self._patterns.logs.find(text):
            self._said += 1
        else:
            self.skipped[OTHER_LINES] += 1
            self.unread.see(line, text)

    @property
    def places(self) -> Counter[str]:
        return Counter({SAID: self._said} if self._said else {})

    def _event(self, event: Event, number: int) -> Transfer | None:
        """The transfer that this event ends, `_NOTHING` if it ends none, None if the line makes no sense."""
        tag, time, kind, letter, way, first, second, third = event.head
        # Two numbers: device and endpoint, without a bus. Three: bus, device, endpoint.
        bus, device, endpoint = (int(first), int(second), int(third)) if third else (0, int(first), int(second))
        endpoint |= 0x80 if way == "i" else 0
        if endpoint & 0x7F > 15 or device > 127:
            return None
        setup, status, length, words, _ = event.details
        time_ns = self._unwrapped(int(time))
        at, captured = self._keep(words)
        if kind == "S":
            transfer = Transfer(bus, device, endpoint, KINDS[letter], setup=setup, submitted_ns=time_ns)
            transfer.records, transfer.requested = (number,), length
            if not transfer.incoming:
                transfer.actual, transfer.data_at, transfer.captured = length, at, min(captured, length)
            return self.joiner.submit(tag, transfer) or _NOTHING
        found = self.joiner.take(tag, endpoint)
        if found is None and self.joiner.repeats(tag, endpoint, status, length, time_ns):
            return _NOTHING
        transfer = found or self.joiner.alone(Transfer(bus, device, endpoint, KINDS[letter]), time_ns)
        transfer.records += (number,)
        transfer.status, transfer.completed_ns, transfer.actual = status, time_ns, length
        if transfer.incoming:
            transfer.data_at, transfer.captured = at, min(captured, length)
        elif status == 0:
            # Of a failed transfer all that was submitted is kept: a CBW that was never accepted can still be read.
            transfer.captured = min(transfer.captured, length)
        return transfer

    def _steps_back(self, time_us: int) -> bool:
        return self._first_us is not None and time_us + self._turns_us < self._latest_us - _BACK_US

    def _another_begins(self, event: Event) -> bool:
        """Whether the clock steps back so that it cannot merely have wrapped."""
        time_us = int(event.head[1])
        if not self._steps_back(time_us):
            return False
        pause_us = time_us + self._turns_us + self._wrap_us - self._latest_us
        return pause_us > _LONGEST_PAUSE_US and (event.head[2] == "S" or event.head[0] not in self.joiner.waiting)

    def _break(self, event: Event) -> Iterator[Transfer]:
        """Nothing is carried over into another trace. How much later it was made is not known: its time goes on where
        the one before ended."""
        yield from self.joiner.rest(self.last_ns)
        back = self._latest_us - self._turns_us - int(event.head[1])
        self._turns_us, self._wrap_us = self._latest_us - int(event.head[1]), WRAP_US
        self._breaks.append(f"line {event.line}: the clock steps back by {time_in_words(back * 1000)}")
        yield Transfer(0, 0, 0, BREAK, submitted_ns=self.last_ns)

    def _unwrapped(self, time_us: int) -> int:
        """Nanoseconds since the first event."""
        if time_us >= WRAP_US:
            self._wrap_us = WRAP_32_US
        if self._first_us is None:
            self._first_us = self._latest_us = time_us
        if self._steps_back(time_us):
            self._turns_us += self._wrap_us
        # Never before the first event: a step back within the tolerance counts as no step.
        self._latest_us = max(self._first_us, time_us + self._turns_us)
        self.last_ns = (self._latest_us - self._first_us) * 1000
        return self.last_ns

    def _keep(self, words: str) -> tuple[int, int]:
        at = len(self.payload)
        self.payload += bytes.fromhex(words[: len(words) & ~1])
        return at, len(self.payload) - at


_NOTHING = Transfer(0, 0, 0, 0)
