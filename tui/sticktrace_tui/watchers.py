"""Those who watch the items go by while the screen reads: the diagnosis, with all that is known of sticks and media.

The worker calls `see`; the screen asks the rest. Both hold ``lock`` meanwhile, because these rooms are not made for two
threads.
"""

from __future__ import annotations

from threading import RLock

from sticktrace import (
    ALL_RULES,
    Diagnosis,
    Exchange,
    Following,
    Item,
    Medium,
    Reading,
    Run,
    Scene,
    SoFar,
    Stick,
    StickReport,
    conclude,
    diagnose,
    standing,
)


class Watchers:
    """Passes each item on and keeps what comes of it. ``diagnosis`` is there when the whole capture was read, and
    ``so_far`` from time to time while one is followed."""

    def __init__(self) -> None:
        self.lock = RLock()
        self.diagnosis: Diagnosis | None = None
        self.so_far: Diagnosis | None = None
        self._scene: Scene | None = None
        self._judge: SoFar | None = None
        self._judged = -1

    def begin(self, reading: Reading) -> None:
        """A pass over a capture begins."""
        with self.lock:
            self._scene = Scene(reading, ALL_RULES)

    def judge(self, following: Following) -> None:
        """Have a diagnosis made of what has come, if more has, and take the one that is ready."""
        self._judge = self._judge or SoFar(following)
        size = len(following.source.data)
        if size != self._judged and self._judge.ask():
            self._judged = size
        self.so_far = self._judge.take() or self.so_far

    def standing(self) -> list[StickReport]:
        """How far each stick has come by now."""
        with self.lock:
            return [] if self._scene is None else standing(self._scene)

    def see(self, item: Item) -> str:
        """One item; returns what its blocks are on the volume, "" if not known."""
        with self.lock:
            if self._scene is None:
                return ""
            self._scene.see(item)
            return self._scene.ledger.label if isinstance(item, Exchange) else ""

    def see_run(self, run: Run) -> list[str]:
        """A run of exchanges; the same of each."""
        with self.lock:
            return [""] * len(run) if self._scene is None else self._scene.see_run(run)

    def end(self, fresh: Reading | None = None) -> None:
        """All items have passed: conclude, by a ``fresh`` pass where those that passed were not quite as recorded."""
        with self.lock:
            if self._scene is not None and self.diagnosis is None:
                self.diagnosis = conclude(self._scene) if fresh is None else diagnose(fresh)

    def sticks(self) -> list[Stick]:
        """Every device so far, with what is known of it."""
        return [] if self._scene is None else self._scene.ledger.sticks.in_order()

    def media(self) -> list[Medium]:
        """Every medium so far."""
        with self.lock:
            return [] if self._scene is None else list(self._scene.ledger.tracker.media)

    def medium_of(self, exchange: Exchange) -> Medium | None:
        """The medium that an exchange went to: the last one of its unit that was there by then."""
        if self._scene is None:
            return None
        found = None
        for medium in self._scene.ledger.media(self._scene.ledger.sticks.unit_of(exchange)):
            if found is not None and len(medium.store) and medium.store.exchange_of(0) > exchange.number:
                break
            found = medium
        return found
