"""Bytes of a container that no transfer holds: slack, repeated and odd records, records of other networks, what is cut
off or damaged.

Whatever this program makes nothing of could be anything, so it is replaced. Headers stay, since they say how records
follow each other; at the end the copy is walked, and must give the same records.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from itertools import chain, pairwise, zip_longest
from typing import Any

from sticktrace.capture import darwin, windows
from sticktrace.capture.blocks import Frame
from sticktrace.capture.linux import HEADER_SIZES
from sticktrace.capture.packets import SPEEDS
from sticktrace.capture.pcap import LARGEST_RECORD, PcapWalk
from sticktrace.capture.pcapng import PcapngWalk
from sticktrace.capture.transfer import ISOCHRONOUS
from sticktrace.capture.usbmon_stream import HEADER, StreamWalk, order_of
from sticktrace.errors import SticktraceError
from sticktrace.redaction.filler import Scrambler
from sticktrace.redaction.parameters import wrapper

Put = Callable[[int, bytes], None]
"""Bytes of the copy, from a place on, become these."""

_RECORD_HEADER = 16
_STEP = 256
_LONGEST_TOKEN = 4
"""Bytes of a packet that is no data packet (USB 2.0 8.4.2)."""
_ISO_FRAME = {189: 16, 220: 16, 266: 28}
"""Bytes that stand for each frame of an isochronous transfer, in front of its data."""


class Spans:
    """Places of payload that has been decided on: 16 bytes each."""

    def __init__(self, places: Sequence[int] = (), sizes: Sequence[int] = ()) -> None:
        import numpy as np

        starts, lengths = np.array(places, np.int64), np.array(sizes, np.int64)
        order = np.lexsort((lengths, starts))
        self._starts = array("q", starts[order].tobytes())
        self._ends = array("q", np.maximum.accumulate((starts + lengths)[order]).tobytes())

    def gaps(self, low: int, high: int) -> Iterator[tuple[int, int]]:
        """The stretches between two places that none of them holds."""
        index = bisect_right(self._ends, low)
        while low < high and index < len(self._starts) and self._starts[index] < high:
            if self._starts[index] > low:
                yield low, self._starts[index]
            low = max(low, self._ends[index])
            index += 1
        if low < high:
            yield low, high


def _walk(form: str, data: Any) -> PcapWalk | PcapngWalk | StreamWalk:
    return PcapWalk(data) if form == "pcap" else PcapngWalk(data) if form == "pcapng" else StreamWalk(order_of(data))


def replace_rest(form: str, data: Any, spans: Spans, scrambler: Scrambler, put: Put, look: Callable[[], None]) -> int:
    """Replaces it all; returns how many pieces that were. ``look`` is called now and then, and raises when the capture
    is no longer there as it was. What lies between the blocks of pcapng is the business of
    `container`."""
    walk = _walk(form, data)
    end, header = (24, _RECORD_HEADER) if form == "pcap" else (0, 0)
    count = 0
    for number, (frame, following) in enumerate(pairwise(chain(walk.walk(data), (None,)))):
        assert frame is not None
        if not number % _STEP:
            look()
        last = frame[1] + frame[2]
        if following is not None and form == "pcap":
            last = min(last, following[1] - header)  # a record may claim more than it holds
        for low, high in spans.gaps(_payload(frame, data), last):
            count += _replace(frame[4], data, low, high, scrambler, put)
        if form != "pcapng":
            count += _blank(put, data, end, frame[1] - header)
        end = last
    if form != "pcapng":
        count += _blank(put, data, end + _kept_of_tail(walk, data, end), len(data))
    return count


def _kept_of_tail(walk: PcapWalk | PcapngWalk | StreamWalk, data: Any, at: int) -> int:
    """Bytes of the head of a record that is cut off, which stay; 0 for what is no head."""
    if isinstance(walk, StreamWalk):
        return HEADER if order_of(data) and walk.position == at else 0
    stated = int.from_bytes(data[at + 8 : at + 12], "little" if walk.order == "<" else "big")
    return _RECORD_HEADER if stated <= LARGEST_RECORD else 0


def _replace(link_type: int, data: Any, low: int, high: int, scrambler: Scrambler, put: Put) -> int:
    old = bytes(data[low:high])
    known = link_type in HEADER_SIZES or link_type in (249, 266) or link_type in SPEEDS
    kept = wrapper(old)
    new = old[:kept] + scrambler.fill(old[kept:]) if known else bytes(len(old))
    if new == old:
        return 0
    put(low, new)
    return 1


def _blank(put: Put, data: Any, low: int, high: int) -> int:
    """Bytes that are no record become FFh, which nothing takes for the head of one."""
    if low >= high or not any(data[low:high]):
        return 0
    for at in range(low, high, 1 << 20):
        put(at, b"\xff" * (min(high, at + (1 << 20)) - at))
    return 1


def _payload(frame: Frame, data: Any) -> int:
    """Where the payload of a record begins; its end for one whose payload is decided on elsewhere."""
    _, at, captured, _, link_type, order = frame
    end = at + captured
    if link_type in SPEEDS:
        is_data = captured > 0 and data[at] & 3 == 3
        return end if is_data else min(end, at + (1 if captured > _LONGEST_TOKEN else _LONGEST_TOKEN))
    if link_type in HEADER_SIZES:
        return _linux(at, end, HEADER_SIZES[link_type], order, data)
    if link_type == 249:
        return _windows(at, end, data)
    return _darwin(at, end, data) if link_type == 266 else at


def _linux(at: int, end: int, size: int, order: str, data: Any) -> int:
    if end - at < size:
        return at
    frames = 0
    if data[at + 9] == ISOCHRONOUS and size == HEADER_SIZES[220]:
        frames = int.from_bytes(data[at + 60 : at + 64], "little" if order == "<" else "big")
    return min(end, at + size + frames * _ISO_FRAME[220])


def _windows(at: int, end: int, data: Any) -> int:
    size = int.from_bytes(data[at : at + 2], "little")
    if end - at < windows.HEADER_SIZE or not windows.HEADER_SIZE <= size <= end - at:
        return at
    setup = size > windows.HEADER_SIZE and data[at + 22] == 2 and data[at + windows.HEADER_SIZE] == windows.SETUP_STAGE
    return min(end, at + size + windows.SETUP_SIZE * (setup and not data[at + 16] & 1))


def _darwin(at: int, end: int, data: Any) -> int:
    size = data[at + 2] if end - at > 2 else 0
    if end - at < darwin.HEADER_SIZE or not darwin.HEADER_SIZE <= size <= end - at:
        return at
    more = 0
    if data[at + 31] == 0 and data[at + 3 : at + 4] == b"\0":  # a control request that goes down begins with its setup
        more = darwin.SETUP_SIZE
    elif data[at + 31] == 1:
        more = int.from_bytes(data[at + 12 : at + 16], "little") * _ISO_FRAME[266]
    return min(end, at + size + more)


def check_same(form: str, data: Any, copy: Any) -> None:
    """Raises SticktraceError unless both hold the same records, so that none is lost or invented."""
    before, after = _walk(form, data).walk(data), _walk(form, copy).walk(copy)
    for number, (one, other) in enumerate(zip_longest(before, after)):
        if one != other:
            raise SticktraceError(
                f"damaged so that a copy would not hold the same records after the first {number:,}; not written"
            )
