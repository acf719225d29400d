"""The bytes that read(2) gives from the binary device of the Linux kernel's recorder (kernel documentation, usbmon:
"Raw binary format and API"): event after event, a header of 48 bytes and then ``len_cap`` bytes of data.

There is no file header and no mark between events, so a stream is known by its fields: each has to hold what the
documentation allows, and where one event ends the next one begins. The headers are in the byte order of the machine
that recorded. They are those of link type 189, so `LinuxFrames` reads the events.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.blocks import Frame
from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.pcap import SEARCH
from sticktrace.capture.reader import Damage
from sticktrace.capture.transfer import CONTROL, ISOCHRONOUS
from sticktrace.text import count_of

FORM = "usbmon binary"
LINK_TYPE, HEADER = 189, 48
_WHOLE, _WAITS, _NONE = 1, 0, -1
_ENOUGH = 4
"""So many events that follow each other leave no doubt."""

# type, transfer kind, endpoint, device; bus; setup flag, data flag; seconds, microseconds; status; length, len_cap
_HEAD = {order: struct.Struct(order + "8xBBBBHBBqiiII") for order in "<>"}
_TYPES = frozenset(b"SCE")
_LATEST = 1 << 33
MOST_KEPT = 1 << 18
"""The kernel keeps a fifth of its buffer of one transfer, and its buffer has at most 1200 KiB."""

_FLAGS = frozenset(b"\0-<>=DELZ")
"""What the documentation gives for ``flag_setup`` and ``flag_data``: 0 where the bytes are there, else a letter of the
text form that says why they are not; "=" is an emulator's."""

_BEGINS = re.compile(rb"(?s)(?=.{8}[SCE][\x00-\x03][\x00-\x0f\x80-\x8f][\x00-\x7f])")


def order_of(data: Any) -> str:
    """The byte order of a stream of events, "" for bytes that are none, or too few to tell."""
    return next((order for order in _HEAD if _follow(data, 0, order, _ENOUGH)), "")


def _follow(data: Any, at: int, order: str, most: int) -> bool:
    """Whether an event stands here whole, and what follows it, as far as ``most`` events, may be more of them."""
    state, at = _event(data, at, order)
    first = state
    while state == _WHOLE and most > 1:
        most -= 1
        state, at = _event(data, at, order)
    return first == _WHOLE and state != _NONE


def _event(data: Any, at: int, order: str) -> tuple[int, int]:
    """What stands at a place: a whole event, the beginning of one or none; and where it ends."""
    if at + HEADER > len(data):
        return _WAITS, at
    event, kind, endpoint, device, _, setup, flag, seconds, micros, status, length, kept = _HEAD[order].unpack_from(
        data, at
    )
    fits = event in _TYPES and kind <= 3 and not endpoint & 0x70 and device < 128
    fits = fits and flag in _FLAGS and (kind != CONTROL or event in b"CE" or setup in _FLAGS)
    fits = fits and 0 <= seconds < _LATEST and 0 <= micros < 1_000_000 and -4096 < status <= 0
    fits = fits and kept <= MOST_KEPT and (kept <= length or kind == ISOCHRONOUS)
    if not fits:
        return _NONE, at
    end = at + HEADER + kept
    return (_WHOLE if end <= len(data) else _WAITS), end


class StreamWalk:
    """Walks the events of a stream. ``position`` is the offset of the next one; ``walk`` may be called again when the
    data has grown. What lies between an event that cannot be right and the next good one is reported as damage."""

    def __init__(self, order: str) -> None:
        self.order, self.position = order, 0
        self._log = DamageLog()
        self.damage: list[Damage] = self._log

    def walk(self, data: Any) -> Iterator[Frame]:
        """Yields the whole events from ``position`` on."""
        order, unpack = self.order, _HEAD[self.order].unpack_from
        while True:
            at = self.position
            state, end = _event(data, at, order)
            if state == _NONE and not self._find(data):
                return
            if state == _WAITS:
                return
            if state == _WHOLE:
                fields, self.position = unpack(data, at), end
                captured = end - at
                yield fields[7] * 1_000_000_000 + fields[8] * 1000, at, captured, captured, LINK_TYPE, order

    def _find(self, data: Any) -> bool:
        """Goes on towards the next place where an event stands with another behind it; False if more has to come."""
        first = self.position
        matches = _BEGINS.finditer(data, first + 1, min(len(data), first + SEARCH))
        found = next((one.start() for one in matches if _follow(data, one.start(), self.order, 2)), -1)
        if found < 0 and len(data) - first > SEARCH:
            found = first + SEARCH // 2  # an event that is not whole yet may begin in the other half
        if found < 0:
            return False
        self._log.report(f"byte {first}", f"no event can be right here; skipped {found - first} bytes")
        self.position = found
        return True

    def finish(self, data: Any) -> None:
        """Reports what is left after the last whole event."""
        if left := len(data) - self.position:
            self._log.report(f"byte {self.position}", f"the last event is cut off after {count_of(left, 'byte')}")
