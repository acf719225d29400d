"""Where packets end that become no transfer, and the events that show without looking at them one after the other."""

from __future__ import annotations

from collections import Counter
from typing import Any

from sticktrace.capture.packets import columns
from sticktrace.capture.packets.attempts import UNDER_WAY, WAITING
from sticktrace.capture.packets.columns import Packets
from sticktrace.capture.packets.events import MOST_KEPT, WireEvent, WireEvents
from sticktrace.capture.packets.transactions import ASIDE, DAMAGED, WAITED, Transactions, outside
from sticktrace.codes import pids

Column = Any

FRAMES, PRECEDED = "start of frame (SOF)", "PRE before low-speed packets"
READY, LINK_POWER = "PING answered ACK", "link power management"
BAD_TOKENS, BAD_PACKETS = "damaged tokens and what follows them", "damaged packets outside any transaction"
STRAY = "data and handshakes without a token before them"


class Counts:
    """Of one bus segment. ``places`` counts packets by place in words, ``not_understood`` those of which nothing can be
    made, by reason; both, and the events, are shared by all segments of a recording."""

    def __init__(self, bus: int, events: WireEvents, places: Counter[str], not_understood: Counter[str]) -> None:
        self.bus, self.events = bus, events
        self.places, self.not_understood = places, not_understood

    def report(self, event: WireEvent, times: int = 1) -> None:
        """An event of this segment, or so many alike."""
        self.events.report(event._replace(bus=self.bus), times)

    def count(self, place: str, packets: int) -> None:
        """Packets that belong to no transfer, though they are understood."""
        if packets:
            self.places[place] += packets

    def _lost(self, reason: str, packets: int) -> None:
        if packets:
            self.not_understood[reason] += packets

    def aside(self, found: Transactions) -> None:
        """Transactions that go no further."""
        size = found.last - found.first + 1
        self.count(WAITING, int(size[found.fate == WAITED].sum()))
        self._lost(BAD_TOKENS, int(size[found.fate == DAMAGED].sum()))
        aside = found.fate == ASIDE
        ready, extended = aside & (found.token == pids.PING), aside & (found.token == pids.EXT)
        self.count(READY, int(size[ready].sum()))
        self.count(LINK_POWER, int(size[extended].sum()))
        self.count(UNDER_WAY, int(size[aside & ~ready & ~extended].sum()))

    def strays(self, packets: Packets, found: Transactions) -> None:
        """Packets outside every transaction."""
        import numpy as np

        rows = outside(packets, found)
        if not len(rows):
            return
        pre, bad = packets.kind[rows] == columns.PRE, packets.fault[rows] != columns.GOOD
        self.count(PRECEDED, int((pre & ~bad).sum()))
        self._lost(BAD_PACKETS, int(bad.sum()))
        self._lost(STRAY, int((~pre & ~bad).sum()))
        nobody = np.full(len(rows), -1)
        self._report_rows("stray packet", packets, rows[~pre & ~bad], nobody, nobody)

    def faults(self, packets: Packets, found: Transactions) -> None:
        """Report damaged packets, each with the pipe whose transaction it is in."""
        import numpy as np

        rows = np.flatnonzero(packets.fault)
        if not len(rows):
            return
        address = endpoint = np.full(len(rows), -1)
        if len(found.first):
            place = np.maximum(np.searchsorted(found.first, rows, side="right") - 1, 0)
            inside = (found.first[place] <= rows) & (rows <= found.last[place]) & (found.fate[place] != DAMAGED)
            inward = (found.token[place] == pids.IN) * 0x80
            address = np.where(inside, found.address[place].astype(np.int64), -1)
            endpoint = np.where(inside, found.endpoint[place].astype(np.int64) | inward, -1)
        for fault in np.unique(packets.fault[rows]).tolist():
            some = packets.fault[rows] == fault
            self._report_rows(columns.FAULTS[fault], packets, rows[some], address[some], endpoint[some])

    def _report_rows(self, kind: str, packets: Packets, rows: Column, address: Column, endpoint: Column) -> None:
        """Report many packets alike: the first ones one by one, the rest by pipe."""
        pipes = Counter(zip(address[MOST_KEPT:].tolist(), endpoint[MOST_KEPT:].tolist(), strict=True))
        for row, where, end in zip(rows[:MOST_KEPT].tolist(), address.tolist(), endpoint.tolist(), strict=False):
            size = int(packets.size[row])
            self.report(WireEvent(kind, int(packets.time_ns[row]), int(packets.number[row]), int(packets.at[row]),
                                  where, end, size))  # fmt: skip
        for (where, end), times in pipes.items():
            self.events.counts[kind, self.bus, where, end] += times
