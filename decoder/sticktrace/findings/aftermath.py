"""What followed a command that went wrong on the transport, up to the next command."""

from __future__ import annotations

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.transport.items import Exchange, Stray

KEPT = 64
"""How many events and strays after a failure are kept: enough for any recovery, bounded for any capture."""

_TOLD = frozenset((Happening.CLASS_RESET, Happening.RESET, Happening.DETACHED, Happening.CONFIGURED))


class Aftermath:
    """``trouble`` is the exchange, or the invalid command as a stray. ``next`` is the next exchange of the stick, None
    if the capture ends before one."""

    __slots__ = ("events", "next", "stick", "strays", "trouble", "unit")

    def __init__(self, stick: Stick, trouble: Exchange | Stray, unit: Unit | None) -> None:
        self.stick, self.trouble, self.unit = stick, trouble, unit
        self.events: list[BusEvent] = []
        self.strays: list[Stray] = []
        self.next: Exchange | None = None

    @property
    def number(self) -> int:
        """Number of the exchange, 0 for an invalid command."""
        return self.trouble.number if isinstance(self.trouble, Exchange) else 0

    @property
    def waited_ns(self) -> int:
        """How long the host waited: to the end of the last transfer, or to the reset that it then asked for."""
        trouble = self.trouble
        if not isinstance(trouble, Exchange):
            return 0
        resets = [e.time_ns for e in self.events if e.kind in (Happening.RESET, Happening.CLASS_RESET)]
        return max(trouble.duration_ns, (resets[0] - trouble.time_ns) if resets else 0)

    def kinds(self) -> list[str]:
        """The events after the trouble in order: "clear in", "clear out", "class reset", "reset", "detached"."""
        words = []
        for event in self.events:
            if event.kind is Happening.CLEAR_HALT:
                words.append("clear in" if event.endpoint & 0x80 else "clear out")
            elif event.kind in _TOLD:
                words.append(event.kind)
        return words
