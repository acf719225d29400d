"""What timing collects: how durations are spread, what each command kind took, bytes over time."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Any

PHASES = ("data", "status", "gap")
"""What is measured of each exchange, beside its whole duration: the data phase; from the end of the data (or of the
command, where there is none) to the CSW; from there to the next command of the same device."""

PERCENTILES = (50, 90, 99)

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

    def extend(self, durations_ns: Any) -> None:
        """The same of many at once (a numpy array)."""
        self.values.frombytes(durations_ns.clip(0, _LONGEST).tobytes())

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
        if at >= len(self.slots):
            at = self._reach(time_ns)
        self.slots[at][0 if incoming else 1] += count

    def extend(self, times_ns: Any, incoming: bool, counts: Any) -> None:
        """The same of many at once (numpy arrays)."""
        import numpy as np

        if self.start_ns < 0:
            self.start_ns = int(times_ns[0])
        self._reach(int(times_ns.max()))
        at = np.maximum(times_ns - self.start_ns, 0) // self.width_ns
        for slot in np.unique(at).tolist():
            self.slots[slot][0 if incoming else 1] += int(counts[at == slot].sum())

    def _reach(self, time_ns: int) -> int:
        """Makes room up to a time; returns its slot."""
        since_ns = max(0, time_ns - self.start_ns)
        while since_ns // self.width_ns >= SLOTS:
            self._halve()
        at = since_ns // self.width_ns
        while len(self.slots) <= at:
            self.slots.append([0, 0])
        return at

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
