"""Those who watch the items go by while the screen reads: the volume room, which names blocks, and the diagnosis.

The worker calls `see`; the screen asks the rest. Both hold ``lock`` meanwhile, because these rooms are not made for two
threads.
"""

from __future__ import annotations

from threading import RLock
from typing import Any

from sticktrace.session import Reading
from sticktrace.storage.units import LogicalUnit, Units
from sticktrace.transport.exchange import Exchange
from sticktrace.volume.medium import Medium
from sticktrace.volume.tracker import VolumeTracker


class Watchers:
    """Passes each item on and keeps what comes of it."""

    def __init__(self) -> None:
        self.lock = RLock()
        self.tracker: VolumeTracker | None = None
        self.units: Units | None = None
        self._reading: Reading | None = None

    def begin(self, reading: Reading) -> None:
        """A pass over a capture begins."""
        self._reading = reading
        self.tracker = VolumeTracker(reading.read)
        self.units = Units(reading.bus)

    def see(self, item: Any) -> str:
        """One item; returns what its blocks are on the volume, "" if not known."""
        with self.lock:
            if not isinstance(item, Exchange) or self._reading is None or self.units is None or self.tracker is None:
                return ""
            self.units.see(item, self._reading.read)
            return self.tracker.feed(item)

    def end(self) -> None:
        """All items have passed."""

    def need_units(self) -> Units:
        """The logical units so far. Only to be asked when reading has begun."""
        if self.units is None:
            raise RuntimeError("reading has not begun")
        return self.units

    def homeless(self) -> list[LogicalUnit]:
        """Logical units of devices without descriptors."""
        return [] if self.units is None else self.units.homeless()

    def media(self) -> list[Medium]:
        """Every medium so far."""
        with self.lock:
            return [] if self.tracker is None else list(self.tracker.media.values())

    def medium_of(self, bus: int, address: int, lun: int) -> Medium | None:
        """The last medium seen in a logical unit."""
        for medium in reversed(self.media()):
            if medium.unit[:2] == (f"{bus}.{address}", lun):
                return medium
        return None
