"""Those who watch the items go by while the screen reads: the diagnosis, with the volume room, and the logical units.

The worker calls `see`; the screen asks the rest. Both hold ``lock`` meanwhile, because these rooms are not made for two
threads.
"""

from __future__ import annotations

from threading import RLock
from typing import Any

from sticktrace.findings.catalogue import RULES
from sticktrace.findings.scene import Account
from sticktrace.findings.verdict import Diagnosis, conclude
from sticktrace.session import Reading
from sticktrace.sticks.units import LogicalUnit, Units
from sticktrace.transport.exchange import Exchange
from sticktrace.volume.medium import Medium


class Watchers:
    """Passes each item on and keeps what comes of it. ``diagnosis`` is there when the whole capture was read."""

    def __init__(self) -> None:
        self.lock = RLock()
        self.units: Units | None = None
        self.diagnosis: Diagnosis | None = None
        self._account: Account | None = None
        self._reading: Reading | None = None

    def begin(self, reading: Reading) -> None:
        """A pass over a capture begins."""
        self._reading = reading
        self._account = Account(reading, RULES)
        self.units = Units(reading.bus)

    def see(self, item: Any) -> str:
        """One item; returns what its blocks are on the volume, "" if not known."""
        with self.lock:
            if self._account is None or self._reading is None or self.units is None:
                return ""
            self._account.see(item)
            if not isinstance(item, Exchange):
                return ""
            self.units.see(item, self._reading.read)
            return self._account.volumes.label

    def end(self) -> None:
        """All items have passed: conclude."""
        with self.lock:
            if self._account is not None and self.diagnosis is None:
                self.diagnosis = conclude(self._account)

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
            return [] if self._account is None else list(self._account.volumes.tracker.media)

    def medium_of(self, exchange: Exchange) -> Medium | None:
        """The medium that an exchange went to: the last one of its unit that was there by then."""
        found = None
        for medium in self.media():
            if (medium.bus, medium.address, medium.lun) == (exchange.bus, exchange.address, exchange.lun):
                if found is not None and len(medium.store) and medium.store.exchange_of(0) > exchange.number:
                    break
                found = medium
        return found
