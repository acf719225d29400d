"""How long a packet waited for its answer, in columns: longer than the other side listens, it was in vain (USB 2.0
7.1.18, 7.1.19).

A recorder may stamp a packet at its first bit or at its last, and does not say which. An answer that is shorter than
what it answers can be judged either way, its wait being no shorter than it seems; data behind a token only where some
data packet shows that stamps are those of first bits. And a clock by which a good part of the answers comes too late,
on a bus that works, says nothing of the bus.
"""

from __future__ import annotations

from typing import Any

from sticktrace.capture.packets.columns import Packets
from sticktrace.capture.packets.events import MOST_KEPT, WireEvent
from sticktrace.capture.packets.told import Pace
from sticktrace.capture.packets.transactions import DAMAGED, NOT_SPLIT, Transactions
from sticktrace.codes import pids

Column = Any

_FINEST_NS = 100
"""A coarser clock cannot tell 18 bit times of full speed, 1.5 us, from fewer."""

_LONG = 64
"""A data packet of so many bytes takes far longer than any answer may wait."""

_FAR = 8
"""What comes so many times later than anybody listens answers something else: packets in between are missing."""

_FEW = 10
"""Late answers are told where at most one in so many is late."""


class Tally:
    """Answers, how many of them came too late, and the first of these."""

    def __init__(self) -> None:
        self.answers = self.count = 0
        self.late: list[WireEvent] = []


class Turns:
    """The waits of one bus segment: ``_data`` those for data behind a token, which count only once it is known which
    bit of a packet is stamped, ``_rest`` all others."""

    def __init__(self) -> None:
        self._at_first_bit = False
        self._data, self._rest = Tally(), Tally()

    def take(self, packets: Packets, found: Transactions, pace: Pace | None, tick_ns: int) -> None:
        """A stretch of transactions."""
        if pace is None or tick_ns > _FINEST_NS or not len(found.first):
            return
        plain = (found.split == NOT_SPLIT) & (found.fate != DAMAGED) & (found.token != pids.EXT)
        plain &= ~packets.low[found.first]
        data, closed = plain & (found.data >= 0), plain & (found.answer != 0)
        came = data & (found.token == pids.IN)
        at_once = ((found.token == pids.IN) & (found.answer != pids.ACK)) | (found.token == pids.PING)
        self._learn(packets, found.first[came], found.data[came], pace)
        for kind, tally, which, before, after in (
            ("late answer", self._data, came, found.first, found.data),
            ("late handshake", self._rest, came & closed, found.data, found.last),
            ("late answer", self._rest, data & ~came & closed, found.data, found.last),
            ("late answer", self._rest, closed & ~data & at_once, found.first, found.last),
        ):
            self._judge(kind, tally, packets, found, which, before[which], after[which], pace)

    def _learn(self, packets: Packets, token: Column, data: Column, pace: Pace) -> None:
        """Data that comes sooner behind its token than it lasts was stamped when it began."""
        if self._at_first_bit or not len(token):
            return
        apart, size = packets.time_ns[data] - packets.time_ns[token], packets.size[data]
        self._at_first_bit = bool(((size >= _LONG) & (apart > 0) & (apart < size * 8 * pace.bit_ps // 1000)).any())

    def _judge(
        self, kind: str, tally: Tally, packets: Packets, found: Transactions, which: Column, before: Column,
        after: Column, pace: Pace,
    ) -> None:  # fmt: skip
        """Which answers came after the time that the other side listens."""
        lasted = (8 * packets.size[before] + pace.around) * pace.bit_ps // 1000
        wait = packets.time_ns[after] - packets.time_ns[before] - lasted
        late = ((wait > pace.patience_ns) & (wait < _FAR * pace.patience_ns)).nonzero()[0]
        tally.answers += len(wait)
        tally.count += len(late)
        for at in late[: MOST_KEPT - len(tally.late)].tolist():
            row, one = after[at], which.nonzero()[0][at]
            endpoint = int(found.endpoint[one]) | (found.token[one] == pids.IN) << 7
            tally.late.append(
                WireEvent(kind, int(packets.time_ns[row]), int(packets.number[row]), int(packets.at[row]),
                          int(found.address[one]), endpoint, int(packets.size[row]), int(wait[at]))
            )  # fmt: skip

    def late(self) -> list[WireEvent]:
        """The answers that came too late; none where the clock is to blame."""
        tallies = [self._rest, self._data] if self._at_first_bit else [self._rest]
        count, answers = sum(tally.count for tally in tallies), sum(tally.answers for tally in tallies)
        return [event for tally in tallies for event in tally.late] if count * _FEW <= answers else []
