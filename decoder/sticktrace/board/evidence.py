"""What a capture shows of one stick that a board's limits can be held against: one pass, then plain facts."""

from __future__ import annotations

from dataclasses import dataclass, field

from sticktrace.bus.device import Device
from sticktrace.errors import SticktraceError
from sticktrace.session import Reading
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.sticks import Sticks, kind_of
from sticktrace.sticks.wire_time import WireTime, added_up
from sticktrace.storage.commands import describe
from sticktrace.transport.items import INVALID, MISSING, PASSED, PHASE_ERROR, Exchange
from sticktrace.volume.ledger import Ledger
from sticktrace.volume.medium import Medium

_BROKEN = frozenset((MISSING, INVALID, PHASE_ERROR))
_TEST_UNIT_READY, _UNIT_ATTENTION = 0x00, 6
_LINUX_FOUNDATION = 0x1D6B
"""Vendor id of the root hubs that a Linux host shows as devices (kernel documentation)."""


@dataclass(slots=True)
class Seen:
    """Numbers of exchanges are 0 for none, times -1. ``ready_ns`` is when the stick
    was first ready.
    ``slowest`` and ``slowest_ns`` are the longest command. ``moved`` is the most that a READ or WRITE moved soundly,
    ``choked`` the least at which one broke off on the transport, with the exchange."""

    first_ns: int = -1
    last_ns: int = -1
    asked_ready: int = 0
    ready_ns: int = -1
    attention: int = 0
    slowest: int = 0
    slowest_ns: int = -1
    slowest_text: str = ""
    moved: int = 0
    choked: int = 0
    choked_at: int = 0
    empty: set[int] = field(default_factory=set)

    def see(self, item: Exchange) -> None:
        """Take in an exchange."""
        if self.first_ns < 0:
            self.first_ns = item.time_ns
        self.last_ns = max(self.last_ns, item.end_ns)
        if item.opcode == _TEST_UNIT_READY:
            self.asked_ready = self.asked_ready or item.number
        if item.sense is not None:
            self._sense(item)
        if item.duration_ns > self.slowest_ns:
            self.slowest, self.slowest_ns = item.number, item.duration_ns
            self.slowest_text = describe(item.cdb, item.device_type)
        if item.direction != "none":
            self._size(item)

    def add(self, later: Seen) -> None:
        """What a later plugging in showed, on top. How long it took to get ready is that of the later one."""
        self.first_ns, self.last_ns, self.ready_ns = later.first_ns, later.last_ns, later.ready_ns
        self.asked_ready = later.asked_ready or self.asked_ready
        self.attention = self.attention or later.attention
        if later.slowest_ns > self.slowest_ns:
            self.slowest, self.slowest_ns, self.slowest_text = later.slowest, later.slowest_ns, later.slowest_text
        self.moved = max(self.moved, later.moved)
        if later.choked and (not self.choked or later.choked < self.choked):
            self.choked, self.choked_at = later.choked, later.choked_at
        self.empty |= later.empty

    def _sense(self, item: Exchange) -> None:
        assert item.sense is not None
        if item.sense.key == _UNIT_ATTENTION:
            self.attention = self.attention or item.number
        elif item.sense[:2] == (2, 0x3A):
            self.empty.add(item.lun)

    def _size(self, item: Exchange) -> None:
        if not kind_of(item)[1]:
            return
        if item.status == PASSED:
            self.moved = max(self.moved, item.moved)
        elif item.status in _BROKEN and item.expected > 0 and (not self.choked or item.expected < self.choked):
            self.choked, self.choked_at = item.expected, item.number


@dataclass(slots=True)
class Look:
    """One stick of a capture. ``media`` are what its logical units held, by LUN, the last of each. ``others`` are
    storage devices not looked at. ``wire`` is what packets add, None for a capture of a host."""

    stick: Stick
    seen: Seen
    times: dict[str, int]
    media: dict[int, Medium]
    others: list[Stick]
    wire: WireTime | None = None

    @property
    def device(self) -> Device:
        """Its descriptors, as far as read."""
        return self.stick.device

    @property
    def hubs(self) -> int | None:
        """How many hubs stand between the host's own and the stick; None if the capture does not show any hub."""
        if self.device.hub is None:
            return None
        count, hub = 0, self.device.hub
        while count < 8 and not _is_root(hub):
            count += 1
            if hub.hub is None:
                break
            hub = hub.hub
        return count


def _is_root(hub: Device) -> bool:
    """Whether a hub is the host's own: it hangs nowhere, and has the ids of a root hub or, where the capture does not
    show its descriptors, the address 1 (common practice)."""
    return hub.hub is None and (hub.address == 1 if hub.ids is None else hub.ids[0] == _LINUX_FOUNDATION)


def look_at(reading: Reading, device: str = "") -> Look:
    """One pass over a capture, for one stick through all its pluggings in: the one at ``device`` ("1.2"), else the one
    with most commands. Raises SticktraceError if there is none."""
    ledger = Ledger(reading)
    sticks = ledger.sticks
    seen: dict[Stick, Seen] = {}
    for item in reading:
        stick = ledger.see(item)
        if isinstance(item, Exchange):
            seen.setdefault(stick, Seen()).see(item)
    chosen = _chosen(sticks, device)
    chain = sticks.plugs(chosen)
    units = [unit for one in chain for unit in one.units.values()]
    media = {medium.lun: medium for unit in units for medium in ledger.media(unit)}
    whole = Seen()
    for one in chain:
        if one in seen:
            whole.add(seen[one])
    reached = chosen.reached
    if Stage.READY in reached:
        whole.ready_ns = reached[Stage.READY].time_ns
    times = {str(stage): at.time_ns for stage, at in reached.items()}
    others = [stick for stick in sticks.listed() if all(stick is not one for one in chain)]
    return Look(chosen, whole, times, media, others, added_up(one.wire for one in chain))


def _chosen(sticks: Sticks, device: str) -> Stick:
    """The last plugging in of the stick that is asked for, or of the one with most commands in all."""
    storage = [stick for stick in sticks.listed() if stick.is_storage]
    if not storage:
        raise SticktraceError("no storage device in this capture: nothing to hold against a board")
    if device:
        found = [stick for stick in storage if stick.place == device]
        if not found:
            places = ", ".join(stick.place for stick in storage)
            raise SticktraceError(f"no storage device at {device}; there are: {places}")
        return found[-1]
    return max(storage, key=lambda stick: (sum(one.exchanges for one in sticks.plugs(stick)), stick.first_ns))
