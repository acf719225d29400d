"""One medium: its sectors, how it is divided, and its volumes, kept up to date as commands pass."""

from __future__ import annotations

from itertools import islice

from sticktrace.sticks.unit import Unit
from sticktrace.transport.items import Exchange
from sticktrace.volume import labels
from sticktrace.volume.changes import Journal
from sticktrace.volume.division import Division, Volume
from sticktrace.volume.extent_log import Read
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.partitions import PartitionTable
from sticktrace.volume.progress import Going
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.store import SectorStore

_NO_END = 1 << 60
"""Stands for the length of a volume of unknown length."""
_PIECES = 64
"""Pieces of files in one command that are followed."""


class Medium:
    """Takes in the commands of one medium in time order. ``unit`` is the logical unit that it is in and ``number``
    which medium of that unit it is, from 1; ``bus``, ``address`` and ``lun`` say where it was when first seen.
    ``flushes`` are the exchanges of SYNCHRONIZE CACHE; ``physical`` (blocks in a physical block, first aligned block)
    is from READ CAPACITY(16), None where not seen. ``gone_at`` is the exchange whose sense data said that the medium is
    gone or may be another, 0 for none; ``reading`` and ``writing`` follow the file that is read, or written,
    ``swept`` the blocks that are read."""

    def __init__(self, unit: Unit, number: int, where: Exchange, read: Read) -> None:
        self.unit, self.number = unit, number
        self.bus, self.address, self.lun = where.bus, where.address, where.lun
        self.store = SectorStore(read)
        self.journal = Journal()
        self.division = Division(self.store, self._follow)
        self.flushes: list[int] = []
        self.physical: tuple[int, int] | None = None
        self.gone_at = 0
        self.reading, self.writing, self.swept = Going(), Going(), Going()

    @property
    def title(self) -> str:
        """What to call it: its unit, and its number where that unit had more than one."""
        return self.unit.title + (f", medium {self.number}" if self.number > 1 else "")

    @property
    def table(self) -> PartitionTable:
        """The partition table, as far as the capture holds it."""
        return self.division.table

    @property
    def volumes(self) -> list[Volume]:
        """The volumes in order of place."""
        return self.division.volumes

    @property
    def former(self) -> list[Volume]:
        """Volumes that were replaced on the way."""
        return self.division.former

    def _follow(self, start: int, shape: Geometry, number: int) -> FileSystem:
        files = FileSystem(start, shape, self.store, self.journal)
        files.load(number)
        return files

    def resize(self, last_lba: int, block_length: int, number: int) -> None:
        """Takes what READ CAPACITY reported in exchange ``number``. Where blocks of the partition table came before,
        they are looked at anew: whether it fits can be told only now."""
        news = self.store.last_lba != last_lba
        self.store.set_capacity(last_lba, block_length, number)
        if news and self.table.scheme:
            self.division.divide(number)

    def take(self, exchange: Exchange, lba: int, blocks: int, write: bool, *, labelled: bool = True) -> str:
        """Takes one READ or WRITE and returns what its blocks are for, as known once it is done; "" where nobody asks,
        unless it is known anyhow."""
        store, number = self.store, exchange.number
        good = store.add(exchange, lba, blocks, write)
        if good:
            self.journal.now_ns = exchange.time_ns
            if not write:
                self.swept.see(None, lba, good, exchange)
            self.division.look(lba, good, number)
            text = self._within_one_file(exchange, lba, blocks, good, write)
            if text:
                return text
            for volume in self.volumes:
                if volume.files is not None and lba < volume.start + volume.blocks and volume.start < lba + good:
                    volume.files.apply(lba, good, number, write)
                    self._go_through(exchange, volume.files, lba, good, write)
        return self.label(lba, blocks) if labelled else ""

    def _go_through(self, exchange: Exchange, files: FileSystem, lba: int, good: int, write: bool) -> None:
        """Keeps how far a command that went through several runs of files came in the last of these files."""
        length, going = self.store.block_length, self.writing if write else self.reading
        low = max(lba - files.start, files.shape.heap)
        for node, _, count, index in islice(files.pieces(low, min(lba - files.start + good, files.blocks)), _PIECES):
            if node is not None and node.entry.kind == "file":
                going.see(node, index * length, count * length, exchange)

    def _within_one_file(self, exchange: Exchange, lba: int, blocks: int, good: int, write: bool) -> str:
        """The label of a range that lies in one run of one file, by far the most common case; else ""."""
        for volume in self.volumes:
            files = volume.files
            if files is None or not volume.start + files.shape.heap <= lba < volume.start + volume.blocks:
                continue
            found = files.within_one_file(lba, blocks)
            if found is None or len(self.volumes) > 1:
                return ""
            node, index = found
            begin, count = index * self.store.block_length, good * self.store.block_length
            (self.writing if write else self.reading).see(node, begin, count, exchange)
            if write:
                self.journal.data_written(files, node, begin, count, exchange.number)
            return labels.owned(files, node, blocks, index)
        return ""

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
