"""The lines of logs on their way into a pass over a capture, in the order of the capture's clock."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.events import BusEvent
from sticktrace.bus.hearsay import Hearsay
from sticktrace.capture.logs import Kind, Statement
from sticktrace.session import Reading
from sticktrace.text import time_in_words
from sticktrace.timeline.kinship import Key, keys_of
from sticktrace.transport.items import Exchange, Saying
from sticktrace.transport.saying import exchange_of

if TYPE_CHECKING:
    from sticktrace.timeline.beside import LogBeside

NEVER = 1 << 62
BEFORE_NS, AFTER_NS = 60_000_000_000, 60_000_000_000
"""So long before and after the capture what a log says of others than the capture's devices, and of these, is told."""
GIVE_UP_NS = 5_000_000_000
"""So long is waited for a device to be seen."""
MOST_WAITING = 20_000

_SHOWN = frozenset((
    Kind.PLUGGED, Kind.UNPLUGGED, Kind.RESET, Kind.DESCRIPTOR_ERROR, Kind.ADDRESS_REFUSED, Kind.CONFIGURATION_ERROR,
    Kind.ENUMERATION_FAILED, Kind.IDS, Kind.STRING, Kind.CLASS, Kind.INQUIRY, Kind.CAPACITY, Kind.NO_MEDIUM,
    Kind.PROTECTION, Kind.CACHE, Kind.READY, Kind.NOT_READY, Kind.COMMAND_FAILED, Kind.IO_ERROR, Kind.ABORT,
    Kind.TRANSPORT_ERROR, Kind.STEP, Kind.NEWS, Kind.HUB,
))  # fmt: skip
"""What a capture of the device shows by itself. What a log says of it is told, and judged by what the bus shows."""


class Told(NamedTuple):
    """One thing that a log says: when by the capture's clock, when it is due there (a device must have been seen before
    it is spoken of), items, the log's device that it is about, and the capture's (None where that has none)."""

    time_ns: int
    due_ns: int
    items: tuple[BusEvent | Exchange | Saying, ...]
    about: Device
    key: Key | None


def tell(log: LogBeside, end_ns: int) -> Iterator[Told]:
    """What a log says, in its own order. ``end_ns`` is the capture's last time."""
    bus = Bus()
    hearsay, place = Hearsay(bus), dict[Device, int]()
    for said in log.placed():
        time_ns, words = said.time_ns, _words(log, said)
        said = replace(said, time_ns=max(0, time_ns), records=(), owned=(), log=log.short, line=words)
        device, lun, events = hearsay.take(said)
        for number in range(len(place), len(bus.devices)):
            place[bus.devices[number]] = number
        key = log.kin.get(place[device]) if device is not None else None
        if device is None or time_ns > end_ns + AFTER_NS or (key is None and time_ns < -BEFORE_NS):
            log.left_out += said.kind is not Kind.NEWS
            continue
        saying = Saying(said.time_ns, device.bus, device.address, device, lun, said, ())
        saying.shown = key is not None and said.kind in _SHOWN and 0 <= time_ns <= end_ns
        failed = exchange_of(said, device, lun) if key is None and said.kind is Kind.COMMAND_FAILED else None
        own = (*events, *((failed,) if failed else ())) if key is None else ()
        yield Told(time_ns, max(time_ns, key.first_ns if key else 0), (*own, saying), device, key)


def _words(log: LogBeside, said: Statement) -> str:
    when = f", {time_in_words(-said.time_ns)} before the capture begins" if said.time_ns < 0 else ""
    return f"{said.line} ({log.short} line {said.records[0] if said.records else '?'}{when})"


class Strand:
    """For one pass over a capture: puts what the logs say among its items."""

    def __init__(self, reading: Reading, logs: list[LogBeside], end_ns: int) -> None:
        self._reading = reading
        self._waiting: list[tuple[int, int, Told]] = []
        self._count = 0
        self._sources = [tell(log, end_ns) for log in logs]
        self._next = [next(source, None) for source in self._sources]
        self._known: dict[Key, Device] = {}
        self.due_ns = self._due()

    def _due(self) -> int:
        times = [told.time_ns for told in self._next if told is not None]
        return min([*times, self._waiting[0][0] if self._waiting else NEVER])

    def until(self, time_ns: int | None) -> None:
        """Put what is said up to a time into the pass; all of it for None."""
        limit = NEVER if time_ns is None else time_ns
        for at, source in enumerate(self._sources):
            while (told := self._next[at]) is not None and told.time_ns <= limit:
                self._count += 1
                heapq.heappush(self._waiting, (told.due_ns, self._count, told))
                self._next[at] = next(source, None)
        early = []
        while self._waiting and self._waiting[0][0] <= limit:
            entry = heapq.heappop(self._waiting)
            if not self._put(entry[2], limit - entry[0] > GIVE_UP_NS):
                early.append(entry)
        for entry in early[-MOST_WAITING:]:
            heapq.heappush(self._waiting, entry)
        self.due_ns = self._due()

    def _put(self, told: Told, at_last: bool) -> bool:
        """Add one thing; returns whether the device that it is about is there yet."""
        device = self._device(told.key) if told.key is not None else told.about
        if device is None and not at_last:
            return False
        for item in told.items:
            if device is not None and device is not told.about and isinstance(item, Saying):
                _join(told.about, device, item)
            self._reading.router.out.add(item)
        return True

    def _device(self, key: Key) -> Device | None:
        if key not in self._known:
            self._known = {other: device for device, other in keys_of(self._reading.bus.devices).items()}
        return self._known.get(key)


def _join(told: Device, device: Device, item: Saying) -> None:
    """What a log says of a device of the capture is its own."""
    item.device, item.bus, item.address = device, device.bus, device.address
    if told.heard is not None and device.heard is not told.heard:
        device.heard = told.heard
        device.heard.beside = True
    if told.speed and not device.speed_and_source()[0]:
        device.speed, device.speed_from = told.speed, "the log"
    if item.statement.kind is not Kind.NEWS:
        device.tell(item.time_ns, f"the log says: {item.statement.line}", ())
