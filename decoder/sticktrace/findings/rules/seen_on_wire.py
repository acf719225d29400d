"""Events of the wire sorted by the stick that they concern and by kind, for rules to judge."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from sticktrace.capture.packets.events import WireEvent, WireEvents
from sticktrace.sticks.stick import Stick
from sticktrace.text import count_of


class Seen:
    """All events of one kind that concern one stick: ``count``, the first of them as ``events``, and how many on each
    endpoint (bit 7 for IN; -1 for none)."""

    def __init__(self) -> None:
        self.count = 0
        self.events: list[WireEvent] = []
        self.pipes: Counter[int] = Counter()

    def add(self, endpoint: int, count: int, events: list[WireEvent]) -> None:
        """Events of one endpoint."""
        self.count += count
        self.pipes[endpoint] += count
        self.events = sorted(self.events + events, key=lambda event: event.time_ns)

    @property
    def records(self) -> list[int]:
        """The records that show it."""
        return [event.record for event in self.events]

    @property
    def time_ns(self) -> int:
        """When it was first seen."""
        return self.events[0].time_ns if self.events else 0

    @property
    def where(self) -> str:
        """The endpoints, most first, and the first record: ``endpoint 1 IN, first at record 12``."""
        pipes = [pipe_words(endpoint) for endpoint, _ in self.pipes.most_common(3) if endpoint >= 0]
        first = f"first at record {self.events[0].record}" if self.events else ""
        return ", ".join([*pipes, first])

    def times(self, what: str, plural: str = "") -> str:
        """``3 tokens``."""
        return count_of(self.count, what, plural) if plural else count_of(self.count, what)


class Kinds(dict[str, Seen]):
    """The events of one stick by kind; a kind that was not seen has none."""

    def __missing__(self, kind: str) -> Seen:
        return Seen()

    def total(self, *kinds: str) -> Seen:
        """Several kinds as one."""
        found = Seen()
        for kind in kinds:
            for endpoint, count in self[kind].pipes.items():
                found.add(endpoint, count, [e for e in self[kind].events if e.endpoint == endpoint])
        return found


def pipe_words(endpoint: int) -> str:
    """``endpoint 1 IN``; the default control pipe has no direction of its own."""
    way = "" if not endpoint & 0x0F else " IN" if endpoint & 0x80 else " OUT"
    return f"endpoint {endpoint & 0x0F}{way}"


def by_stick(events: WireEvents, sticks: list[Stick]) -> Iterator[tuple[Stick | None, Kinds]]:
    """Each stick with its events; None with those that concern nobody in particular."""
    kept: defaultdict[tuple[str, int, int, int], list[WireEvent]] = defaultdict(list)
    for event in events:
        kept[event.kind, event.bus, event.address, event.endpoint].append(event)
    found: defaultdict[Stick | None, Kinds] = defaultdict(Kinds)
    for key, count in events.counts.items():
        owners: defaultdict[Stick | None, list[WireEvent]] = defaultdict(list)
        for event in kept[key]:
            owners[_owner(event, sticks)].append(event)
        for owner, some in owners.items():
            # Of events that were not kept the time is not known: they are counted where only one can be meant.
            seen = found[owner].setdefault(key[0], Seen())
            seen.add(key[3], count if len(owners) == 1 else len(some), some)
    yield from found.items()


def _owner(event: WireEvent, sticks: list[Stick]) -> Stick | None:
    """Who had that address then; at address 0, who had come last."""
    if event.address < 0:
        return None
    there = [stick for stick in sticks if stick.bus == event.bus and not stick.by_hearsay]
    mine = [stick for stick in there if event.address in stick.device.addresses or not event.address]
    begun = [stick for stick in mine if stick.first_ns <= event.time_ns]
    if begun:
        return max(begun, key=lambda stick: stick.first_ns)
    return min(mine, key=lambda stick: stick.first_ns, default=None)
