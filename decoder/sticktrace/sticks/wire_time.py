"""What packets add to the timing of a device: the time lost to NAK, what of the bus its packets took, what lay between
them, how many a frame carried."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sticktrace.capture.wire import Wire

_ADDED = (
    "commands",
    "whole_ns",
    "bus_ns",
    "nak_ns",
    "naks",
    "packets",
    "retries",
    "repeats",
    "unseen",
    "data",
    "frames",
)


@dataclass(slots=True)
class WireTime:
    """Sums over the commands of one device. ``whole_ns`` is the time that they took, ``bus_ns`` what of it the packets
    that count took on the bus (bit stuffing not counted), ``nak_ns`` what passed from a NAK to the answer that came at
    last; ``timed`` tells whether every command has a bus time. ``data`` packets were spread over ``frames``, of the
    transfers with more than one; ``most`` is the largest number to a frame, over a whole transfer."""

    commands: int = 0
    whole_ns: int = 0
    bus_ns: int = 0
    nak_ns: int = 0
    naks: int = 0
    packets: int = 0
    retries: int = 0
    repeats: int = 0
    unseen: int = 0
    data: int = 0
    frames: int = 0
    most: float = 0.0
    timed: bool = True
    longest: int = 0
    longest_ns: int = 0

    def see(self, wire: Wire, whole_ns: int, number: int) -> None:
        """Take in the command of that number."""
        self.commands += 1
        self.whole_ns += whole_ns
        self.bus_ns += wire.bus_ns
        self.nak_ns += wire.nak_ns
        self.naks += wire.naks
        self.packets += wire.packets
        self.retries += wire.retries
        self.repeats += wire.repeats
        self.unseen += wire.unseen
        self.timed = self.timed and wire.bus_ns > 0
        if wire.nak_ns > self.longest_ns:
            self.longest, self.longest_ns = number, wire.nak_ns
        densest = wire.densest
        if densest is not None and densest.packets > 1 and densest.frames:
            self.data += densest.packets
            self.frames += densest.frames
            self.most = max(self.most, densest.packets / densest.frames)

    def add(self, other: WireTime) -> None:
        """The sums of a later plugging in on top."""
        for name in _ADDED:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.timed, self.most = self.timed and other.timed, max(self.most, other.most)
        if other.longest_ns > self.longest_ns:
            self.longest, self.longest_ns = other.longest, other.longest_ns

    @property
    def between_ns(self) -> int:
        """Time in commands in which no packet that counts went over and no NAK was waited for; -1 where no speed is
        known, or where commands overlap."""
        left = self.whole_ns - self.bus_ns - self.nak_ns
        return left if self.timed and left >= 0 else -1

    @property
    def a_frame(self) -> float:
        """Data packets to a frame on average, 0 where none can be counted."""
        return self.data / self.frames if self.frames else 0.0

    def facts(self) -> dict[str, Any]:
        """As JSON says it."""
        return {
            "commands": self.commands, "whole_ns": self.whole_ns, "packets": self.packets, "naks": self.naks,
            "nak_ns": self.nak_ns, "bus_ns": self.bus_ns if self.timed else None,
            "between_ns": None if self.between_ns < 0 else self.between_ns,
            "longest_nak": {"exchange": self.longest, "nak_ns": self.longest_ns} if self.longest else None,
            "retries": self.retries, "repeats": self.repeats, "unseen": self.unseen,
            "packets_a_frame": round(self.a_frame, 2) or None, "most_a_frame": round(self.most, 2) or None,
        }  # fmt: skip


def added_up(parts: Iterable[WireTime | None]) -> WireTime | None:
    """Several of them as one; None where there are none."""
    found = None
    for part in parts:
        if part is not None:
            found = found or WireTime()
            found.add(part)
    return found


def wire_time(wires: Iterable[tuple[Wire, int, int]]) -> WireTime | None:
    """The sums over (wire, time taken, exchange number); None where there are none."""
    found = WireTime()
    for wire, whole_ns, number in wires:
        found.see(wire, whole_ns, number)
    return found if found.commands else None
