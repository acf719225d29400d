"""The pcap container (draft-ietf-opsawg-pcap): a walk over its records that copies no payload.

A record header that cannot be right does not end the walk: the next place where records follow each other again is
looked for, and what lies between is reported as damage with its offset.
"""

from __future__ import annotations

import re
import struct
import sys
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.blocks import Block, Chain, Frame, words
from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.reader import Damage
from sticktrace.text import count_of

MAGICS = {
    b"\xd4\xc3\xb2\xa1": ("<", 1_000),
    b"\xa1\xb2\xc3\xd4": (">", 1_000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
"""First four bytes -> byte order of the file, nanoseconds per tick of the fraction field."""

LARGEST_RECORD = 16 << 20
"""No recorder writes a USB record beyond this; a larger captured length means that the walk has lost its way."""

SEARCH = 1 << 20
"""How far the next good record is looked for, in bytes."""

_DAY = 86_400
_HEADER = 16
_WAIT, _LOST = -1, -2


class PcapWalk:
    """Walks the records of a pcap file. ``position`` is the offset of the next record; ``walk`` may be called again
    when ``data`` has grown. ``lost`` says that no good record was found within `SEARCH` bytes of a bad one."""

    def __init__(self, data: Any) -> None:
        self.order, self.tick_ns = MAGICS[bytes(data[:4])]
        # The high half of this word holds frame check information, not link type.
        self.link_type = struct.unpack_from(self.order + "I", data, 20)[0] & 0xFFFF
        self.position = 24
        self.interface = 0
        self.lost = False
        self._log = DamageLog()
        self.damage: list[Damage] = self._log
        self._unpack = struct.Struct(self.order + "IIII").unpack_from
        self._chain = Chain(self.order, length_at=8, constant=_HEADER, spread=1)
        self._seconds: int | None = None
        self._last_at = 24

    def walk(self, data: Any) -> Iterator[Frame]:
        """Yields the whole records from ``position`` on."""
        unpack, size = self._unpack, len(data)
        order, tick_ns, link_type = self.order, self.tick_ns, self.link_type
        position, largest = self.position, LARGEST_RECORD
        # Times outside this range are looked at twice; an empty range before the first record.
        early, late = self._range()
        if self.lost:
            return
        while position + _HEADER <= size:
            seconds, fraction, captured, original = unpack(data, position)
            at = position + _HEADER
            if captured > original or original > largest or not early < seconds < late or at + captured > size:
                onward = self._doubt(data, position)
                if onward != position:
                    if onward < 0:
                        break
                    position = self.position = onward
                    continue
                self._seconds = seconds
                early, late = self._range()
            position = self.position = at + captured
            self._last_at = at
            yield seconds * 1_000_000_000 + fraction * tick_ns, at, captured, original, link_type, order

    def ordinary(self, data: Any, most: int) -> Block | None:
        """Up to ``most`` records from ``position`` on as columns, as far as `walk` would have no doubt about them."""
        import numpy as np

        if self.lost or self._seconds is None:
            return None
        raw = np.frombuffer(data, np.uint8)
        starts = self._chain.starts(raw, self.position, most)
        seconds, fraction, captured, original = words(raw, starts, self.order, 4).astype(np.int64).T
        doubtful = (captured > original) | (original > LARGEST_RECORD) | (np.abs(seconds - self._seconds) >= _DAY)
        count = int(doubtful.argmax()) if doubtful.any() else len(starts)
        if not count:
            return None
        self._last_at = int(starts[count - 1]) + _HEADER
        self.position = self._last_at + int(captured[count - 1])
        time_ns = seconds * 1_000_000_000 + fraction * self.tick_ns
        columns = [column[:count] for column in (time_ns, starts + _HEADER, captured, original)]
        return Block._make([*columns, np.zeros(count, np.int64), [(self.link_type, self.order, 0)]])

    def finish(self, data: Any) -> None:
        """Reports what is left after the last whole record."""
        left = len(data) - self.position
        if left and not self.lost:
            self._log.report(f"byte {self.position}", f"the last record is cut off after {count_of(left, 'byte')}")

    def _range(self) -> tuple[int, int]:
        return (0, 0) if self._seconds is None else (self._seconds - _DAY, self._seconds + _DAY)

    def _doubt(self, data: Any, position: int) -> int:
        """Where to go on from a header that is out of the ordinary: the same place if a record after it bears it
        out (a long pause, a clock that was set), the next good record, `_WAIT` while the file may still grow, or
        `_LOST`."""
        end = self._plausible(data, position, None)
        if end >= 0:
            seconds = self._unpack(data, position)[0]
            # The very first record has none before it to be measured by; then structure alone must do.
            near = None if self._seconds is None else seconds
            if self._ends_well(data, end, near) or self._search(data, end, seconds) >= 0:
                return position
        # The fault may lie in the length of the record before: then good records stand inside what it took.
        found = self._search(data, self._last_at, self._seconds, position)
        if found >= 0:
            place = self._last_at - _HEADER
            self._log.report(f"byte {place}", f"a record that claims more than it holds; the next is at {found}")
            return found
        found = self._search(data, position + 1, self._seconds)
        if found >= 0:
            skipped = found - position
            self._log.report(f"byte {position}", f"a record header that cannot be right; skipped {skipped} bytes")
            return found
        if self._unpack(data, position)[2] <= LARGEST_RECORD or len(data) - position < SEARCH:
            return _WAIT
        self.lost = True
        self._log.report(
            f"byte {position}", f"a record header that cannot be right, and no good one in the next {SEARCH} bytes"
        )
        return _LOST

    def _plausible(self, data: Any, position: int, near: int | None) -> int:
        """Where the record at ``position`` ends, or -1 if no recorder of USB traffic would have written its header.
        A captured length of 0 counts as implausible: every link type has a header of its own."""
        if position + _HEADER > len(data):
            return -1
        seconds, fraction, captured, original = self._unpack(data, position)
        if not 0 < captured <= min(LARGEST_RECORD, original) or fraction * self.tick_ns >= 1_000_000_000:
            return -1
        if near is not None and abs(seconds - near) > _DAY:
            return -1
        end: int = position + _HEADER + captured
        return end if end <= len(data) else -1

    def _ends_well(self, data: Any, end: int, near: int | None) -> bool:
        """Whether another record follows, or the data ends before it could."""
        if end + _HEADER > len(data):
            return True
        seconds, fraction, captured, original = self._unpack(data, end)
        if not 0 < captured <= min(LARGEST_RECORD, original) or fraction * self.tick_ns >= 1_000_000_000:
            return False
        return near is None or abs(seconds - near) <= _DAY

    def _search(self, data: Any, start: int, near: int | None, before: int = sys.maxsize) -> int:
        """The first place from ``start`` on where a record stands with another behind it, or -1."""
        for match in self._pattern(near).finditer(data, start, min(len(data), start + SEARCH, before) + _HEADER):
            place = match.start()
            end = self._plausible(data, place, near)
            if end >= 0 and self._ends_well(data, end, self._unpack(data, place)[0]):
                return place
        return -1

    def _pattern(self, near: int | None) -> re.Pattern[bytes]:
        """Bytes that a plausible header begins with: the search runs over them at the speed of `re`, and only what it
        finds is looked at one by one."""
        little = self.order == "<"
        high = b".."
        if near is not None:
            halves = range(max(0, near - _DAY) >> 16, (min(near + _DAY, 0xFFFFFFFF) >> 16) + 1)
            high = b"(?:" + b"|".join(re.escape(struct.pack(self.order + "H", half)) for half in halves) + b")"
        # Largest fraction: 999,999 = 0F423Fh microseconds, 999,999,999 = 3B9AC9FFh nanoseconds.
        top = [b"[\\x00-\\x3b]", b"."] if self.tick_ns == 1 else [b"\\x00", b"[\\x00-\\x0f]"]
        if little:
            fraction, length = b".." + top[1] + top[0], b"(?!\\x00{3})...\\x00"
            body = b".." + high + fraction + length + b"...\\x00"
        else:
            fraction, length = top[0] + top[1] + b"..", b"\\x00(?!\\x00{3})..."
            body = high + b".." + fraction + length + b"\\x00..."
        return re.compile(b"(?=" + body + b")", re.DOTALL)
