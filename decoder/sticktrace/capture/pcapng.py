"""The pcapng container (draft-ietf-opsawg-pcapng): a walk over its blocks that copies no payload.

Each section has its own byte order and its own interfaces, each interface its own link type and clock; all of that
may change in mid-file. A block whose two length fields disagree is damage; the walk goes on at the next whole
block.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from typing import Any, NamedTuple

from sticktrace.capture.blocks import Block, Chain, Column, Frame, words
from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.packets import RENDERED
from sticktrace.capture.pcap import SEARCH
from sticktrace.capture.reader import Damage
from sticktrace.errors import CaptureError
from sticktrace.text import count_of

SECTION, INTERFACE, OLD_PACKET, SIMPLE, STATISTICS, ENHANCED = 0x0A0D0D0A, 1, 2, 3, 5, 6
"""Block types (section 11.1 of the draft)."""

LARGEST_BLOCK = 32 << 20
MOST_INTERFACES = 1 << 16
_OPTION_END, _COMMENT, _IF_TSRESOL, _IF_TSOFFSET, _ISB_IFDROP, _ISB_OSDROP = 0, 1, 9, 14, 5, 7
_SMALLEST = {SECTION: 28, INTERFACE: 20, OLD_PACKET: 32, SIMPLE: 16, STATISTICS: 24, ENHANCED: 32}
_WAIT = -1


class Interface(NamedTuple):
    """How to read the packets of one interface: a time of t ticks is ``t * scale // divisor + offset_ns`` ns."""

    link_type: int
    snap_length: int
    scale: int
    divisor: int
    offset_ns: int


class PcapngWalk:
    """Walks the packets of a pcapng file. ``position`` is the offset of the next block; ``walk`` may be called again
    when ``data`` has grown. Raises CaptureError if the file does not begin with a section."""

    def __init__(self, data: Any) -> None:
        order = _order_at(data, 0)
        if order is None:
            raise CaptureError("byte 8: no byte-order magic, so this is not a pcapng section; record it again")
        self.position = 0
        self.interface = 0
        self._log = DamageLog()
        self.damage: list[Damage] = self._log
        self.lost = False
        self.interfaces: list[Interface] = []
        self._use(order)
        self._time_ns = 0
        self._untimed = False
        self.rendered = False
        self._undeclared: set[int] = set()

    @property
    def assumed(self) -> list[str]:
        """What the packets do not say and was taken for granted, in sentences."""
        told = [RENDERED] if self.rendered else []
        if self._untimed:
            # Section 4.4 of the draft: a simple packet block has no time stamp. That is its form, not a fault.
            told.append("packets without a time (simple packet blocks) take the last time known, or 0 before any")
        return told

    def _use(self, order: str) -> None:
        self.order = order
        self._words = struct.Struct(order + "7I").unpack_from
        self._word = struct.Struct(order + "I").unpack_from
        self._chain = Chain(order, length_at=4, constant=0, spread=0)

    def walk(self, data: Any) -> Iterator[Frame]:
        """Yields the packets of whole blocks from ``position`` on."""
        size, position, largest = len(data), self.position, LARGEST_BLOCK
        words, word, order, interfaces = self._words, self._word, self.order, self.interfaces
        time_ns = self._time_ns
        # Interface and upper half of the time seldom change: what follows from them is worked out once per change.
        now_number = now_high = -1
        link_type = scale = divisor = offset_ns = base_ns = 0
        while position + 12 <= size and not self.lost:
            if position + 32 <= size:
                kind, total, number, high, low, captured, original = words(data, position)
                end = position + total
                if (
                    kind == ENHANCED and captured + 32 <= total <= largest and not total & 3 and end <= size
                    and word(data, end - 4)[0] == total and number < len(interfaces)
                ):  # fmt: skip
                    if high != now_high or number != now_number:
                        now_number, now_high, self.interface = number, high, number
                        link_type, _, scale, divisor, offset_ns = interfaces[number]
                        base_ns = (high << 32) * scale + offset_ns
                    if divisor == 1:
                        time_ns = base_ns + low * scale
                    else:
                        time_ns = (high << 32 | low) * scale // divisor + offset_ns
                    at = position + 28
                    position = self.position = end
                    yield time_ns, at, captured, original, link_type, order
                    continue
            self._time_ns = time_ns
            end = self._block_end(data, position)
            if end < 0:
                break
            frame = self._block(data, position, end)
            position = self.position = end
            words, word, order, interfaces = self._words, self._word, self.order, self.interfaces
            now_number = -1
            if frame is not None:
                time_ns = self._time_ns = frame[0]
                yield frame
        self._time_ns = time_ns

    def ordinary(self, data: Any, most: int) -> Block | None:
        """Up to ``most`` enhanced packet blocks from ``position`` on as columns, as far as `walk` would take them as
        they are; None if something else comes next."""
        import numpy as np

        if self.lost or not self.interfaces:
            return None
        raw = np.frombuffer(data, np.uint8)
        starts = self._chain.starts(raw, self.position, most)
        starts = starts[starts + 32 <= len(raw)]
        kind, total, number, high, low, captured, original = words(raw, starts, self.order, 7).astype(np.int64).T
        latest = np.array([_most_ticks(interface) for interface in self.interfaces], np.int64)
        fits = (kind == ENHANCED) & (captured + 32 <= total) & (total <= LARGEST_BLOCK) & (total & 3 == 0)
        fits &= (number < len(latest)) & (high < 1 << 30)
        fits &= (high << 32 | low) <= latest[np.minimum(number, len(latest) - 1)]
        count = len(starts) if fits.all() else int(fits.argmin())
        fits[:count] &= words(raw, starts[:count] + total[:count] - 4, self.order) == total[:count]
        count = len(starts) if fits.all() else int(fits.argmin())
        if not count:
            return None
        self.position = int(starts[count - 1] + total[count - 1])
        kept = (column[:count] for column in (high << 32 | low, starts + 28, captured, original, number))
        ticks, at, captured, original, number = kept
        time_ns = self._times(ticks, number)
        self._time_ns = int(time_ns[-1])
        sources = [(interface.link_type, self.order, index) for index, interface in enumerate(self.interfaces)]
        return Block(time_ns, at, captured, original, number, sources)

    def _times(self, ticks: Column, number: Column) -> Column:
        """Absolute times in ns of packets of these interfaces."""
        import numpy as np

        scale, divisor, offset_ns = (
            np.array([interface[place] for interface in self.interfaces], np.int64)[number] for place in (2, 3, 4)
        )
        return ticks // divisor * scale + ticks % divisor * scale // divisor + offset_ns

    def finish(self, data: Any) -> None:
        """Reports what is left after the last whole block."""
        left = len(data) - self.position
        if left and not self.lost:
            self._log.report(f"byte {self.position}", f"the last block is cut off after {count_of(left, 'byte')}")

    def _block(self, data: Any, position: int, end: int) -> Frame | None:
        """Takes in any block; a packet comes back as a frame. A stretch of damage is passed over."""
        kind = self._kind(data, position)
        if end - position < _SMALLEST.get(kind, 12) or self._total(data, position) != end - position:
            return None
        if kind == SECTION:
            self._section(data, position, end)
        elif kind == INTERFACE:
            self._interface(data, position, end)
        elif kind == STATISTICS:
            self._statistics(data, position, end)
        elif kind == SIMPLE:
            return self._simple(data, position, end)
        elif kind in (ENHANCED, OLD_PACKET):
            return self._packet(data, position, end, kind)
        return None

    def _section(self, data: Any, position: int, end: int) -> None:
        self._use(_order_at(data, position) or self.order)
        self.interfaces = []
        self._undeclared.clear()
        for code, at, length in self._options(data, position + 24, end - 4):
            if code == _COMMENT and length == len(RENDERED) and bytes(data[at : at + length]) == RENDERED.encode():
                self.rendered = True
        major = struct.unpack_from(self.order + "H", data, position + 12)[0]
        if major != 1:
            self._log.report(f"byte {position}", f"a section of version {major}, read as version 1")

    def _interface(self, data: Any, position: int, end: int) -> None:
        link_type, _, snap_length = struct.unpack_from(self.order + "HHI", data, position + 8)
        scale, divisor, offset_ns = 1_000, 1, 0
        for code, at, length in self._options(data, position + 16, end - 4):
            if code == _IF_TSRESOL and length >= 1:
                scale, divisor = _resolution(data[at])
            elif code == _IF_TSOFFSET and length >= 8:
                offset_ns = struct.unpack_from(self.order + "q", data, at)[0] * 1_000_000_000
        if len(self.interfaces) < MOST_INTERFACES:
            self.interfaces.append(Interface(link_type, snap_length, scale, divisor, offset_ns))

    def _statistics(self, data: Any, position: int, end: int) -> None:
        for code, at, length in self._options(data, position + 20, end - 4):
            if code in (_ISB_IFDROP, _ISB_OSDROP) and length >= 8:
                dropped = struct.unpack_from(self.order + "Q", data, at)[0]
                if dropped:
                    self._log.report(f"byte {position}", f"the recorder counted {dropped} records that it lost")

    def _options(self, data: Any, at: int, end: int) -> Iterator[tuple[int, int, int]]:
        """(code, offset of the value, its length) of each option that lies wholly before ``end``."""
        head = struct.Struct(self.order + "HH")
        while at + 4 <= end:
            code, length = head.unpack_from(data, at)
            at += 4
            if code == _OPTION_END or at + length > end:
                return
            yield code, at, length
            at += length + 3 & ~3

    def _packet(self, data: Any, position: int, end: int, kind: int) -> Frame | None:
        _, _, number, high, low, captured, original = self._words(data, position)
        if kind == OLD_PACKET:
            # Appendix A of the draft: interface and drops count share a word.
            number = struct.unpack_from(self.order + "H", data, position + 8)[0]
        interface = self._declared(number, position)
        if interface is None:
            return None
        self.interface = number
        if captured > end - position - 32:
            self._log.report(f"byte {position}", f"a packet claims {captured} bytes, more than its block holds")
            captured = end - position - 32
        time_ns = (high << 32 | low) * interface.scale // interface.divisor + interface.offset_ns
        return time_ns, position + 28, captured, original, interface.link_type, self.order

    def _simple(self, data: Any, position: int, end: int) -> Frame | None:
        interface = self._declared(0, position)
        if interface is None:
            return None
        self._untimed = True
        self.interface = 0
        original = self._word(data, position + 8)[0]
        captured = min(original, end - position - 16, interface.snap_length or original)
        return self._time_ns, position + 12, captured, original, interface.link_type, self.order

    def _declared(self, number: int, position: int) -> Interface | None:
        if number < len(self.interfaces):
            return self.interfaces[number]
        if number not in self._undeclared and len(self._undeclared) < MOST_INTERFACES:
            self._undeclared.add(number)
            self._log.report(
                f"byte {position}", f"a packet of interface {number}, which the section does not declare, is left out"
            )
        return None

    def _kind(self, data: Any, position: int) -> int:
        kind: int = self._word(data, position)[0]
        return kind

    def _total(self, data: Any, position: int) -> int:
        """Total length that the block states in the byte order that holds there; a section brings its own."""
        order = _order_at(data, position)
        total: int = struct.unpack_from((order or self.order) + "I", data, position + 4)[0]
        return total

    def _whole(self, data: Any, position: int) -> int:
        """Where the block at ``position`` ends if both its length fields agree, else -1."""
        if position + 12 > len(data):
            return -1
        if self._kind(data, position) == SECTION and _order_at(data, position) is None:
            return -1
        total = self._total(data, position)
        end = position + total
        if total & 3 or not 12 <= total <= LARGEST_BLOCK or end > len(data):
            return -1
        order = _order_at(data, position) or self.order
        return end if struct.unpack_from(order + "I", data, end - 4)[0] == total else -1

    def _block_end(self, data: Any, position: int) -> int:
        """Where to go on after the block at ``position``: its end, the next whole block if this one is damaged, or
        -1 to wait for more."""
        end = self._whole(data, position)
        if end >= 0:
            return end
        total = self._total(data, position)
        end = position + total
        found = self._search(data, position + 4)
        if not total & 3 and found >= end > position and self._whole(data, end) >= 0:
            self._log.report(f"byte {position}", "the two length fields of a block disagree; the first one holds")
            return end
        if found >= 0:
            skipped = found - position
            self._log.report(f"byte {position}", f"a block that cannot be right; skipped {skipped} bytes")
            return found
        if total > LARGEST_BLOCK and len(data) - position > SEARCH:
            self.lost = True
            self._log.report(
                f"byte {position}", f"a block that cannot be right, and no whole one in the next {SEARCH} bytes"
            )
        return _WAIT

    def _search(self, data: Any, start: int) -> int:
        """The first whole block of a known type from ``start`` on that has another behind it or ends the data; else -1.
        One block alone would not do: file contents can look like one."""
        pattern = _LITTLE if self.order == "<" else _BIG
        for match in pattern.finditer(data, start, min(len(data), start + SEARCH + 12)):
            place = match.start()
            end = self._whole(data, place)
            if end - place >= _SMALLEST.get(self._kind(data, place), 12) and self._follows(data, end):
                return place
        return -1

    def _follows(self, data: Any, position: int) -> bool:
        """Whether a whole block stands here, or one that only the end of the data cuts off."""
        if position + 12 > len(data) or self._whole(data, position) >= 0:
            return True
        total = self._total(data, position)
        return not total & 3 and 12 <= total <= LARGEST_BLOCK and position + total > len(data)


# Type 1-6 or 10 and a total length below 2**25, or a section header.
_LITTLE = re.compile(rb"(?=[\x01-\x06\x0a]\x00{3}...[\x00\x01]|\x0a\x0d\x0d\x0a)", re.DOTALL)
_BIG = re.compile(rb"(?=\x00{3}[\x01-\x06\x0a][\x00\x01]...|\x0a\x0d\x0d\x0a)", re.DOTALL)


def _order_at(data: Any, position: int) -> str | None:
    """Byte order of the section header at ``position``; None if there is none."""
    if data[position : position + 4] != b"\x0a\x0d\x0d\x0a" or position + 12 > len(data):
        return None
    magic = bytes(data[position + 8 : position + 12])
    return {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}.get(magic)


def _most_ticks(interface: Interface) -> int:
    """The latest time of an interface that can be worked out in 64 bits, -1 if none can."""
    _, _, scale, divisor, offset_ns = interface
    if divisor * scale >= 1 << 62 or abs(offset_ns) >= 1 << 62:
        return -1
    return min((1 << 62) // scale * divisor, (1 << 62) - 1)


def _resolution(value: int) -> tuple[int, int]:
    """Nanoseconds per tick as a fraction, from if_tsresol: 10^-n, or 2^-n with the top bit set."""
    power = value & 0x7F
    if value & 0x80:
        return 1_000_000_000, 1 << power
    return (10 ** (9 - power), 1) if power <= 9 else (1, 10 ** (power - 9))
