"""One side of a comparison: what a capture shows of one storage device, as steps and as sums."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from sticktrace.bus.events import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.comparison.steps import NO_STATUS, TROUBLE, UNSEEN, Folding, Step
from sticktrace.session import Capture
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.sticks import kind_of
from sticktrace.sticks.wire_time import WireTime, added_up
from sticktrace.transport.items import PASSED, UNTOLD, Direction, Exchange, Item
from sticktrace.volume.ledger import Ledger


@dataclass(slots=True)
class Sums:
    """Counts over one device: commands, senses, requests and events by name; commands that did not pass; stalls;
    the medium's bytes each way, and the most that one command moved; commands whose data is not
    wholly captured; the time inside commands, and inside READs and WRITEs that passed; the slowest of these and its
    exchange; the longest time between two of these, and the exchange after it."""

    commands: Counter[str] = field(default_factory=Counter)
    senses: Counter[str] = field(default_factory=Counter)
    requests: Counter[str] = field(default_factory=Counter)
    events: Counter[str] = field(default_factory=Counter)
    failed: int = 0
    stalls: int = 0
    read: int = 0
    written: int = 0
    largest_read: int = 0
    largest_write: int = 0
    cut: int = 0
    busy_ns: int = 0
    read_ns: int = 0
    write_ns: int = 0
    slowest: int = 0
    slowest_ns: int = 0
    pause: int = 0
    pause_ns: int = 0
    medium_end_ns: int = -1

    def see(self, item: Item) -> None:
        """Take in an item."""
        if isinstance(item, BusEvent):
            self.events[item.kind] += 1
        elif isinstance(item, Request) and not item.in_exchange:
            self.requests[item.name] += 1
        if not isinstance(item, Exchange):
            return
        name, medium = kind_of(item)
        self.commands[name] += 1
        self.failed += item.status not in (PASSED, UNTOLD)
        self.stalls += len(item.stalled)
        self.cut += item.truncated
        self.busy_ns += item.duration_ns
        if item.sense is not None:
            key, asc, ascq = item.sense[:3]
            self.senses[f"{key:X}/{asc:02X}/{ascq:02X}"] += 1
        if medium and item.status is PASSED and item.duration_ns > self.slowest_ns:
            self.slowest, self.slowest_ns = item.number, item.duration_ns
        if medium:
            if 0 <= self.medium_end_ns < item.time_ns - self.pause_ns:
                self.pause, self.pause_ns = item.number, item.time_ns - self.medium_end_ns
            self.medium_end_ns = max(self.medium_end_ns, item.end_ns)
        if medium and item.direction is Direction.IN:
            self.read_ns += item.duration_ns
            self.read += item.moved
            self.largest_read = max(self.largest_read, item.moved)
        elif medium and item.direction is Direction.OUT:
            self.write_ns += item.duration_ns
            self.written += item.moved
            self.largest_write = max(self.largest_write, item.moved)

    def add(self, other: Sums) -> None:
        """The sums of a later plugging in on top."""
        self.commands += other.commands
        self.senses += other.senses
        self.requests += other.requests
        self.events += other.events
        for word in ("failed", "stalls", "read", "written", "cut", "busy_ns", "read_ns", "write_ns"):
            setattr(self, word, getattr(self, word) + getattr(other, word))
        if other.slowest_ns > self.slowest_ns:
            self.slowest, self.slowest_ns = other.slowest, other.slowest_ns
        if other.pause_ns > self.pause_ns:
            self.pause, self.pause_ns = other.pause, other.pause_ns
        self.largest_read = max(self.largest_read, other.largest_read)
        self.largest_write = max(self.largest_write, other.largest_write)


@dataclass(slots=True, eq=False)
class Story:
    """A storage device through all its pluggings in: ``stick`` is the last of them. ``rest_ns`` is how long the capture
    goes on after the last step. ``form`` is the form of the capture, ``wire`` what packets add, None
    for a capture of a host."""

    capture: str
    form: str
    stick: Stick
    steps: list[Step]
    sums: Sums
    skipped: int
    rest_ns: int
    wire: WireTime | None = None

    @property
    def title(self) -> str:
        """The stick's name, and where it is."""
        return self.stick.named_place

    @property
    def shows_ports(self) -> bool:
        """Whether the capture shows what happens at the stick's port, or at least its coming back to address 0."""
        return bool(self.sums.events) and any(kind in self.sums.events for kind in ("attached", "reset", "address"))

    @property
    def troubles(self) -> set[tuple[str, str]]:
        """(kind, end) of every step that went wrong."""
        return {(step.kind, step.end) for step in self.steps if step.shade == TROUBLE}


class Telling:
    """Collects the stories of a capture in one pass."""

    def __init__(self, capture: Capture) -> None:
        self.reading = capture.reading()
        self.name = capture.name
        self._ledger = Ledger(self.reading, bring_up_only=True)
        self._foldings: dict[Stick, Folding] = {}
        self._sums: dict[Stick, Sums] = {}
        for item in self.reading:
            stick = self._ledger.see(item)
            self._of(stick).see(item)
            self._sums[stick].see(item)

    def _of(self, stick: Stick) -> Folding:
        found = self._foldings.get(stick)
        if found is None:
            found = self._foldings[stick] = Folding()
            self._sums[stick] = Sums()
        return found

    def stories(self) -> list[Story]:
        """One for each storage device, however often it was plugged in; the one with most commands first. Where there
        is none, one for each device that failed before it said what it is."""
        storage = self._ledger.sticks.listed()
        chains = {id(stick): self._ledger.sticks.plugs(stick) for stick in storage}
        earlier = {id(stick) for chain in chains.values() for stick in chain[:-1]}
        found = [self._story(chains[id(stick)]) for stick in storage if id(stick) not in earlier]
        return sorted(found, key=lambda story: (-story.sums.commands.total(), story.stick.first_ns))

    def _story(self, chain: list[Stick]) -> Story:
        steps: list[Step] = []
        sums = Sums()
        skipped = 0
        for stick in chain:
            folding = self._of(stick)
            steps += folding.steps
            skipped += folding.skipped
            sums.add(self._sums[stick])
        last_ns = max((step.end_ns for step in steps), default=0)
        rest_ns = max(0, self.reading.reader.last_ns - last_ns)
        if steps and steps[-1].end == NO_STATUS and not rest_ns:
            steps[-1].end, steps[-1].shade = "status not seen before the capture ends", UNSEEN
        wire = added_up(one.wire for one in chain)
        return Story(self.name, self.reading.reader.form, stick, steps, sums, skipped, rest_ns, wire)
