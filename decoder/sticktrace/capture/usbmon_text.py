"""The Linux kernel's text form of a USB recording (kernel documentation, usbmon: "Raw text data format").

One event per line: ``tag time type address status-or-setup [length] [data]``. The 'u' form has a bus number in the
address (``Bo:1:005:2``), the older 't' form none (``Bo:005:02``). The kernel prints at most 32 bytes of data, so sector
contents are not in such a capture. Times are microseconds and wrap; they are unwrapped here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.join import Joiner
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.text_lines import TextLines
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, Transfer

KINDS = {"Z": ISOCHRONOUS, "I": INTERRUPT, "C": CONTROL, "B": BULK}
WRAP_US = 4096 * 1_000_000
"""The kernel keeps 12 bits of seconds. Older kernels let 32 bits of microseconds wrap (`WRAP_32_US`): the
documentation's own second example has such a time."""
WRAP_32_US = 1 << 32
_BACK_US = 1_000_000
"""Events are printed in order; a time that steps back by more than this has wrapped."""

LONGEST_LINE = 4096
MALFORMED = "line that is not an event of the text form"

# People paste events with things in front: quote marks of mail, console prompts, log times.
_EVENT = re.compile(
    r"(?<![0-9A-Za-z])([0-9a-fA-F]{1,16}) (\d{1,10}) ([SCE]) ([CZIB])([io]):(\d{1,3}):(\d{1,3})(?::(\d{1,2}))?(?!\S)",
    re.ASCII,
)
_SETUP = re.compile(r"s ([0-9a-fA-F]{2}) ([0-9a-fA-F]{2}) ([0-9a-fA-F]{4}) ([0-9a-fA-F]{4}) ([0-9a-fA-F]{4})")
_STATUS = re.compile(r"(-?\d{1,10})((?::-?\d{1,10})*)", re.ASCII)
_TEXT_PER_NUL = 50


def looks_like(data: bytes) -> bool:
    """Whether any line of this UTF-8 text is an event. No other form has lines like that. A few NULs are damage, as a
    lost power supply leaves it in a log; many make it no text."""
    if data.count(0) > len(data) // _TEXT_PER_NUL:
        return False
    return any(_EVENT.search(line[:LONGEST_LINE].decode("utf-8", "replace")) for line in data.split(b"\n"))


class UsbmonTextReader(Reader):
    """Reads the text form. Record numbers count the lines that are not blank; those that are no event are skipped and
    reported by line."""

    form = "usbmon text"

    def __init__(self, data: Any, join_as: type[Joiner] = Joiner) -> None:
        super().__init__(data, join_as)
        self.payload = bytearray()
        self.origin_ns = 0
        self.joiner = join_as()
        self.joiners.append(self.joiner)
        self._log = DamageLog()
        self.damage: list[Damage] = self._log
        self._lines = TextLines(LONGEST_LINE, self._log)
        self._line = 0
        self._first_us: int | None = None
        self._latest_us = 0
        self._turns_us = 0
        self._wrap_us = WRAP_US

    @property
    def position(self) -> int:
        return self._lines.position

    def transfers(self) -> Iterator[Transfer]:
        for text in self._lines.whole(self.data):
            yield from self._next(text)

    def finish(self) -> Iterator[Transfer]:
        for text in self._lines.rest(self.data):
            yield from self._next(text)
        yield from self.joiner.rest(self.last_ns)

    def _next(self, text: str) -> Iterator[Transfer]:
        self._line += 1
        text = text.strip()
        if not text:
            return
        self.records += 1
        match = _EVENT.search(text)
        transfer = self._event(match, self.records) if match else None
        if transfer is None:
            self.skipped[MALFORMED] += 1
            self._log.report(f"line {self._line}", "not an event of the kernel's text form")
        elif transfer is not _NOTHING:
            yield transfer

    def _event(self, match: re.Match[str], number: int) -> Transfer | None:
        """The transfer that this event ends, `_NOTHING` if it ends none, None if the line makes no sense."""
        tag, time, event, letter, way, first, second, third = match.groups()
        # Two numbers: device and endpoint, without a bus. Three: bus, device, endpoint.
        bus, device, endpoint = (int(first), int(second), int(third)) if third else (0, int(first), int(second))
        endpoint |= 0x80 if way == "i" else 0
        details = _details(match.string[match.end() :].split(), letter)
        if details is None or endpoint & 0x7F > 15 or device > 127:
            return None
        setup, status, length, words = details
        time_ns = self._unwrapped(int(time))
        at, captured = self._keep(words)
        if event == "S":
            transfer = Transfer(bus, device, endpoint, KINDS[letter], setup=setup, submitted_ns=time_ns)
            transfer.records, transfer.requested = (number,), length
            if not transfer.incoming:
                transfer.actual, transfer.data_at, transfer.captured = length, at, min(captured, length)
            return self.joiner.submit(tag, transfer) or _NOTHING
        found = self.joiner.take(tag, endpoint)
        transfer = found or self.joiner.alone(Transfer(bus, device, endpoint, KINDS[letter]), time_ns)
        transfer.records += (number,)
        transfer.status, transfer.completed_ns, transfer.actual = status, time_ns, length
        if transfer.incoming:
            transfer.data_at, transfer.captured = at, min(captured, length)
        elif status == 0:
            # Of a failed transfer all that was submitted is kept: a CBW that was never accepted can still be read.
            transfer.captured = min(transfer.captured, length)
        return transfer

    def _unwrapped(self, time_us: int) -> int:
        """Nanoseconds since the first event."""
        if time_us >= WRAP_US:
            self._wrap_us = WRAP_32_US
        if self._first_us is None:
            self._first_us = self._latest_us = time_us
        if time_us + self._turns_us < self._latest_us - _BACK_US:
            self._turns_us += self._wrap_us
        # Never before the first event: a step back within the tolerance counts as no step.
        self._latest_us = max(self._first_us, time_us + self._turns_us)
        self.last_ns = (self._latest_us - self._first_us) * 1000
        return self.last_ns

    def _keep(self, words: str) -> tuple[int, int]:
        at = len(self.payload)
        self.payload += bytes.fromhex(words)
        return at, len(self.payload) - at


_NOTHING = Transfer(0, 0, 0, 0)

Details = tuple[bytes, int, int, str]
"""Setup bytes, status, length, data in hex."""


def _details(words: list[str], letter: str) -> Details | None:
    """What follows the address. None if it does not follow the documented form."""
    setup, status = b"", 0
    if words and letter == "C" and len(words[0]) == 1 and words[0].isalpha():
        # A setup tag and five words; a tag other than 's' says that the setup packet could not be captured.
        if words[0] == "s":
            found = _SETUP.fullmatch(" ".join(words[:6]))
            if found is None:
                return None
            setup = _setup_bytes(*found.groups())
        words = words[6:]
    else:
        found = _STATUS.fullmatch(words[0]) if words else None
        if found is None:
            return None
        status = int(found[1])
        words = words[1:]
        if letter == "Z" and words:
            # A count of packet descriptors and up to five of them, each status:offset:length.
            words = [word for word in words[1:] if ":" not in word]
    return _data(setup, status, words)


def _data(setup: bytes, status: int, words: list[str]) -> Details | None:
    """Length, then '=' and data words, or a letter or mark that says why there are none."""
    if not words:
        return setup, status, 0, ""
    if not words[0].isdecimal() or len(words[0]) > 10:
        return None
    length = int(words[0])
    if length > 0xFFFFFFFF:  # the kernel's field has 32 bits
        return None
    if len(words) == 1 or words[1] != "=":
        return setup, status, length, ""
    hexed = "".join(words[2:])
    if len(hexed) % 2 or not re.fullmatch("[0-9a-fA-F]*", hexed):
        return None
    return setup, status, length, hexed


def _setup_bytes(kind: str, request: str, value: str, index: str, length: str) -> bytes:
    """The setup packet as it goes over the bus: the words are printed as values and travel low byte first."""
    low_first = b"".join(bytes.fromhex(word)[::-1] for word in (value, index, length))
    return bytes.fromhex(kind + request) + low_first
