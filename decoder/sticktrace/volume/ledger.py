"""One pass with all that is learned on the way: sticks, their units, and what is on their media.

    ledger = Ledger(reading)
    for item in reading:
        ledger.see(item)
    for stick in ledger.sticks.listed():
        print(stick.title, stick.reached)

Every verb that speaks of sticks takes its facts from here.
"""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.session import Reading
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.sticks import Sticks
from sticktrace.sticks.unit import Unit
from sticktrace.transport.items import Exchange, Item
from sticktrace.transport.run import Run
from sticktrace.volume.findings import Fact, facts
from sticktrace.volume.medium import Medium
from sticktrace.volume.tracker import READS, WRITES, VolumeTracker

LOOKED_AT = 20_000
"""So many READs and WRITEs of a unit are searched for partitions, a file system and files; bring-up is over by then."""

_VOLUME_STAGES = (Stage.PARTITION, Stage.FILE_SYSTEM, Stage.FILES)


class Ledger:
    """``sticks`` knows the sticks and units, ``tracker`` the media. With ``bring_up_only`` media are followed only
    until the stages that they decide are reached, for those who ask nothing more of them; without ``labels``, what
    blocks are for is not put into words."""

    def __init__(self, reading: Reading, *, bring_up_only: bool = False, labels: bool = True) -> None:
        self.reading = reading
        self.sticks = Sticks(reading.read)
        self.label = ""
        """What the blocks of the exchange seen last are for, "" if it has none."""
        self._present: Unit | None = None
        self._bring_up_only = bring_up_only
        self.tracker = VolumeTracker(reading.read, self._unit_of, labels=labels)

    def _unit_of(self, exchange: Exchange) -> Unit:
        return self._present or self.sticks.unit_of(exchange)

    def see(self, item: Item) -> Stick:
        """Take in an item; returns whose it is."""
        if item.__class__ is Exchange:
            return self.exchange(item).stick
        return self.sticks.see(item)

    def exchange(self, item: Exchange) -> Unit:
        """Take in an exchange; returns its unit."""
        unit = self._present = self.sticks.exchange(item)
        self._follow(item, unit)
        self._present = None
        return unit

    def run(self, run: Run, labels: list[str] | None = None) -> Unit | None:
        """Take in a run of READs and WRITEs to one unit; returns it. None for a run whose exchanges are to be taken in
        one by one. ``labels`` gets what the blocks of each are for."""
        unit = self._present = self.sticks.run(run)
        if unit is None:
            return None
        for item in run:
            if self._bring_up_only and unit.looked >= LOOKED_AT:
                break
            self._follow(item, unit)
            if labels is not None:
                labels.append(self.label)
        self._present = None
        return unit

    def _follow(self, item: Exchange, unit: Unit) -> None:
        """What an exchange did to its medium."""
        if unit.looked < LOOKED_AT:
            self.label = self.tracker.feed(item)
            if item.opcode in READS or item.opcode in WRITES:
                self._stages(item, unit)
        elif not self._bring_up_only:
            self.label = self.tracker.feed(item)
        else:
            self.label = ""

    def _stages(self, item: Exchange, unit: Unit) -> None:
        """What is known of the medium after this READ or WRITE."""
        unit.looked += 1
        medium = self.tracker.medium_of(item)
        if medium is None:
            return
        if medium.table.scheme:
            unit.reach(Stage.PARTITION, item)
        if any(volume.kind for volume in medium.volumes):
            unit.reach(Stage.FILE_SYSTEM, item)
        if any(volume.files is not None and volume.files.root.children for volume in medium.volumes):
            unit.reach(Stage.FILES, item)
        if all(stage in unit.reached for stage in _VOLUME_STAGES):
            unit.looked = LOOKED_AT

    def media(self, unit: Unit) -> list[Medium]:
        """The media that a unit had, in order of time."""
        return self.tracker.of(unit)

    def facts(self) -> Iterator[tuple[Unit, Fact]]:
        """Integrity facts of all media, each with its unit."""
        for medium in self.tracker.media:
            for fact in facts(medium):
                yield medium.unit, fact
