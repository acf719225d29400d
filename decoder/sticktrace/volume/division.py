"""How one medium is divided: its partition table and its volumes, kept up to date as the blocks that decide it pass.

Where block 0 is not in the capture, boot sectors that name their own place stand in for the table. What was found stays
found: a block that was written and may or may not have arrived takes nothing away.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace

from sticktrace.transport.counted import BLOCK_LENGTHS
from sticktrace.volume import recognise
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.partitions import Partition, PartitionTable, read_table
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.store import SectorStore

MOST_VOLUMES = 256
"""Volumes that are followed on one medium."""
_LOOKED_AT = 16
"""Blocks of a command in which a boot sector is looked for while block 0 is not known."""

Follow = Callable[[int, Geometry, int], FileSystem]
"""Begins to follow the file system at a block, found in an exchange."""


@dataclass(slots=True, eq=False)
class Volume:
    """One volume. ``partition`` is None where the medium has no partition table. ``kind`` is "FAT12", "FAT16", "FAT32",
    "exFAT", another file system's name, or "" when not known. ``files`` follows FAT and exFAT volumes.
    ``problem`` says why a FAT or exFAT volume cannot be decoded. ``found_at`` is the exchange that first showed it as
    it is, ``gone_at`` the one that showed something else in its place, 0 as long as it stands."""

    partition: Partition | None
    start: int
    blocks: int
    kind: str = ""
    files: FileSystem | None = None
    problem: str = ""
    found_at: int = 0
    gone_at: int = 0

    @property
    def title(self) -> str:
        """``partition 1``, or ``volume`` on a medium without partitions."""
        return f"partition {self.partition.number}" if self.partition else "volume"

    @property
    def label(self) -> str:
        """The volume label: the one in the root directory, else the one in the boot sector."""
        if self.files is None:
            return ""
        return self.files.label or self.files.shape.label


class Division:
    """``volumes`` in order of place. ``former`` are volumes that were replaced on the way. ``table_at`` is the exchange
    that first showed the table as it is, ``since`` the one that first showed each of its problems."""

    def __init__(self, store: SectorStore, follow: Follow) -> None:
        self._store, self._follow = store, follow
        self.table, self.table_at = PartitionTable(), 0
        self.since: dict[str, int] = {}
        self.volumes: list[Volume] = []
        self.former: list[Volume] = []
        lengths = BLOCK_LENGTHS
        self._watched: list[int] = sorted(set().union(*(recognise.signature_blocks(0, n) for n in lengths)))
        self._seen: dict[int, bytes] = {}

    def look(self, lba: int, count: int, number: int) -> None:
        """Takes note of blocks that exchange ``number`` moved: reads anew how the medium is divided when one that
        decides it has changed."""
        changed = False
        at = bisect_left(self._watched, lba)
        while at < len(self._watched) and self._watched[at] < lba + count:
            place = self._watched[at]
            data = self._store.block(self._store.latest, place - lba)
            if data is not None and self._seen.get(place) != data:
                self._seen[place] = data
                changed = True
            at += 1
        if changed:
            self.divide(number)
        elif not self.table.scheme and lba + count > 1:
            self._sniff(lba, min(count, _LOOKED_AT), number)

    def divide(self, number: int) -> None:
        """Reads anew how the medium is divided, by what exchange ``number`` brought."""
        store, before = self._store, self.table
        self.table = read_table(store.content, store.block_length, store.last_lba)
        if (before.scheme, before.partitions) != (self.table.scheme, self.table.partitions):
            self.table_at = number
        self.since = {text: self.since.get(text, number) for _, text in self.table.problems}
        known = {volume.start: volume for volume in self.volumes}
        self.volumes = sorted(self._found(known, number), key=lambda volume: volume.start)
        kept = {volume.files for volume in self.volumes}
        for volume in known.values():
            if volume.files is not None and volume.files not in kept and len(self.former) < MOST_VOLUMES:
                volume.gone_at = number
                self.former.append(volume)
        self._watch()

    def _found(self, known: dict[int, Volume], number: int) -> list[Volume]:
        """The volumes that there now are."""
        store, table = self._store, self.table
        if table.scheme == "none" or (
            not table.scheme and recognise.other(store.content, 0, store.block_length) is not None
        ):
            blocks = store.last_lba + 1 if store.last_lba is not None else 0
            return [self._volume(None, 0, blocks, known.get(0), number)]
        if not table.scheme:
            made = [self._volume(None, start, 0, volume, number) for start, volume in known.items()]
            return [volume for volume in made if volume.files is not None]
        found: dict[int, Volume] = {}
        for part in table.partitions:
            if "extended" not in part.type and part.start not in found and len(found) < MOST_VOLUMES:
                found[part.start] = self._volume(part, part.start, part.blocks, known.get(part.start), number)
        return list(found.values())

    def _watch(self) -> None:
        places = {0, *self.table.roles, *self.table.wanted}
        for volume in self.volumes:
            places |= recognise.signature_blocks(volume.start, self._store.block_length)
        self._watched = sorted(places)
        self._seen = {lba: data for lba, data in self._seen.items() if lba in places}
        for place in places - self._seen.keys():
            data = self._store.content(place)
            if data is not None:
                self._seen[place] = data

    def _volume(self, partition: Partition | None, start: int, blocks: int, old: Volume | None, number: int) -> Volume:
        volume = Volume(partition, start, blocks, found_at=number)
        data = self._store.content(start)
        if data is None and old is not None and old.files is not None:
            return replace(old, partition=partition, blocks=blocks or old.blocks)
        shape = recognise.geometry(data, self._store.block_length) if data is not None else None
        if isinstance(shape, str):
            volume.problem = shape
        elif shape is not None:
            volume.kind = shape.name
            volume.blocks = blocks or shape.blocks
            volume.files = self._files(start, shape, old, number)
        else:
            other = recognise.other(self._store.content, start, self._store.block_length)
            volume.kind = other[0] if other else ""
            if data and any(data) and other is None and partition is not None and " FAT" in partition.type:
                volume.problem = "its type says FAT, but its first block is no sound boot sector"
        if old is not None and (old.kind, old.problem, old.files) == (volume.kind, volume.problem, volume.files):
            volume.found_at = old.found_at
        return volume

    def _files(self, start: int, shape: Geometry, old: Volume | None, number: int) -> FileSystem:
        if old is not None and old.files is not None and _plan(old.files.shape) == _plan(shape):
            old.files.shape = shape
            return old.files
        return self._follow(start, shape, number)

    def _sniff(self, lba: int, count: int, number: int) -> None:
        """Without block 0 in the capture: takes a boot sector that names its own place for the start of a volume."""
        store, known = self._store, {volume.start for volume in self.volumes}
        for place in range(max(1, lba), lba + count):
            if place in known or len(self.volumes) >= MOST_VOLUMES or not store.signed(store.latest, place - lba):
                continue
            data = store.block(store.latest, place - lba)
            if data is not None and recognise.own_place(data) == place:
                volume = self._volume(None, place, 0, None, number)
                if volume.files is not None:
                    self.volumes = sorted([*self.volumes, volume], key=lambda item: item.start)
                    self._watch()


def _plan(shape: Geometry) -> Geometry:
    """A geometry without what may change while the volume stays the same."""
    return replace(shape, label="", volume_id=0)
