"""What is woven between the exchanges: control requests, what happened to devices, what logs say, and traffic that fits
nowhere."""

from __future__ import annotations

from array import array
from typing import Any

from sticktrace import BusEvent, Kind, Request, Saying

REQUEST, EVENT, STRAY, SAID = 0, 1, 2, 3

MOST = 200_000
"""So many are kept; a capture with more says how many were left out."""

SHOWN_EVENTS = frozenset(("attached", "detached", "reset", "over-current"))
"""Events with a line of their own. The others are seen in the request that made them."""

_BAD_EVENTS = frozenset(("detached", "over-current"))


class Woven:
    """Append items in order, each with the number of exchanges before it."""

    def __init__(self) -> None:
        self.items: list[Any] = []
        self.after = array("q")
        """How many exchanges began before the item."""
        self.kind = array("B")
        self.bad = array("B")
        self.left_out = 0
        self._by_record: dict[int, int] = {}

    def __len__(self) -> int:
        return len(self.items)

    def append(self, item: Any, after: int) -> None:
        """Take an item that is no exchange, if it gets a line."""
        if isinstance(item, Request):
            if item.in_exchange:
                return  # the exchange it recovers accounts for it
            kind, bad = REQUEST, item.result not in ("done", "not seen")
        elif isinstance(item, BusEvent):
            if item.kind not in SHOWN_EVENTS:
                return
            kind, bad = EVENT, item.kind in _BAD_EVENTS
        elif isinstance(item, Saying):
            if item.statement.kind is Kind.NEWS:
                return
            kind, bad = SAID, bool(item.statement.fails) or item.blames is not None
        else:
            kind, bad = STRAY, True
        if len(self.items) >= MOST:
            self.left_out += 1
            return
        events = self._told_by(item) if kind == REQUEST else []
        self._put(item, after, kind, bad)
        for event in events:
            self._put(event, after, EVENT, event.kind in _BAD_EVENTS)

    def _told_by(self, request: Request) -> list[Any]:
        """Takes back the events just put that this request told of, so that they stand after it."""
        count = 0
        while count < len(self.items) and self.kind[-1 - count] == EVENT:
            if self.items[-1 - count].records != request.records:
                break
            count += 1
        events = self.items[len(self.items) - count :]
        for column in (self.items, self.after, self.kind, self.bad):
            del column[len(column) - count :]
        for record in request.records if count else ():
            self._by_record.pop(record, None)
        return events

    def _put(self, item: Any, after: int, kind: int, bad: bool) -> None:
        for record in item.records:
            self._by_record.setdefault(record, len(self.items))
        self.items.append(item)
        self.after.append(after)
        self.kind.append(kind)
        self.bad.append(bad)

    def with_record(self, record: int) -> int | None:
        """The index of the first item that a record belongs to."""
        return self._by_record.get(record)
