"""Keeps what transport yields in time order: an exchange takes its place when its command is seen and leaves when it
is complete, sense included; what came after it waits as long. Numbers are given on leaving, so they have no gaps.

The queue is also where it is settled who a device is: while the bus does not know yet whether a device that is being
reset is one that it has met before, its items wait (`hold`), and get the right device before they leave (`settle`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from sticktrace.bus.device import Device
from sticktrace.transport.items import Exchange, Item

MOST_HELD = 4096
"""So many items wait for it to be told who a device is, then it counts as one not met before; and so many for the end
of a command that was submitted before them."""


class Place:
    """One item in the queue, or what becomes one. ``explained_by`` is the place of the exchange with its sense."""

    __slots__ = ("done", "explained_by", "item")

    def __init__(self, item: Item, done: bool) -> None:
        self.item = item
        self.done = done
        self.explained_by: Place | None = None


class Sequence:
    """A queue that lets items out in the order in which they began. ``waits`` tells whether the first one's turn has
    come; ``numbered`` counts the exchanges that left."""

    __slots__ = ("_held", "_queue", "numbered", "waits")

    def __init__(self) -> None:
        self.numbered = 0
        self.waits = False
        self._queue: deque[Place] = deque()
        self._held: Place | None = None

    def begin(self, place: Place) -> None:
        """Take a place for an exchange whose command was just seen.

        A command is seen when its transfer completes. One of another device that was submitted later may have
        completed before; the earlier submission then goes in front, as long as that one is still here.
        """
        queue = self._queue
        index = len(queue)
        if not index:
            queue.append(place)
            return
        time_ns = place.item.time_ns
        while index and queue[index - 1].item.time_ns > time_ns:
            index -= 1
        queue.insert(index, place)
        self.waits = queue[0].done

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not self._queue

    def pass_by(self, count: int) -> int:
        """So many exchanges leave without having waited, as nothing else does; returns the number of the first."""
        first = self.numbered + 1
        self.numbered += count
        return first

    def done(self, place: Place) -> None:
        """The item at this place is complete."""
        place.done = True
        if self._queue and self._queue[0] is place:
            self.waits = True

    def replace(self, place: Place, item: Item) -> None:
        """What began as an exchange turned out to be something else, which is complete."""
        place.item = item
        self.done(place)

    def add(self, item: Item) -> None:
        """An item that is complete when it appears."""
        place = Place(item, True)
        self._queue.append(place)
        if len(self._queue) == 1:
            self.waits = True
        elif self._held is not None and len(self._queue) > MOST_HELD:
            self.release()

    def hold(self) -> None:
        """From the item added last on, items wait until it is settled who a device is."""
        if self._held is None and self._queue:
            self._held = self._queue[-1]
            self._held.done = False
            self.waits = self._queue[0].done

    def settle(self, provisional: Device, found: Device) -> None:
        """The items of the one device that wait are the other's."""
        for place in self._queue:
            if place.item.device is provisional:
                place.item.device = found

    def release(self) -> None:
        """What waited need wait no longer."""
        held, self._held = self._held, None
        if held is not None:
            self.done(held)

    @property
    def first_ns(self) -> int:
        """When the item began whose turn has come (``waits``)."""
        return self._queue[0].item.time_ns

    @property
    def may_hold(self) -> bool:
        """Whether so few items wait that more may."""
        return len(self._queue) <= MOST_HELD

    def waiting(self) -> list[Item]:
        """What has begun and not left: a command under way, one that waits for its sense, and all that came after."""
        return [place.item for place in self._queue]

    def ready(self) -> Iterator[Item]:
        """Items whose turn has come."""
        while self.waits:
            yield self.take()

    def take(self) -> Item:
        """The first item, whose turn has come (``waits``)."""
        queue = self._queue
        place = queue.popleft()
        self.waits = bool(queue) and queue[0].done
        item = place.item
        if item.__class__ is Exchange:
            self.numbered += 1
            item.number = self.numbered
            if place.explained_by is not None:
                self._tell_source(item, place.explained_by)
        return item

    def _tell_source(self, exchange: Exchange, by: Place) -> None:
        """The number that the exchange at ``by`` is going to have: it stands further back in the queue."""
        number = self.numbered
        for place in self._queue:
            number += isinstance(place.item, Exchange)
            if place is by:
                break
        assert exchange.sense is not None
        exchange.sense = exchange.sense._replace(exchange=number)
