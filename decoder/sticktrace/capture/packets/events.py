"""What happened on the wire that no transfer tells: damaged packets, no answer, a repeat that is discarded, silence.

Each is a record of kind, place and numbers; words are made from `KINDS` when they are wanted. A capture can hold
millions of them, so that all are counted and only the first of each kind are kept.
"""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from sticktrace.codes.pids import ACK, DATA0, DATA1, IN, NAK, OUT, SETUP
from sticktrace.text import count_of

TOKENS, TOGGLES = (IN, OUT, SETUP), (DATA0, DATA1)
LISTENED_FOR = (ACK, NAK, *TOKENS, *TOGGLES)
"""PIDs of which it is remembered whether they were recorded at all."""

MOST_KEPT = 1_000
"""Events kept of one kind; `WireEvents.counts` has them all."""

KINDS: dict[str, tuple[str, str]] = {
    # kind: (what it says, clause of USB 2.0)
    "cut packet": ("the recorder cut this packet", ""),
    "pid": ("the two halves of the PID do not complement each other", "8.3.1"),
    "length": ("no packet of this PID has this length", "8.4"),
    "crc5": ("the CRC5 of a token does not fit", "8.3.5.1"),
    "crc16": ("the CRC16 of a data packet does not fit", "8.3.5.2"),
    "stray packet": ("a data or handshake packet without a token before it", "8.5"),
    "no answer": ("a token to which nobody answered", "8.7.2"),
    "no handshake": ("data that nobody acknowledged", "8.7.2"),
    "three strikes": ("three attempts in a row failed: the host controller gives the transfer up", "10.2.6"),
    "repeat": ("data with the toggle and the contents of the data before: the receiver acknowledges and discards it",
               "8.6.4"),
    "toggle": ("the data toggle did not change though the contents did: a packet is not in this recording, or one side "
               "lost count", "8.6"),
    "unseen data": ("an acknowledgement without its data packet: that packet is not in this recording", "8.5"),
    "babble": ("more bytes than the packet or the transfer has room for", "8.7.4"),
    "out of turn": ("a packet that is no answer to the token before it", "8.5"),
    "split error": ("the hub reports that the transaction on the slower bus failed", "11.17.1"),
    "silence": ("no packet for 3 ms or more on a bus that had frames", "7.1.7.6"),
    "reset": ("inferred: a bus reset, as silence was followed by traffic to address 0", "7.1.7.5"),
    "high-speed handshake": ("inferred: the chirps of a high-speed device, as frames became eight times as frequent "
                             "after a reset", "7.1.7.5"),
    "suspend": ("inferred: suspend, as the bus was silent and the devices kept their addresses", "7.1.7.6"),
    "resume": ("inferred: resume, as traffic went on after suspend", "7.1.7.7"),
    "frames missing": ("frame numbers that do not follow each other", "8.4.3"),
    "damage taken": ("a damaged packet that the other side acknowledged: it was right on the wire, the damage is the "
                     "recording's", "8.7.1"),
    "first toggle": ("the first data after the toggle was set back is DATA1", "9.4.5"),
    "changed after NAK": ("what the host sends again after NAK is not what it sent before", "8.6"),
    "late answer": ("an answer of the device later than a host waits", "7.1.19"),
    "late handshake": ("a handshake of the host later than a device waits", "7.1.19"),
    "silent at work": ("inferred suspend while a bulk transfer was under way", "7.1.7.6"),
    "old address": ("a device that has been given an address answers at address 0", "9.1.1.4"),
}  # fmt: skip


class WireEvent(NamedTuple):
    """One happening. ``record`` and ``at`` are the packet's record number and the offset of its first byte, ``address``
    and ``endpoint`` (bit 7 for IN) the pipe or -1, ``size`` the bytes of the packet, ``value`` what the kind counts:
    nanoseconds of silence or of waiting, frames missing, an address; else 0. ``bus`` is the bus segment."""

    kind: str
    time_ns: int
    record: int
    at: int
    address: int = -1
    endpoint: int = -1
    size: int = 0
    value: int = 0
    bus: int = 0


class WireEvents(list[WireEvent]):
    """The events of a capture in the order in which they were understood, the first `MOST_KEPT` of each kind.
    ``counts`` has all, by kind, bus, address and endpoint,
    ``heard`` the PIDs of `LISTENED_FOR` that the recording holds at all, each with its bus: some recorders leave
    some out."""

    def __init__(self) -> None:
        super().__init__()
        self.counts: Counter[tuple[str, int, int, int]] = Counter()
        self.heard: set[tuple[int, int]] = set()
        self._kept: Counter[str] = Counter()

    def report(self, event: WireEvent, times: int = 1) -> None:
        """Count an event (or so many alike), and keep it unless there are very many of its kind."""
        self.counts[event.kind, event.bus, event.address, event.endpoint] += times
        if self._kept[event.kind] < MOST_KEPT:
            self._kept[event.kind] += 1
            self.append(event)

    @property
    def left_out(self) -> str:
        """What whole kind of packet the recorder left out, so that nobody can tell what was said; "" for none."""
        pids_heard = {pid for _, pid in self.heard}
        strays = self.total("stray packet")
        if strays and not pids_heard & set(TOKENS):
            return f"{count_of(strays, 'packet')} of data and handshakes, but no token: whose they are is not known"
        if self.total("unseen data") and not pids_heard & set(TOGGLES):
            return "the recording holds tokens and handshakes, but no data packet"
        return ""

    def silent(self, bus: int) -> list[str]:
        """Which answers the recorder of a bus seems to leave out, in sentences."""
        names = []
        if (bus, ACK) not in self.heard:
            names.append("no ACK: what went over is told by toggles alone, and nobody is blamed for an answer not seen")
        if (bus, NAK) not in self.heard:
            names.append("no NAK: how long a device let the host wait is not known")
        return [f"the packets of bus {bus} hold {name}" for name in names]

    @property
    def lossy(self) -> bool:
        """Whether the recording shows by itself that it lacks packets, or has some that are not as they were."""
        return any(self.total(kind) for kind in ("unseen data", "stray packet", "frames missing", "damage taken"))

    def total(self, kind: str) -> int:
        """How many there were of a kind."""
        return sum(count for (known, *_), count in self.counts.items() if known == kind)
