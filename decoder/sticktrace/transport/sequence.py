"""Keeps what transport yields in time order: an exchange takes its place when its command is seen and leaves when it
is complete, sense included; what came after it waits as long."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any

from sticktrace.transport.exchange import Exchange


class Sequence:
    """A queue that lets items out in the order in which they began."""

    __slots__ = ("_open", "_queue", "numbered", "waits")

    def __init__(self) -> None:
        self.numbered = 0
        self.waits = False
        """Whether the first item's turn has come: a quick look before `ready`."""
        self._queue: deque[Any] = deque()
        self._open: set[int] = set()

    def begin(self, exchange: Exchange) -> None:
        """Take a place for an exchange whose command was just seen, and give it the next number.

        A command is seen when its transfer completes. One of another device that was submitted later may have
        completed before; then the numbers change places, as long as that one is still waiting here.
        """
        self.numbered += 1
        exchange.number = self.numbered
        queue, place = self._queue, len(self._queue)
        self._open.add(id(exchange))
        if not place or queue[-1].time_ns <= exchange.time_ns:
            queue.append(exchange)
            return
        while place and queue[place - 1].time_ns > exchange.time_ns:
            place -= 1
            later = queue[place]
            if isinstance(later, Exchange):
                exchange.number, later.number = later.number, exchange.number
        queue.insert(place, exchange)
        self.waits = id(queue[0]) not in self._open

    def withdraw(self, exchange: Exchange, instead: Any) -> None:
        """What began as an exchange turned out to be none: something else takes its place. Only the newest number can
        be given back, later ones stay."""
        self._open.discard(id(exchange))
        self._queue[self._queue.index(exchange)] = instead
        self.waits = id(self._queue[0]) not in self._open
        if exchange.number == self.numbered:
            self.numbered -= 1
            return
        for item in self._queue:
            if isinstance(item, Exchange) and item.number > exchange.number:
                item.number -= 1
        self.numbered -= 1

    def done(self, exchange: Exchange) -> None:
        """The exchange is complete."""
        self._open.discard(id(exchange))
        if self._queue and self._queue[0] is exchange:
            self.waits = True

    def add(self, item: Any) -> None:
        """An item that is complete when it appears."""
        self._queue.append(item)
        if len(self._queue) == 1:
            self.waits = True

    def ready(self) -> Iterator[Any]:
        """Items whose turn has come."""
        queue, waiting = self._queue, self._open
        while queue and id(queue[0]) not in waiting:
            yield queue.popleft()
        self.waits = False
