"""The zones of a medium: what its blocks are for as named ranges, and which commands touched which of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from sticktrace.volume.extent_log import FAILURES, READ
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium
from sticktrace.volume.tree import Node

READS, WRITES, FAILS = 1, 2, 4
_PIECES = 64
"""Pieces of files in one command that are told apart."""
MOST_BLOCKS = 16
"""A range of so many blocks is told block by block."""

Piece = tuple[str, int, int]
"""A zone's name, and the first and the last block of a part of it."""


@dataclass(slots=True)
class Zone:
    """A zone with the touched blocks' reach, and its touches: (exchange, READS, WRITES or FAILS)."""

    name: str
    first: int
    last: int
    touches: list[tuple[int, int]]

    @property
    def failed(self) -> bool:
        """Whether a command failed in it."""
        return any(kind == FAILS for _, kind in self.touches)


def zones(medium: Medium, first: int = 0, last: int | None = None) -> list[Zone]:
    """The zones that commands touched, in the order of their blocks; with a range those in it, clipped, and block by
    block where it is short. A block that failed is a zone of its own, so that it is named and not its neighbours."""
    single = last is not None and last - first < MOST_BLOCKS
    found: dict[str, Zone] = {}
    for lba, blocks, number, kind in medium.store.extents():
        low, high = max(lba, first), lba + blocks - 1 if last is None else min(lba + blocks - 1, last)
        if low > high:
            continue
        what = FAILS if kind in FAILURES else READS if kind == READ else WRITES
        for name, begin, end in _pieces(medium, low, high):
            for block in range(begin, end + 1) if single else (begin,):
                key = f"{name}, block {block}" if single else f"{name}, failed" if what == FAILS else name
                reach = (block, block) if single else (begin, end)
                zone = found.setdefault(key, Zone(name if single else key, *reach, []))
                zone.first, zone.last = min(zone.first, reach[0]), max(zone.last, reach[1])
                zone.touches.append((number, what))
    return sorted(found.values(), key=lambda zone: (zone.first, zone.last))


def _pieces(medium: Medium, low: int, high: int) -> Iterator[Piece]:
    """A range of blocks divided by what they are for."""
    place = low
    for volume in medium.volumes:
        after = volume.start + (volume.blocks or 1 << 60)
        if volume.start > high or after <= place:
            continue
        if volume.start > place:
            yield from _outside(medium, place, volume.start - 1)
            place = volume.start
        end = min(high, after - 1)
        title = f"{volume.title}: " if len(medium.volumes) > 1 else ""
        if volume.files is None:
            yield f"{volume.title} ({volume.kind or 'file system not known'})", place, end
        else:
            yield from ((title + name, a, b) for name, a, b in _inside(volume.files, place, end))
        place = end + 1
    if place <= high:
        yield from _outside(medium, place, high)


def _outside(medium: Medium, low: int, high: int) -> Iterator[Piece]:
    """Blocks outside any volume: of the partition table, or not."""
    roles, place = medium.table.roles, low
    for lba in sorted(lba for lba in roles if low <= lba <= high):
        if lba > place:
            yield _nobody(medium), place, lba - 1
        yield roles[lba], lba, lba
        place = lba + 1
    if place <= high:
        yield _nobody(medium), place, high


def _nobody(medium: Medium) -> str:
    return "outside any partition" if medium.table.scheme else "not known"


def _inside(files: FileSystem, low: int, high: int) -> Iterator[Piece]:
    """Blocks of a FAT or exFAT volume."""
    for name, begin, after in fixed_parts(files):
        first, last = max(low, begin), min(high, after - 1)
        if first <= last:
            yield name, first, last
    heap = files.start + files.shape.heap
    if high < heap:
        return
    low = max(low, heap)
    for node, first, blocks, _ in islice(files.pieces(low - files.start, high - files.start + 1), _PIECES):
        yield _owner(node), files.start + first, files.start + first + blocks - 1


def fixed_parts(files: FileSystem) -> Iterator[tuple[str, int, int]]:
    """What lies before the clusters, each part with its first block and the one behind it."""
    shape, start = files.shape, files.start
    yield "boot sector", start, start + 1
    if shape.fat > 1:
        yield "reserved sectors", start + 1, start + shape.fat
    for copy in range(shape.fats):
        begin = start + shape.fat + copy * shape.fat_blocks
        yield f"FAT {copy + 1}", begin, begin + shape.fat_blocks
    tables, root = shape.fat + shape.fats * shape.fat_blocks, shape.heap - shape.root_blocks
    if root > tables:
        yield "unused before the clusters", start + tables, start + root
    if shape.root_blocks:
        yield "root directory", start + root, start + shape.heap


def _owner(node: Node | None) -> str:
    """Whose clusters these are."""
    if node is None:
        return "clusters of nobody known"
    kind = node.entry.kind
    if kind == "directory":
        return "root directory" if node.parent is None else f"{node.path}/"
    return node.path if kind == "file" else kind
