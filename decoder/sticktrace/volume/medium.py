"""One medium: its sectors, how it is divided, and its volumes, kept up to date as commands pass."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, replace

from sticktrace.sticks.unit import Unit
from sticktrace.transport.items import Exchange
from sticktrace.volume import labels, recognise
from sticktrace.volume.changes import Journal
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.partitions import Partition, PartitionTable, read_table
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.store import BLOCK_LENGTHS, Read, SectorStore

_NO_END = 1 << 60
"""Stands for the length of a volume of unknown length."""
MOST_VOLUMES = 256
"""Volumes that are followed on one medium."""


@dataclass(slots=True, eq=False)
class Volume:
    """One volume. ``partition`` is None where the medium has no partition table. ``kind`` is "FAT12", "FAT16", "FAT32",
    "exFAT", another file system's name, or "" when not known. ``files`` follows FAT and exFAT volumes.
    ``problem`` says why a FAT or exFAT volume cannot be decoded."""

    partition: Partition | None
    start: int
    blocks: int
    kind: str = ""
    files: FileSystem | None = None
    problem: str = ""
    found_at: int = 0

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


class Medium:
    """Takes in the commands of one medium in time order. ``unit`` is the logical unit that it is in and ``number``
    which medium of that unit it is, from 1; ``bus``, ``address`` and ``lun`` say where it was when first seen.
    ``former`` are volumes that were replaced on the way, ``flushes`` the exchanges of SYNCHRONIZE CACHE, ``physical``
    (blocks in a physical block, first aligned block) from READ CAPACITY(16), None where not seen."""

    def __init__(self, unit: Unit, number: int, where: Exchange, read: Read) -> None:
        self.unit, self.number = unit, number
        self.bus, self.address, self.lun = where.bus, where.address, where.lun
        self.store = SectorStore(read)
        self.table = PartitionTable()
        self.volumes: list[Volume] = []
        self.journal = Journal()
        self.former: list[Volume] = []
        self.flushes: list[int] = []
        self.physical: tuple[int, int] | None = None
        self._watched: list[int] = sorted(set().union(*(recognise.signature_blocks(0, n) for n in BLOCK_LENGTHS)))
        self._seen: dict[int, bytes] = {}

    @property
    def title(self) -> str:
        """What to call it: its unit, and its number where that unit had more than one."""
        return self.unit.title + (f", medium {self.number}" if self.number > 1 else "")

    def take(self, exchange: Exchange, lba: int, blocks: int, write: bool) -> str:
        """Takes one READ or WRITE and returns what its blocks are for, as known once it is done."""
        store, number = self.store, exchange.number
        good = store.add(exchange, lba, blocks, write)
        if good:
            extent = store.latest
            self.journal.now_ns = exchange.time_ns

            def block(place: int) -> bytes | None:
                return store.block(extent, place - lba)

            self._look(lba, good, number)
            text = self._within_one_file(lba, blocks, good, number, write)
            if text:
                return text
            for volume in self.volumes:
                if volume.files is not None and lba < volume.start + volume.blocks and volume.start < lba + good:
                    volume.files.apply(lba, good, number, write, block)
        return self.label(lba, blocks)

    def _within_one_file(self, lba: int, blocks: int, good: int, number: int, write: bool) -> str:
        """The label of a range that lies in one run of one file, by far the most common case; else ""."""
        for volume in self.volumes:
            files = volume.files
            if files is None or not volume.start + files.shape.heap <= lba < volume.start + volume.blocks:
                continue
            found = files.within_one_file(lba, blocks)
            if found is None or len(self.volumes) > 1:
                return ""
            node, index = found
            if write:
                length = self.store.block_length
                self.journal.data_written(files, node, index * length, good * length, number)
            return labels.owned(files, node, blocks, index)
        return ""

    def captured(self, lba: int, count: int) -> Iterator[tuple[int, bytes]]:
        """(lba, content) for every block in a range whose present content the capture holds."""
        length = self.store.block_length
        for stretch in self.store.read_range(lba, count):
            if stretch.data is not None:
                for i in range(stretch.blocks):
                    yield stretch.lba + i, stretch.data[i * length : (i + 1) * length]

    def _look(self, lba: int, count: int, number: int) -> None:
        """Re-reads how the medium is divided when a block that decides it has changed."""
        changed = False
        at = bisect_left(self._watched, lba)
        while at < len(self._watched) and self._watched[at] < lba + count:
            place = self._watched[at]
            data = self.store.content(place)
            if data is not None and self._seen.get(place) != data:
                self._seen[place] = data
                changed = True
            at += 1
        if changed:
            self._divide(number)
        elif not self.table.scheme and lba:
            self._sniff(lba, number)

    def _divide(self, number: int) -> None:
        store = self.store
        self.table = read_table(store.content, store.block_length, store.last_lba)
        known = {volume.start: volume for volume in self.volumes}
        wanted: list[tuple[Partition | None, int, int]]
        if self.table.scheme == "none" or (
            not self.table.scheme and recognise.other(store.content, 0, store.block_length) is not None
        ):
            wanted = [(None, 0, (store.last_lba or 0) + 1 if store.last_lba is not None else 0)]
        else:
            wanted = [(p, p.start, p.blocks) for p in self.table.partitions if "extended" not in p.type]
        self.volumes = []
        for partition, start, blocks in wanted[:MOST_VOLUMES]:
            if not any(volume.start == start for volume in self.volumes):
                self.volumes.append(self._volume(partition, start, blocks, known.get(start), number))
        self.volumes.sort(key=lambda volume: volume.start)
        kept = {volume.files for volume in self.volumes}
        self.former += [volume for volume in known.values() if volume.files is not None and volume.files not in kept]
        del self.former[MOST_VOLUMES:]
        self._watch()

    def _watch(self) -> None:
        places = {0, *self.table.roles, *self.table.wanted}
        for volume in self.volumes:
            places |= recognise.signature_blocks(volume.start, self.store.block_length)
        self._watched = sorted(places)
        self._seen = {lba: data for lba, data in self._seen.items() if lba in places}
        for place in places - self._seen.keys():
            data = self.store.content(place)
            if data is not None:
                self._seen[place] = data

    def _volume(self, partition: Partition | None, start: int, blocks: int, old: Volume | None, number: int) -> Volume:
        volume = Volume(partition, start, blocks, found_at=number)
        data = self.store.content(start)
        shape = recognise.geometry(data, self.store.block_length) if data is not None else None
        if isinstance(shape, str):
            volume.problem = shape
        elif shape is not None:
            volume.kind = shape.name
            volume.blocks = blocks or shape.blocks
            volume.files = self._files(start, shape, old, number)
        else:
            other = recognise.other(self.store.content, start, self.store.block_length)
            volume.kind = other[0] if other else ""
            if data and any(data) and other is None and partition is not None and " FAT" in partition.type:
                volume.problem = "its type says FAT, but its first block is no sound boot sector"
        return volume

    def _files(self, start: int, shape: Geometry, old: Volume | None, number: int) -> FileSystem:
        if old is not None and old.files is not None and _plan(old.files.shape) == _plan(shape):
            old.files.shape = shape
            return old.files
        files = FileSystem(start, shape, self.store.block_length, self.captured, self.journal)
        files.load(number)
        return files

    def _sniff(self, lba: int, number: int) -> None:
        """Without block 0 in the capture: takes a boot sector that names its own place for the start of a volume."""
        if any(volume.start == lba for volume in self.volumes) or len(self.volumes) >= MOST_VOLUMES:
            return
        data = self.store.block(self.store.latest, 0)
        if data is None or data[510:512] != b"\x55\xaa":
            return
        place = int.from_bytes(data[64:72] if data[3:11] == b"EXFAT   " else data[28:32], "little")
        shape = recognise.geometry(data, self.store.block_length)
        if isinstance(shape, Geometry) and place == lba:
            volume = self._volume(None, lba, shape.blocks, None, number)
            self.volumes = sorted([*self.volumes, volume], key=lambda item: item.start)
            self._watch()

    def label(self, lba: int, blocks: int) -> str:
        """What a range of blocks is for, as now known; "" when nothing is known of how the medium is divided."""
        if not self.table.scheme and not self.volumes:
            return ""
        parts: list[str] = []
        place, end = lba, lba + blocks
        for volume in self.volumes:
            if volume.start >= end or place >= end:
                break
            reach = volume.blocks or _NO_END
            if volume.start + reach <= place:
                continue
            if volume.start > place:
                parts += self._outside(place, volume.start)
                place = volume.start
            after = min(end, volume.start + reach)
            parts += self._inside(volume, place, after - place)
            place = after
        if place < end:
            parts += self._outside(place, end)
        return labels.joined(parts)

    def _inside(self, volume: Volume, lba: int, count: int) -> list[str]:
        several = len(self.volumes) > 1
        if volume.files is None:
            kind = volume.kind or "file system not known"
            return [f"{volume.title} ({kind})"]
        parts = labels.in_volume(volume.files, lba, count)
        if lba + count > volume.start + volume.files.blocks:
            parts.append("after the end of the file system")
        return [f"{volume.title}: {part}" for part in parts] if several else parts

    def _outside(self, low: int, high: int) -> list[str]:
        roles = self.table.roles
        near = range(low, high) if high - low <= len(roles) else sorted(lba for lba in roles if low <= lba < high)
        parts: list[str] = []
        covered = 0
        for lba in near:
            if lba in roles:
                covered += 1
                if not parts or parts[-1] != roles[lba]:
                    parts.append(roles[lba])
        if covered < high - low:
            parts.append("outside any partition" if self.table.scheme else "not known")
        return parts


def _plan(shape: Geometry) -> Geometry:
    """A geometry without what may change while the volume stays the same."""
    return replace(shape, label="", volume_id=0)
