"""Where the time goes: per command kind, per direction against the bus ceiling, over time, and up to each stage.

A host capture times whole transfers, so an exchange falls into three phases: the command (CBW submitted to done), the
data (up to the end of the last data transfer) and the status (up to the CSW). What the medium needs for a read hides
in the data phase, for a write in the data or the status phase. Between exchanges of one device lies the host's gap.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Any

from sticktrace.diagnosis.bringup import Milestones
from sticktrace.diagnosis.ceiling import Ceiling, ceiling
from sticktrace.diagnosis.sticks import Stick, Sticks, kind_of
from sticktrace.session import Reading
from sticktrace.transport.exchange import PASSED, Exchange

PHASES = ("data", "status", "gap")
"""What is measured of each exchange, beside its whole duration: the data phase; from the end of the data (or of the
command, where there is none) to the CSW; from there to the next command of the same device."""

PERCENTILES = (50, 90, 99)
IDLE_NS = 50_000_000
"""A longer gap counts as a pause, in which the host had nothing to ask, not as a delay between commands."""

SLOTS = 32
"""At most this many slots of the course over time; their width doubles as the capture goes on."""
_FIRST_SLOT_NS = 1_000_000


_LONGEST = 1 << 62
"""Damaged clocks may say anything; a longer duration counts as this."""


class Spread:
    """How a duration is spread: every value is kept, in 8 bytes each."""

    __slots__ = ("values",)

    def __init__(self) -> None:
        self.values = array("q")

    def add(self, start_ns: int, end_ns: int) -> None:
        """Take in the time between two moments; a clock that goes back counts as no time."""
        self.values.append(min(max(0, end_ns - start_ns), _LONGEST))

    def facts(self) -> dict[str, int] | None:
        """Percentiles by nearest rank (the smallest value that at least so many percent do not exceed), the largest
        and the sum, in nanoseconds; None without a value."""
        import numpy as np

        if not self.values:
            return None
        values = np.frombuffer(self.values, dtype=np.int64)
        found = np.percentile(values, PERCENTILES, method="inverted_cdf")
        named = {f"p{percent}": int(value) for percent, value in zip(PERCENTILES, found, strict=True)}
        return {"count": len(values), **named, "max": int(values.max()), "sum": sum(self.values)}


@dataclass(slots=True)
class Kind:
    """All exchanges of one command: how many, how many of them did not pass, bytes moved, and the spreads."""

    name: str
    medium: bool
    count: int = 0
    failed: int = 0
    bytes: int = 0
    spreads: dict[str, Spread] = field(default_factory=lambda: {phase: Spread() for phase in (*PHASES, "whole")})

    def facts(self) -> dict[str, Any]:
        """As JSON says it."""
        spreads = {f"{phase}_ns": spread.facts() for phase, spread in self.spreads.items()}
        return {"command": self.name, "count": self.count, "failed": self.failed, "bytes": self.bytes, **spreads}


@dataclass(slots=True)
class Flow:
    """The medium's blocks in one direction, "in" or "out": bytes, commands, data transfers, and the time they took by
    phase. ``gap_ns`` leaves pauses out. ``largest`` is the most that one command moved."""

    direction: str
    bytes: int = 0
    commands: int = 0
    transfers: int = 0
    largest: int = 0
    command_ns: int = 0
    data_ns: int = 0
    status_ns: int = 0
    gap_ns: int = 0

    @property
    def busy_ns(self) -> int:
        """Time spent on it, pauses left out."""
        return self.command_ns + self.data_ns + self.status_ns + self.gap_ns

    @property
    def rate(self) -> int:
        """Bytes in a second of busy time."""
        return self.bytes * 1_000_000_000 // self.busy_ns if self.busy_ns else 0

    @property
    def data_rate(self) -> int:
        """Bytes in a second of data phase."""
        return self.bytes * 1_000_000_000 // self.data_ns if self.data_ns else 0


class Course:
    """Bytes over time in slots of equal width."""

    def __init__(self) -> None:
        self.width_ns = _FIRST_SLOT_NS
        self.start_ns = -1
        self.slots: list[list[int]] = []

    def add(self, time_ns: int, incoming: bool, count: int) -> None:
        """Bytes that were over at a time; times may go back a little, not before the first."""
        if self.start_ns < 0:
            self.start_ns = time_ns
        at = max(0, time_ns - self.start_ns) // self.width_ns
        while at >= SLOTS:
            self._halve()
            at = max(0, time_ns - self.start_ns) // self.width_ns
        while len(self.slots) <= at:
            self.slots.append([0, 0])
        self.slots[at][0 if incoming else 1] += count

    def _halve(self) -> None:
        even, odd = self.slots[::2], self.slots[1::2]
        odd += [[0, 0]] * (len(even) - len(odd))
        self.slots = [[a[0] + b[0], a[1] + b[1]] for a, b in zip(even, odd, strict=True)]
        self.width_ns *= 2

    def facts(self) -> list[dict[str, int]]:
        """As JSON says it: one row for each slot."""
        return [
            {"time_ns": self.start_ns + at * self.width_ns, "width_ns": self.width_ns, "read": read, "written": written}
            for at, (read, written) in enumerate(self.slots)
        ]


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
        self._last: tuple[Kind, Flow | None, int] | None = None

    def see(self, item: Exchange) -> None:
        """Take in an exchange."""
        head = item.cdb[:2]
        kind = self._by_head.get(head)
        if kind is None:
            kind = self._by_head[head] = self._kind(head)
        command_ns = item.command_ns if item.command_ns >= 0 else item.time_ns
        phase_ns = max(command_ns, item.data_ns)
        self._gap(item.time_ns)
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
        self._last = kind, flow, item.end_ns

    def _kind(self, head: bytes) -> Kind:
        words, medium = kind_of(head)
        found = self.kinds.get(words)
        if found is None:
            found = self.kinds[words] = Kind(words, medium != "")
        return found

    def _gap(self, time_ns: int) -> None:
        """The time since the last exchange; commands that overlap, as over UAS, leave none."""
        if self._last is None:
            return
        kind, flow, end_ns = self._last
        gap = time_ns - end_ns
        if gap < 0:
            return
        kind.spreads["gap"].add(end_ns, time_ns)
        if gap > IDLE_NS:
            self.pauses += 1
            self.pause_ns += gap
        elif flow is not None:
            flow.gap_ns += gap

    def _flow(self, flow: Flow, item: Exchange, command_ns: int, phase_ns: int) -> None:
        flow.bytes += item.moved
        flow.commands += 1
        flow.transfers += len(item.pieces)
        flow.largest = max(flow.largest, item.moved)
        flow.command_ns += command_ns - item.time_ns
        flow.data_ns += phase_ns - command_ns
        flow.status_ns += max(0, item.end_ns - phase_ns)
        self.course.add(phase_ns, item.direction == "in", item.moved)

    @property
    def ceiling(self) -> Ceiling | None:
        """What the bus allows at this device's speed and packet size; None where either is not known."""
        return ceiling(self.stick.speed, self.stick.bulk_packet)


@dataclass(slots=True)
class Timing:
    """The timing of a capture: one part for each storage device (from plug to unplug), and its way to each stage."""

    parts: list[StickTiming]
    milestones: Milestones
    records: int

    def facts(self) -> dict[str, Any]:
        """As JSON says it (kind "timing")."""
        return {"kind": "timing", "devices": [self._part(part) for part in self.parts]}

    def _part(self, part: StickTiming) -> dict[str, Any]:
        stick, top = part.stick, part.ceiling
        return {
            "device": stick.place,
            "name": stick.name,
            "ids": stick.ids,
            "speed": stick.speed or None,
            "bulk_packet": stick.bulk_packet or None,
            "ceiling": top._asdict() if top else None,
            "commands": [kind.facts() for kind in part.kinds.values()],
            "flows": [flow_facts(flow, top) for flow in part.flows.values() if flow.commands],
            "pauses": {"count": part.pauses, "sum_ns": part.pause_ns, "longer_than_ns": IDLE_NS},
            "course": part.course.facts(),
            "stages": self.milestones.facts(stick),
        }


def flow_facts(flow: Flow, top: Ceiling | None) -> dict[str, Any]:
    """A flow as JSON says it, with the share of the ceiling that it reached and why it is low."""
    return {
        "direction": flow.direction, "bytes": flow.bytes, "commands": flow.commands, "transfers": flow.transfers,
        "largest": flow.largest, "command_ns": flow.command_ns, "data_ns": flow.data_ns, "status_ns": flow.status_ns,
        "gap_ns": flow.gap_ns, "bytes_per_second": flow.rate, "data_bytes_per_second": flow.data_rate,
        "share": round(flow.rate / top.bytes_per_second, 4) if top else None,
        "reasons": reasons(flow, top),
    }  # fmt: skip


LOW = 0.5
"""Below this share of the ceiling the reason is looked for. Good hosts reach more (common practice)."""


def reasons(flow: Flow, top: Ceiling | None) -> list[str]:
    """Why a flow stays below half of the ceiling, the weightiest first; empty when it does not, or when the ceiling is
    not known."""
    from sticktrace.text import bytes_in_words, time_in_words

    if top is None or not flow.busy_ns or flow.rate >= LOW * top.bytes_per_second:
        return []
    mean = flow.bytes // flow.commands
    least_ns = mean * 1_000_000_000 // top.bytes_per_second
    way = "read" if flow.direction == "in" else "written"
    found: list[tuple[int, str]] = []

    def say(weight_ns: int, text: str) -> None:
        found.append((weight_ns, f"{text} ({100 * weight_ns // flow.busy_ns} % of the time)"))

    each = {phase: time_in_words(total // flow.commands) for phase, total in _shares(flow)}
    say(flow.gap_ns, f"host gaps: {each['gap']} from one status to the next command on average")
    say(flow.status_ns, f"device time: {each['status']} from the end of the data to the status on average")
    say(flow.command_ns, f"command transfers: {each['command']} to hand over a command on average")
    say(flow.data_ns, _data_reason(flow, top, each["data"]))
    found = sorted((row for row in found if row[0] * 5 >= flow.busy_ns), reverse=True)
    out = [text for _, text in found]
    fixed_ns = flow.busy_ns - flow.data_ns
    if mean < 32 << 10 and 2 * fixed_ns >= flow.busy_ns and least_ns * 4 < fixed_ns // flow.commands:
        words = f"small transfers: {bytes_in_words(mean)} {way} by a command on average"
        out.insert(0, f"{words}, which the bus could carry in {time_in_words(least_ns)}")
    return out


def _shares(flow: Flow) -> list[tuple[str, int]]:
    return [("gap", flow.gap_ns), ("status", flow.status_ns), ("command", flow.command_ns), ("data", flow.data_ns)]


def _data_reason(flow: Flow, top: Ceiling, each: str) -> str:
    """What makes the data phase long."""
    packets = flow.data_rate / top.one_a_frame
    if 0.8 <= packets <= 1.2 and flow.bytes > flow.commands * top.payload:
        return (
            f"one packet per {top.unit}: the data phases run at {flow.data_rate:,} bytes/s; a single packet of "
            f"{top.payload} bytes per {top.unit} gives {top.one_a_frame:,}"
        )
    pieces = flow.transfers / flow.commands
    if pieces >= 4 and flow.bytes // flow.transfers <= 8 * top.payload:
        size = flow.bytes // flow.transfers
        return f"data in small pieces: {pieces:.0f} transfers of {size} bytes for a command, {each} in all on average"
    return f"device time in the data phase: {each} on average, {flow.data_rate:,} bytes/s"


def time_of(reading: Reading) -> Timing:
    """One pass over a reading. Memory grows by 32 bytes for each exchange."""
    sticks = Sticks(reading)
    milestones = Milestones(reading)
    parts: dict[int, StickTiming] = {}
    for item in reading:
        stick = sticks.of(item)
        if stick is None:
            continue
        if item.__class__ is Exchange:
            part = parts.get(id(stick))
            if part is None:
                part = parts[id(stick)] = StickTiming(stick)
            part.see(item)
        milestones.see(item, stick)
    ordered = [parts.get(id(stick)) or StickTiming(stick) for stick in sticks.storage()]
    return Timing(ordered, milestones, reading.records)
