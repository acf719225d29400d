"""What is known of a transfer while it is under way, and of waiting that does not belong to one yet."""

from __future__ import annotations

from typing import Any

from sticktrace.capture.packets.steps import Step
from sticktrace.capture.packets.told import Pace
from sticktrace.capture.wire import Moved, Wire

_NOTHING_YET = -1

STRIKES = 3
"""Attempts in a row that fail before a host controller gives up (10.2.6)."""


class Wait:
    """Answers NAK that do not belong to a transfer yet: which one, the next step tells. ``since_ns`` is the first of a
    row that nothing has ended, -1 if none is under way, ``offered`` the last that had data to offer."""

    __slots__ = ("began_ns", "count", "ended_ns", "last_number", "ns", "number", "offered", "since_ns")

    def __init__(self) -> None:
        self.count = self.ns = 0
        self.began_ns = self.ended_ns = self.since_ns = self.number = self.last_number = _NOTHING_YET
        self.offered: Step | None = None

    @property
    def length_ns(self) -> int:
        """Time spent in it so far."""
        return self.ns + (self.ended_ns - self.since_ns if self.since_ns >= 0 else 0)

    @property
    def interval_ns(self) -> int:
        """How far apart the host asked, on average."""
        return (self.ended_ns - self.began_ns) // (self.count - 1) if self.count > 1 else 0

    def _begin(self, time_ns: int, number: int) -> None:
        if self.began_ns < 0:
            self.began_ns, self.number = time_ns, number

    def goes_on(self, step: Step) -> None:
        """NAK, and no other step of the pipe follows at once."""
        self._begin(step.began_ns, step.number)
        self.count += step.waits
        if self.since_ns < 0:
            self.since_ns = step.began_ns
        self.ended_ns, self.last_number = step.ended_ns, step.last_number
        if step.size >= 0:
            self.offered = step

    def is_over(self, step: Step) -> None:
        """Another answer came, maybe after some more NAK."""
        if step.waits:
            self.count += step.waits
            self.ns += step.wait_ns
            if step.wait_began_ns >= 0:
                self._begin(step.wait_began_ns, step.wait_number)
                self.ended_ns, self.last_number = step.wait_ended_ns, step.wait_last_number
        if self.since_ns >= 0:
            self.ns += (step.wait_began_ns if step.wait_began_ns >= 0 else step.began_ns) - self.since_ns
            self.since_ns = _NOTHING_YET


class UnderWay:
    """A transfer under way. ``runs`` are (offsets of packets' data, bytes in each) as far as all is readable,
    ``captured`` their bytes; ``moved`` counts what went over. ``gap`` counts packets that must have gone over and are
    not in the recording, ``strikes`` attempts in a row that failed, ``cause`` why the last one did; ``offered``
    is data that was sent and not taken. ``count`` data packets had the PIDs ``toggle`` to ``last_toggle`` and went over
    from ``data_ns`` to ``data_end_ns``. ``unsure``: answers may be left out of the recording."""

    __slots__ = (
        "bytes", "captured", "cause", "count", "data_end_ns", "data_ns", "first_ns", "first_number", "gap", "holed",
        "last_ns", "last_number", "last_toggle", "moved", "nak_ns", "naks", "offered", "packets", "repeats", "retries",
        "runs", "strikes", "toggle", "unseen", "unsure",
    )  # fmt: skip

    def __init__(self) -> None:
        self.first_ns = self.first_number = self.last_ns = self.last_number = _NOTHING_YET
        self.runs: list[tuple[Any, int]] = []
        self.moved = self.captured = self.packets = self.bytes = self.gap = 0
        self.count = self.toggle = self.last_toggle = self.data_ns = self.data_end_ns = 0
        self.holed = self.unsure = False
        self.naks = self.nak_ns = self.retries = self.repeats = self.unseen = self.strikes = 0
        self.cause = ""
        self.offered: Step | None = None

    def _begin(self, time_ns: int, number: int) -> None:
        if self.first_ns < 0 or number < self.first_number:
            self.first_ns, self.first_number = time_ns, number
            self._reach(time_ns, number)

    def _reach(self, time_ns: int, number: int) -> None:
        if number > self.last_number:
            self.last_ns, self.last_number = time_ns, number

    def touch(self, step: Step) -> None:
        """A transaction belongs here. One that was in doubt may be older than what is known already."""
        self._begin(step.began_ns, step.number)
        self._reach(step.ended_ns, step.last_number)

    def waited(self, wait: Wait) -> None:
        """Waiting belongs here."""
        if wait.count:
            self._begin(wait.began_ns, wait.number)
            self.offered = wait.offered or self.offered
            self.naks += wait.count
            self.nak_ns += wait.length_ns
            self._reach(wait.ended_ns, wait.last_number)

    def recovered(self) -> None:
        """The other side answered: attempts that failed before are retries now."""
        self.retries += 0 if self.waited_unseen else self.strikes
        self.strikes, self.unsure = 0, False

    @property
    def waited_unseen(self) -> bool:
        """Whether more questions in a row had no answer than a host controller asks in vain (10.2.6): they must have
        been answered NAK, which the recording leaves out."""
        return self.unsure and self.strikes > STRIKES

    def passed(self, step: Step) -> None:
        """Packets that count."""
        self.packets += step.packets
        self.bytes += step.bytes

    def add(self, step: Step, places: Any, full: int) -> None:
        """Data that counts. What was not seen before it was full: less would have ended the transfer."""
        self.moved += self.gap * full
        self.holed = self.holed or self.gap > 0
        self.gap = 0
        self.offered = None
        self.passed(step)
        if not self.count:
            self.toggle, self.data_ns = step.toggle, step.began_ns
        self.count += step.length
        self.last_toggle, self.data_end_ns = step.last_toggle, step.ended_ns
        self.moved += step.size * step.length
        if not self.holed and step.captured:
            self.runs.append((places, step.captured))
            self.captured += step.captured * step.length
        self.holed = self.holed or step.captured < step.size

    @property
    def records(self) -> tuple[int, ...]:
        """First and last packet, as `Transfer.records`."""
        first, last = self.first_number, self.last_number
        return (first,) if first == last else (first, last)

    def wire(self, short: bool, endpoint: int, pace: Pace | None) -> Wire:
        """What packets add, on an endpoint of a bus that is as fast as this, if that is known."""
        moved: tuple[Moved, ...] = ()
        if self.count:
            frames = (self.data_end_ns - self.data_ns) // pace.frame_ns + 1 if pace else 0
            moved = (Moved(endpoint, self.count, frames, self.toggle, self.last_toggle),)
        bus_ns = pace.time_ns(self.packets, self.bytes) if pace else 0
        retries = self.retries + self.strikes
        return Wire(
            self.packets, self.naks, self.nak_ns, retries, self.repeats, self.unseen, short, bus_ns, moved
        )  # fmt: skip
