"""The medium's blocks in one direction: how fast they went, what share of the bus that is, and why not more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sticktrace.text import bytes_in_words, time_in_words
from sticktrace.timing.ceiling import Ceiling


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
