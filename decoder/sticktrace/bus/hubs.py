"""Hubs and their ports through time (USB 2.0 chapter 11): status words, power, resets, who hangs behind which port."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from sticktrace.grammar import hub as grammar

if TYPE_CHECKING:
    from sticktrace.bus.device import Device

CONNECTION, ENABLE, OVER_CURRENT, RESETTING = 0x01, 0x02, 0x08, 0x10
"""Bits that wPortStatus and wPortChange have in common, for USB 2.0 (Tables 11-21, 11-22) and SuperSpeed alike."""

_MODES = ("ganged", "per port", "none", "none")
"""wHubCharacteristics bits 1-0 and 4-3: for all ports together, for each, or not at all (Table 11-13)."""

LOW_SPEED, HIGH_SPEED = 0x0200, 0x0400
"""wPortStatus bits 9 and 10 of a USB 2.0 hub; a SuperSpeed hub uses these bits otherwise."""


class PortState(NamedTuple):
    """What a GET_STATUS(port) answered: wPortStatus and wPortChange."""

    time_ns: int
    status: int
    change: int
    records: tuple[int, ...]


@dataclass(slots=True)
class Reset:
    """A port reset from the host's request to the first port status that shows it over; ``end_ns`` -1 if none does.
    ``unsure``: the recorder lost transfers before that, the status perhaps among them."""

    time_ns: int
    end_ns: int = -1
    records: tuple[int, ...] = ()
    unsure: bool = False

    @property
    def duration_ns(self) -> int:
        """At most this long, since the host polls; -1 if the end was not seen."""
        return self.end_ns - self.time_ns if self.end_ns >= 0 else -1


@dataclass(slots=True, eq=False)
class Port:
    """A hub's port. ``history`` holds each answer that differs from the one before. ``device`` is who hangs there now,
    ``reset`` a reset under way, ``signalled_ns`` when the hub reported a change that was not yet read (-1 for none)."""

    number: int
    history: list[PortState] = field(default_factory=list)
    device: Device | None = None
    reset: Reset | None = None
    signalled_ns: int = -1
    pending: int = 0
    power_asked_ns: int = -1

    @property
    def status(self) -> int:
        """The last wPortStatus, 0 before the first."""
        return self.history[-1].status if self.history else 0

    def record(self, state: PortState) -> int:
        """Take an answer in. Returns the change bits that are new since the host last cleared them."""
        fresh = state.change & ~self.pending
        self.pending = state.change
        self.signalled_ns = -1
        last = self.history[-1] if self.history else None
        if last is None or (last.status, last.change) != (state.status, state.change):
            self.history.append(state)
        return fresh


@dataclass(slots=True, eq=False)
class Hub:
    """What makes a device a hub. ``descriptor`` is the hub descriptor's bytes, b"" if not seen."""

    descriptor: bytes = b""
    superspeed: bool = False
    ports: dict[int, Port] = field(default_factory=dict)
    reports: int = 0
    hub_status: int = 0

    def port(self, number: int) -> Port:
        """The port of that number, made at first mention."""
        found = self.ports.get(number)
        if found is None:
            found = self.ports[number] = Port(number)
        return found

    def facts(self) -> dict[str, object]:
        """The descriptor's fields that people ask for; empty if it was not seen."""
        if len(self.descriptor) < 7:
            return {}
        layout = grammar.SUPERSPEED_HUB_DESCRIPTOR if self.descriptor[1] == 0x2A else grammar.HUB_DESCRIPTOR
        values = layout.read(self.descriptor)
        traits = values["wHubCharacteristics"]
        return {
            "ports": values["bNbrPorts"],
            "power_good_ms": 2 * values["bPwrOn2PwrGood"],
            "own_current_ma": values["bHubContrCurrent"] * (4 if layout is grammar.SUPERSPEED_HUB_DESCRIPTOR else 1),
            "power_switching": _MODES[traits["Power Switching"]],
            "over_current": _MODES[traits["Over-current Protection"]],
        }

    def speed(self, status: int) -> str:
        """The speed that an enabled port's status tells (Table 11-21; final only after a reset, 11.24.2.7.1)."""
        if self.superspeed:
            return "super"
        if status & LOW_SPEED:
            return "low"
        return "high" if status & HIGH_SPEED else "full"
