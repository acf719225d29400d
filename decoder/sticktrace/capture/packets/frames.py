"""Start-of-frame packets, in columns: how fast the bus is, which frames are missing, and where it fell silent.

A reset, suspend or resume is no packet. What shows is silence: a bus that had frames has none for 3 ms or more (USB 2.0
7.1.7.6). The traffic behind it tells more: an address 0 means that a device was reset, the old addresses that none was.
That is inferred, and said so by the kind of event.
"""

from __future__ import annotations

from collections import deque
from typing import Any

from sticktrace.capture.packets import told
from sticktrace.capture.packets.columns import Packets
from sticktrace.capture.packets.counts import Counts
from sticktrace.capture.packets.events import WireEvent

Column = Any

SILENCE_NS = 3_000_000
"""Idle for longer than this, a device suspends (7.1.7.6)."""

FRAME_NS, MICROFRAME_NS = 1_000_000, 125_000
_BETWEEN_NS = 500_000
_SOON_NS = 2 * FRAME_NS
"""A change of pace this soon after silence came with what ended it."""

_RECENT, _MOST_CHANGES = 64, 64
_SURE = 17
"""So many frames hold one number twice at least, if the bus is at high speed, whatever is missing."""
_WORD = 0x7FF


class Frames:
    """What the frames of one bus tell. ``speed`` is "full" or "high" by their distance, "" before two were seen."""

    def __init__(self, counts: Counts) -> None:
        self.report = counts.report
        self.count = 0
        self.speed = ""
        self.silences: deque[tuple[int, WireEvent]] = deque()
        self._last: WireEvent | None = None
        self._frame = self._frame_ns = -1
        self._faster: list[int] = []
        self._repeats: Column = []

    def take(self, packets: Packets, is_frame: Column) -> None:
        """A stretch of packets, the frames among them marked."""
        if not len(packets.at):
            return
        self._silence(packets, is_frame)
        if is_frame.any():
            self._numbers(packets.only(is_frame))

    def _silence(self, packets: Packets, is_frame: Column) -> None:
        import numpy as np

        time_ns = packets.time_ns
        before = self._last.time_ns if self._last else int(time_ns[0])
        # Without frames, silence means nothing: recorders can leave them out.
        first = 0 if self.count else int(is_frame.argmax()) + 1 if is_frame.any() else len(time_ns)
        rows = np.flatnonzero(np.diff(time_ns, prepend=before) > SILENCE_NS)
        for row in rows[rows >= first].tolist():
            start = int(time_ns[row - 1]) if row else before
            event = _event("silence", packets, row, int(time_ns[row]) - start)
            self.report(event)
            self.silences.append((start, event))
        self._last = _event("", packets, len(time_ns) - 1, 0)

    def _numbers(self, frames: Packets) -> None:
        """Numbers that do not follow each other, and how far apart frames are."""
        import numpy as np

        number, time_ns = (frames.word & _WORD).astype(np.int64), frames.time_ns
        self.count += len(number)
        if self._frame >= 0:
            number, time_ns = np.append(self._frame, number), np.append(self._frame_ns, time_ns)
        steps, apart = np.diff(number) & _WORD, np.diff(time_ns)
        self._measure(steps, apart, time_ns[1:])
        gone = steps - np.maximum(steps > 0, 1)
        # Frames that fell into silence were not sent, and a number that goes back is another host's count.
        missing = (gone > 0) & (apart <= SILENCE_NS)
        if missing.any():
            row = int(missing.argmax()) + len(frames.at) - len(steps)
            self.report(_event("frames missing", frames, row, int(gone[missing].sum())), int(missing.sum()))
        self._frame, self._frame_ns = int(number[-1]), int(time_ns[-1])

    def _measure(self, steps: Column, apart: Column, time_ns: Column) -> None:
        """The speed: at high speed a number comes eight times (8.4.3.1), and where there are few, the latest distances
        tell. Where frames became eight times as frequent is remembered."""
        import numpy as np

        told_by = (apart > 0) & (apart < 2 * FRAME_NS)
        high, time_ns = apart[told_by] < _BETWEEN_NS, time_ns[told_by]
        faster = np.diff(high.astype(np.int8), prepend=np.int8(self.speed != told.FULL)) > 0
        self._faster += time_ns[faster].tolist()[:_MOST_CHANGES]
        del self._faster[:-_MOST_CHANGES]
        self._repeats = np.concatenate((self._repeats, steps[-_RECENT:] == 0))[-_RECENT:]
        recent = self._repeats if len(self._repeats) >= _SURE else high[-_RECENT:]
        if len(recent):
            self.speed = told.HIGH if recent.sum() * 2 > len(recent) else told.FULL

    def followed_by(self, address: int, time_ns: int) -> int:
        """The first traffic after a silence went to this address. Returns how long the silence was, 0 for none."""
        quiet_ns = 0
        while self.silences and self.silences[0][1].time_ns <= time_ns:
            start, event = self.silences.popleft()
            if address == 0:
                self.report(event._replace(kind="reset", time_ns=start))
                if any(0 <= faster - event.time_ns < _SOON_NS for faster in self._faster):
                    self.report(event._replace(kind="high-speed handshake"))
            else:
                self.report(event._replace(kind="suspend", time_ns=start, value=event.value))
                self.report(event._replace(kind="resume"))
            quiet_ns = max(quiet_ns, event.value)
        return quiet_ns


def _event(kind: str, packets: Packets, row: int, value: int) -> WireEvent:
    return WireEvent(
        kind, int(packets.time_ns[row]), int(packets.number[row]), int(packets.at[row]), size=int(packets.size[row]),
        value=value,
    )  # fmt: skip
