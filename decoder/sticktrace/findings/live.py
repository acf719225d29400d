"""What becomes of a capture while it comes: the ladder as it is climbed, and the diagnosis of what has come so far."""

from __future__ import annotations

import time
from threading import Thread
from typing import NamedTuple

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.capture.transfer import CONTROL, Transfer
from sticktrace.errors import SticktraceError
from sticktrace.findings.catalogue import RULES
from sticktrace.findings.ladder import Rung, ladder
from sticktrace.findings.scene import Scene
from sticktrace.findings.verdict import Diagnosis, conclude, diagnose
from sticktrace.following import Following
from sticktrace.session import Reading
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.transport.items import Exchange, Item, Saying, Stray

SHARE = 4
"""After a diagnosis of what has come so far, the next one waits this many times as long as it took."""

HANGS_S = 5.0
"""Seconds after which something under way is said to hang; few hosts wait longer (common practice)."""


class Climb(NamedTuple):
    """A stick has reached a stage."""

    stick: Stick
    rung: Rung


class Account:
    """Takes the items of one pass, in order, and tells which stages they reach."""

    def __init__(self, reading: Reading) -> None:
        self.scene = Scene(reading, RULES)
        self._heights: dict[Stick, int] = {}
        self._told: dict[Stick, set[Stage]] = {}

    def see(self, item: Item) -> list[Climb]:
        """One item; returns the stages that its stick, or what may be one, has reached with it."""
        stick = self.scene.see(item)
        if stick.height == self._heights.get(stick, 0) or stick.is_hub or (stick.known and not stick.is_storage):
            return []
        self._heights[stick] = stick.height
        told = self._told.setdefault(stick, set())
        fresh = stick.reached.keys() - told
        told |= fresh
        return [Climb(stick, rung) for rung in ladder(stick, self.scene) if rung.stage in fresh] if fresh else []

    def reached(self, stage: Stage) -> bool:
        """Whether any stick has reached a stage."""
        return any(stage in told for told in self._told.values())

    def conclude(self) -> Diagnosis:
        """The diagnosis: nothing more will come."""
        return conclude(self.scene)


def in_trouble(item: Item) -> bool:
    """Whether an item may be what a verdict is about."""
    if isinstance(item, Exchange):
        return not item.went_well
    if isinstance(item, Request):
        return item.result not in ("done", "not seen")
    if isinstance(item, BusEvent):
        return item.kind in (Happening.DETACHED, Happening.OVER_CURRENT, Happening.DEVICE_ERROR)
    return isinstance(item, Stray) or (isinstance(item, Saying) and bool(item.statement.fails))


class SoFar:
    """The diagnosis of what has come so far: what `diagnose` says of it, by a pass of its own in a thread of its own,
    and never so often that it takes more than a fifth of the time."""

    def __init__(self, following: Following) -> None:
        self._following = following
        self._thread: Thread | None = None
        self._found: Diagnosis | None = None
        self._not_before = 0.0

    def ask(self) -> bool:
        """Begin one, unless one is under way or came just now; returns whether it was begun."""
        if (self._thread is not None and self._thread.is_alive()) or time.monotonic() < self._not_before:
            return False
        self._thread = Thread(target=self._make, daemon=True, name="verdict so far")
        self._thread.start()
        return True

    def take(self) -> Diagnosis | None:
        """The one that is ready, once."""
        found, self._found = self._found, None
        return found

    def _make(self) -> None:
        began = time.monotonic()
        try:
            reading = self._following.fresh()
            self._found = None if reading is None else diagnose(reading)
        except SticktraceError:
            return  # the capture was closed, or cut short: whoever reads it says so
        finally:
            now = time.monotonic()
            self._not_before = now + SHARE * (now - began)


class Pending:
    """What has begun and has no end yet, for as long as nothing comes."""

    def __init__(self) -> None:
        self._since: dict[int, tuple[Item | Transfer, float, bool]] = {}

    @property
    def hangs(self) -> bool:
        """Whether anything of it hung at the last look."""
        return any(hung for _, _, hung in self._since.values())

    def look(self, reading: Reading) -> list[tuple[Item | Transfer, bool]]:
        """What is new among it, and what has waited so long by now that it hangs; the flag tells which."""
        now, before = time.monotonic(), self._since
        self._since, told = {}, []
        for one in _begun(reading):
            known, since, hung = before.get(id(one), (one, now, False))
            hangs = now - since > HANGS_S
            if id(one) not in before or (hangs and not hung):
                told.append((known, hangs))
            self._since[id(one)] = (known, since, hangs)
        return told


def _begun(reading: Reading) -> list[Item | Transfer]:
    """Items on their way, and the transfers that are none yet: control requests, and what goes to a device that has no
    exchange under way."""
    items: list[Item | Transfer] = [*reading.router.out.waiting()]
    busy = {(item.bus, item.address) for item in items if isinstance(item, Exchange)}
    return items + [t for t in reading.reader.waiting() if t.kind == CONTROL or not _told(t, busy)]


def _told(transfer: Transfer, busy: set[tuple[int, int]]) -> bool:
    """Whether a bulk transfer belongs to an exchange that is under way, or, as a read, only waits for one."""
    return transfer.incoming or (transfer.bus, transfer.address) in busy
