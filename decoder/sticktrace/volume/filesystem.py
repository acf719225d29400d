"""A FAT or exFAT volume as it stands at one moment of the capture, kept up to date block by block.

`apply` takes the blocks that a command moved. Table blocks and directory blocks are compared with what was known;
only what changed is followed up, so a long recording costs what its changes cost. Everything else
(files, data) is reached through the owners of clusters. Blocks whose bytes are not in the capture cost nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from itertools import islice

from sticktrace.volume.changes import Journal
from sticktrace.volume.directories import Directories
from sticktrace.volume.extent_log import WRITE
from sticktrace.volume.in_use import BOOT, InUse
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.store import SectorStore
from sticktrace.volume.tree import Node

MOST_PIECES = 4096
"""Pieces of files in the range of one command that are looked at; a command that names more is out of the ordinary."""


class FileSystem(Directories):
    """One volume: what its fixed structures say, on top of its `Directories`. ``in_use`` are its marks "not cleanly
    unmounted". ``info`` is (free clusters, the exchange that first showed this number) from FSInfo, None where not
    captured."""

    def __init__(self, start: int, shape: Geometry, store: SectorStore, journal: Journal) -> None:
        super().__init__(start, shape, store, journal)
        self.in_use = InUse()
        self.info: tuple[int, int] | None = None

    # taking in what commands moved

    def load(self, number: int) -> None:
        """Takes in all that the capture already holds of the fixed structures, when the volume is first recognised."""
        shape, store = self.shape, self._store
        for place in (0, self._first_of_table):
            for extent in reversed(store.history(self.start + place)):
                data = store.block(extent, self.start + place - store.first_of(extent))
                if data is not None:
                    self._marks(place, data, store.exchange_of(extent), store.kind_of(extent) == WRITE)
        for lba, data in store.captured(self.start, min(shape.heap, shape.blocks)):
            self._apply_block(lba - self.start, data, number, False)

    def apply(self, lba: int, count: int, number: int, written: bool) -> None:
        """Takes the blocks from ``lba`` on that exchange ``number`` moved: those of the store's latest extent."""
        low = max(lba, self.start) - self.start
        high = min(lba + count, self.start + self.shape.blocks) - self.start
        heap, here = self.shape.heap, lba - self.start
        ranges = [(here + first, here + after) for first, after in self._store.captured_blocks(self._store.latest)]
        for place in _within(ranges, low, min(high, heap)):
            if self._meta(place):
                data = self._moved(place - here)
                self._marks(place, data, number, written)
                self._apply_block(place, data, number, written)
        if high > heap:
            self._apply_data(max(low, heap), high, number, written, ranges, here)

    def _moved(self, index: int) -> bytes:
        """A block of the store's latest extent, one of those that are wholly recorded."""
        return self._store.block(self._store.latest, index) or bytes(self.block_length)

    def _meta(self, place: int) -> bool:
        """Whether a block before the clusters is one that is followed."""
        shape = self.shape
        end = shape.fat + shape.fats * shape.fat_blocks
        return place == 0 or place == shape.info or shape.fat <= place < end or place >= shape.heap - shape.root_blocks

    @property
    def _first_of_table(self) -> int:
        """The first block of the FAT that counts."""
        return self.shape.fat + self.shape.active * self.shape.fat_blocks

    def _marks(self, place: int, data: bytes, number: int, written: bool) -> None:
        if place == 0:
            self.in_use.see(BOOT, number, bool(data[self.shape.state_byte] & self.shape.state_bit), written)
        elif place == self._first_of_table:
            self.in_use.see_table(self.shape.kind, data, number, written)

    def _apply_block(self, place: int, data: bytes, number: int, written: bool) -> None:
        shape = self.shape
        if place == shape.info and data[:4] == b"RRaA":
            free = int.from_bytes(data[488:492], "little")
            if self.info is None or self.info[0] != free:
                self.info = (free, number)
        elif shape.fat <= place < shape.fat + shape.fats * shape.fat_blocks:
            self._apply_table(place - shape.fat, data, number, written)
        elif shape.heap - shape.root_blocks <= place < shape.heap:
            self._put(self.root, place - shape.heap + shape.root_blocks, data, number, written)

    def _apply_table(self, place: int, data: bytes, number: int, written: bool) -> None:
        copy, index = divmod(place, self.shape.fat_blocks)
        if copy != self.shape.active and self.table.has(index):
            return
        self._earn()
        touched: dict[Node, int] = {}
        for cluster in self.table.put(index, data):
            run = self.owners.find(cluster)
            if run is not None and not run.node.entry.contiguous:
                at = run.index + cluster - run.cluster
                touched[run.node] = min(at, touched.get(run.node, at))
        for node, at in touched.items():
            if not node.gone:
                self._shrink(node, at + 1)
                self._follow(node, number, written)

    def _apply_data(
        self, low: int, high: int, number: int, written: bool, ranges: list[tuple[int, int]], here: int
    ) -> None:
        """Passes on the blocks that belong to directories and to the allocation bitmap; notes writes to the rest."""
        for node, first, count, index in list(islice(self.pieces(low, high), MOST_PIECES)):
            if node is not None and (node.directory or node.entry.kind == "bitmap"):
                for place in _within(ranges, first, first + count):
                    if not node.gone:
                        self._put(node, index + place - first, self._moved(place - here), number, written)
            elif written and node is not None:
                length = self.block_length
                self.journal.data_written(self, node, index * length, count * length, number)
            elif written:
                self._note_unowned(first, count, number)


def _within(ranges: list[tuple[int, int]], low: int, high: int) -> Iterator[int]:
    """The blocks from ``low`` to ``high`` - 1 that lie in one of the ranges, which are in order."""
    for first, after in ranges[max(0, bisect_right(ranges, (low, 0)) - 1) :]:
        if first >= high:
            return
        yield from range(max(low, first), min(high, after))
