"""What was under way on a medium at a moment: what its loss, or that of its device, would cut off.

Facts for others to weigh, not a judgement: a volume marked as in use, writes that no SYNCHRONIZE CACHE followed
(SBC-2 5.18), by what they were for, writes that broke off, and how far a file had been read or written.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice
from typing import TYPE_CHECKING, NamedTuple

from sticktrace.volume.extent_log import CHANGES
from sticktrace.volume.in_use import Mark
from sticktrace.volume.overview import left_uncertain
from sticktrace.volume.progress import Progress, Sweep
from sticktrace.volume.tree import Node

if TYPE_CHECKING:
    from sticktrace.volume.division import Volume
    from sticktrace.volume.medium import Medium

MOST_WRITES, MOST_PIECES = 4096, 256
"""Writes that are looked at, the latest ones, and pieces of files in one of them."""


class Part(StrEnum):
    """What a block is for."""

    DIVISION = "partition table"
    BOOT = "boot sector"
    FAT = "FAT"
    DIRECTORY = "directory"
    BITMAP = "allocation bitmap"
    DATA = "file data"
    OTHER = "other blocks"


STRUCTURE = frozenset((Part.DIVISION, Part.BOOT, Part.FAT, Part.DIRECTORY, Part.BITMAP))
"""Parts whose loss can cost files that were not being written."""


class Writes(NamedTuple):
    """Commands that wrote to one part: how many, and the first and the last exchange."""

    commands: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class OpenWork:
    """``in_use``: title and mark of each volume marked as in use. ``flushes`` counts the SYNCHRONIZE CACHE commands
    before; a host that never sends one does not wait for its writes in this way. ``unflushed``: the writes after the
    last of them. ``lost``: (first block, blocks, exchange) of what writes that broke off left uncertain. ``reading``
    and ``writing``: the file that was read, or written, last, None where that was no file or is not known. ``sweep``:
    the blocks that READs went through in order up to the end, whatever they are for."""

    in_use: tuple[tuple[str, Mark], ...]
    flushes: int
    unflushed: dict[Part, Writes]
    lost: tuple[tuple[int, int, int], ...]
    reading: Progress | None
    writing: Progress | None
    sweep: Sweep | None

    @property
    def structure_unflushed(self) -> bool:
        """Whether tables or directories were written and not flushed."""
        return any(part in STRUCTURE for part in self.unflushed)

    @property
    def half_read(self) -> bool:
        """Whether the file that was read last was read from its beginning, and not to its end."""
        return self.reading is not None and self.reading.begin == 0 and not self.reading.whole

    @property
    def nothing(self) -> bool:
        """Whether nothing was under way, as far as the capture shows."""
        return not (self.in_use or self.unflushed or self.lost or self.half_read)


def open_work(medium: Medium, as_of: int | None = None) -> OpenWork:
    """What was under way after exchange ``as_of``, or after the last that the medium took. How far a file had been read
    is known for the present moment only."""
    flushes = [number for number in medium.flushes if as_of is None or number <= as_of]
    marks = [(volume.title, volume.files.in_use.at(as_of)) for volume in medium.volumes if volume.files is not None]
    return OpenWork(
        tuple((title, mark) for title, mark in marks if mark is not None and mark.in_use), len(flushes),
        _unflushed(medium, flushes[-1] if flushes else 0, as_of),
        tuple(left_uncertain(medium, as_of)),
        medium.reading.told(as_of), medium.writing.told(as_of), medium.swept.sweep if as_of is None else None,
    )  # fmt: skip


def _unflushed(medium: Medium, after: int, as_of: int | None) -> dict[Part, Writes]:
    """Writes after an exchange, by what they were for as the volume now stands."""
    late = [(lba, blocks, number) for lba, blocks, number, kind in medium.store.extents()
            if kind in CHANGES and number > after and (as_of is None or number <= as_of)]  # fmt: skip
    counts, first, last = Counter[Part](), dict[Part, int](), dict[Part, int]()
    for lba, blocks, number in late[-MOST_WRITES:]:
        for part in sorted(set(_parts(medium, lba, blocks))):
            counts[part] += last.get(part) != number
            first.setdefault(part, number)
            last[part] = number
    return {part: Writes(count, first[part], last[part]) for part, count in counts.items()}


def _parts(medium: Medium, lba: int, blocks: int) -> Iterator[Part]:
    """What a range of blocks is for."""
    rest = blocks
    if any(lba <= place < lba + blocks for place in medium.table.roles):
        yield Part.DIVISION
        rest -= 1
    for volume in medium.volumes:
        low, high = max(lba, volume.start), min(lba + blocks, volume.start + volume.blocks)
        if low < high:
            rest -= high - low
            yield from _in_volume(volume, low - volume.start, high - volume.start)
    if rest > 0:
        yield Part.OTHER


def _in_volume(volume: Volume, low: int, high: int) -> Iterator[Part]:
    files = volume.files
    if files is None:
        yield Part.BOOT if low == 0 else Part.OTHER
        return
    shape = files.shape
    tables, heap = shape.fat + shape.fats * shape.fat_blocks, shape.heap
    for first, after, part in (
        (0, shape.fat, Part.BOOT), (shape.fat, tables, Part.FAT), (heap - shape.root_blocks, heap, Part.DIRECTORY)
    ):  # fmt: skip
        if max(low, first) < min(high, after):
            yield part
    if high > heap:
        for node, *_ in islice(files.pieces(max(low, heap), high), MOST_PIECES):
            yield _of_node(node)


def _of_node(node: Node | None) -> Part:
    """Clusters without an owner are data that waits for its entry, for all that is known."""
    if node is None or not (node.directory or node.entry.kind == "bitmap"):
        return Part.DATA
    return Part.DIRECTORY if node.directory else Part.BITMAP
