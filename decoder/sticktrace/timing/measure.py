"""Where the time goes: per command kind, per direction against the bus ceiling, over time, and up to each stage.

A host capture times whole transfers, so an exchange falls into three phases: the command (CBW submitted to done), the
data (up to the end of the last data transfer) and the status (up to the CSW). What the medium needs for a read hides
in the data phase, for a write in the data or the status phase. Between exchanges of one device lies the host's gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sticktrace.session import Reading
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.sticks import kind_of
from sticktrace.sticks.wire_time import WireTime
from sticktrace.storage.commands import head
from sticktrace.timing.ceiling import Ceiling, ceiling
from sticktrace.timing.flow import Flow, flow_facts
from sticktrace.timing.in_bulk import see_run
from sticktrace.timing.spreads import Course, Kind
from sticktrace.transport.counted import counted
from sticktrace.transport.items import PASSED, Direction, Exchange
from sticktrace.transport.run import Run
from sticktrace.volume.ledger import Ledger

IDLE_NS = 50_000_000
"""A longer gap counts as a pause, in which the host had nothing to ask, not as a delay between commands."""


class StickTiming:
    """The timing of one device from plug to unplug."""

    def __init__(self, stick: Stick) -> None:
        self.stick = stick
        self.kinds: dict[str, Kind] = {}
        self.flows = {"in": Flow("in"), "out": Flow("out")}
        self.course = Course()
        self.pauses = 0
        self.pause_ns = 0
        self._by_head: dict[bytes, Kind] = {}
        self.last: tuple[Kind, Flow | None, int] | None = None

    def see(self, item: Exchange) -> None:
        """Take in an exchange."""
        kind = self.kind_of(item)
        command_ns = item.command_ns if item.command_ns >= 0 else item.time_ns
        phase_ns = max(command_ns, item.data_ns)
        self.gap(item.time_ns)
        kind.count += 1
        kind.bytes += item.moved
        spreads = kind.spreads
        if item.data_ns >= 0:
            spreads["data"].add(command_ns, item.data_ns)
        if item.status_at.actual:
            spreads["status"].add(phase_ns, item.end_ns)
        spreads["whole"].add(item.time_ns, item.end_ns)
        flow = None
        if item.status != PASSED:
            kind.failed += 1
        elif kind.medium and item.moved and item.direction in self.flows:
            flow = self.flows[item.direction]
            self._flow(flow, item, command_ns, phase_ns)
        self.last = kind, flow, item.end_ns

    def kind_of(self, item: Exchange) -> Kind:
        """The kind of command that it is."""
        first = head(item.cdb)
        found = self._by_head.get(first)
        if found is None:
            words, medium = kind_of(item)
            found = self._by_head[first] = self.kinds.setdefault(words, Kind(words, medium != ""))
        return found

    def gap(self, time_ns: int) -> None:
        """The time since the last exchange; commands that overlap, as over UAS, leave none."""
        if self.last is None:
            return
        kind, flow, end_ns = self.last
        gap = time_ns - end_ns
        if gap < 0:
            return
        kind.spreads["gap"].add(end_ns, time_ns)
        if gap > IDLE_NS:
            self.pauses += 1
            self.pause_ns += gap
        elif flow is not None:
            flow.gap_ns += gap

    def pause(self, gaps_ns: Any) -> Any:
        """Counts the pauses among many gaps (a numpy array); returns which they are."""
        paused = gaps_ns > IDLE_NS
        self.pauses += int(paused.sum())
        self.pause_ns += int(gaps_ns[paused].sum())
        return paused

    def _flow(self, flow: Flow, item: Exchange, command_ns: int, phase_ns: int) -> None:
        moved = counted(item)
        flow.bytes += moved
        flow.commands += 1
        flow.transfers += len(item.pieces)
        flow.largest = max(flow.largest, moved)
        flow.command_ns += command_ns - item.time_ns
        flow.data_ns += phase_ns - command_ns
        flow.status_ns += max(0, item.end_ns - phase_ns)
        self.course.add(phase_ns, item.direction is Direction.IN, moved)

    @property
    def wire(self) -> WireTime | None:
        """What packets add; None for a capture of a host."""
        return self.stick.wire

    @property
    def ceiling(self) -> Ceiling | None:
        """What the bus allows at this device's speed and packet size; None where either is not known."""
        return ceiling(self.stick.speed, self.stick.bulk_packet)


@dataclass(slots=True)
class Timing:
    """The timing of a capture: one part for each stick from plug to unplug."""

    parts: list[StickTiming]
    records: int

    def facts(self) -> dict[str, Any]:
        """As JSON says it (kind "timing")."""
        return {"kind": "timing", "devices": [self._part(part) for part in self.parts]}

    def _part(self, part: StickTiming) -> dict[str, Any]:
        stick, top = part.stick, part.ceiling
        return {
            "stick": stick.number,
            "device": stick.place,
            "name": stick.name,
            "ids": stick.ids,
            "speed": stick.speed or None,
            "bulk_packet": stick.bulk_packet or None,
            "ceiling": top._asdict() if top else None,
            "commands": [kind.facts() for kind in part.kinds.values()],
            "flows": [flow_facts(flow, top) for flow in part.flows.values() if flow.commands],
            "pauses": {"count": part.pauses, "sum_ns": part.pause_ns, "longer_than_ns": IDLE_NS},
            "wire": part.wire.facts() if part.wire else None,
            "course": part.course.facts(),
            "stages": list(stick.milestones()),
        }


def _part_of(parts: dict[Stick, StickTiming], stick: Stick) -> StickTiming:
    return parts.get(stick) or parts.setdefault(stick, StickTiming(stick))


def time_of(reading: Reading) -> Timing:
    """One pass over a reading. Memory grows by 32 bytes for each exchange."""
    ledger = Ledger(reading, bring_up_only=True)
    parts: dict[Stick, StickTiming] = {}
    for some in reading.parts():
        if isinstance(some, Run):
            unit = ledger.run(some)
            if unit is not None:
                see_run(_part_of(parts, unit.stick), some)
                continue
        for item in some if isinstance(some, Run) else (some,):
            stick = ledger.see(item)
            if isinstance(item, Exchange) and not item.told:
                _part_of(parts, stick).see(item)
    ordered = [parts.get(stick) or StickTiming(stick) for stick in ledger.sticks.listed()]
    return Timing(ordered, reading.records)
