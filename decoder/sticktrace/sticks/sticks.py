"""Every stick of a capture: show it each item once, in order; ask it what is known.

Whose an item is stands in the item. So there is nothing to find out here but what it tells.
"""

from __future__ import annotations

from collections import Counter
from functools import lru_cache

from sticktrace.bus.device import Device
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.sticks import hearing, learning
from sticktrace.sticks.learning import ACCESSES, Read
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.sticks.wire_time import WireTime
from sticktrace.storage.commands import find, head, name
from sticktrace.transport.items import PASSED, Exchange, Item, Saying
from sticktrace.transport.run import Run


def kind_of(item: Exchange) -> tuple[str, str]:
    """Name of a command, and "read" or "write" where it moves the medium's own blocks, else "". Quick enough for every
    exchange of a capture."""
    return _kind_of(head(item.cdb), item.device_type)


@lru_cache(maxsize=4096)
def _kind_of(first: bytes, device_type: int | None) -> tuple[str, str]:
    command = find(first, device_type)
    return name(first, device_type), command.medium if command is not None else ""


class Sticks:
    """``all`` holds every device in order of appearance; `listed` those that a capture of storage traffic is about.
    ``read`` gives payload."""

    def __init__(self, read: Read) -> None:
        self._read = read
        self.all: list[Stick] = []
        self._of: dict[Device, Stick] = {}
        self._units: dict[tuple[Device, int], Unit] = {}

    def see(self, item: Item) -> Stick:
        """Take in an item; returns the stick that it concerns."""
        if item.__class__ is Exchange:
            return self.exchange(item).stick
        stick = self.of(item.device)
        if isinstance(item, Request):
            learning.request(item, stick)
            stick.seen(item.time_ns, item.end_ns)
        elif isinstance(item, BusEvent):
            learning.event(item, stick)
            stick.seen(item.time_ns, item.time_ns if item.kind is Happening.DETACHED else -1)
        elif isinstance(item, Saying):
            if not item.shown:
                hearing.saying(item, stick)
            stick.seen(item.time_ns, item.time_ns)
        else:
            stick.seen(item.time_ns, item.time_ns)
        return stick

    def exchange(self, item: Exchange) -> Unit:
        """Take in an exchange; returns its unit. One READ or WRITE like the last takes about half a microsecond."""
        unit = self._units.get((item.device, item.lun)) or self._unit(item)
        stick = unit.stick
        unit.exchanges += 1
        stick.exchanges += 1
        if item.status is PASSED and unit.reads and item.opcode in ACCESSES and not item.remarks:
            stick.cut_short = False
            learning.access(item, unit)
        else:
            learning.exchange(item, unit, self._read)
        if item.wire is not None:
            stick.wire = stick.wire or WireTime()
            stick.wire.see(item.wire, item.duration_ns, item.number)
        if item.end_ns > unit.last_ns:
            unit.last_ns = item.end_ns
        if item.end_ns > stick.last_ns:
            stick.last_ns = item.end_ns
        stick.last_was_exchange = True
        return unit

    def run(self, run: Run) -> Unit | None:
        """Take in a run of READs and WRITEs to one unit that has been read before; returns the unit. None for any other
        run: its exchanges are to be taken in one by one."""
        unit = self.known_unit(run)
        if unit is None or not unit.reads or unit.ready_ns < 0 or not learning.accesses(run, unit):
            return None
        stick, end_ns = unit.stick, int(run.columns.end_ns.max())
        unit.exchanges += len(run)
        stick.exchanges += len(run)
        unit.last_ns, stick.last_ns = max(unit.last_ns, end_ns), max(stick.last_ns, end_ns)
        stick.cut_short, stick.last_was_exchange = False, True
        return unit

    def unit_of(self, item: Exchange) -> Unit:
        """The unit that an exchange went to."""
        return self._units.get((item.device, item.lun)) or self.of(item.device).unit(item.lun)

    def known_unit(self, item: Exchange | Run) -> Unit | None:
        """The unit of an exchange or of all of a run, None where it is the first of it, or there are several."""
        return self._units.get((item.device, item.lun))

    def of(self, device: Device) -> Stick:
        """What is known of a device."""
        stick = self._of.get(device)
        if stick is None:
            stick = self._of[device] = Stick(device)
            self.all.append(stick)
        return stick

    def _unit(self, item: Exchange) -> Unit:
        unit = self._units[item.device, item.lun] = self.of(item.device).unit(item.lun)
        unit.first_ns = item.time_ns
        unit.stick.seen(item.time_ns, -1)
        return unit

    def in_order(self) -> list[Stick]:
        """Every device in the order in which it was first seen."""
        return sorted(self.all, key=lambda stick: stick.device.first_ns)

    # -- questions -----------------------------------------------------------------------------------------------

    def listed(self) -> list[Stick]:
        """The sticks: what is storage, and what failed before it could say what it is; where there is neither, what
        never said anything. Gives them their numbers."""
        found = [stick for stick in self.all if stick.is_storage or _failed_early(stick)]
        found = found or [stick for stick in self.all if _untold(stick) and stick.brought_up]
        found.sort(key=lambda stick: stick.first_ns)
        places = Counter(stick.place for stick in found)
        for stick in self.all:
            stick.number = 0
        for number, stick in enumerate(found, 1):
            stick.number, stick.shares_place = number, places[stick.place] > 1
        return found

    def plugs(self, stick: Stick) -> list[Stick]:
        """The same stick through every plugging in that the capture shows, up to and with ``stick``."""
        chain = [stick]
        device = stick.device.earlier
        while device is not None and len(chain) <= len(self.all):
            if device in self._of:
                chain.append(self._of[device])
            device = device.earlier
        return chain[::-1]


def _untold(stick: Stick) -> bool:
    """Whether it is no hub and never came far enough to say what it is."""
    return not stick.is_hub and not stick.known and not stick.exchanges


def _failed_early(stick: Stick) -> bool:
    """Whether something went wrong before it could say what it is: a stick that does not come up, perhaps."""
    if not _untold(stick):
        return False
    asked = ("device descriptor", "address", "configuration descriptor", "configuration")
    failed = any(stick.ask(kind).failed for kind in asked)
    return failed or (bool(stick.happened(Happening.RESET)) and not stick.ask("device descriptor").done)
