"""What a directory says about one file, whichever of FAT and exFAT it is; and the blocks of a directory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

SLOT = 32
"""Bytes of one slot of a directory, in FAT and exFAT alike."""


class Entry(NamedTuple):
    """One entry. ``slot`` is where it stands: the short entry in FAT, the file entry in exFAT; ``slots`` is how many it
    takes. ``kind`` is "file", "directory", "label", "bitmap" or "up-case table". ``name`` is as stored, not made safe.
    ``first`` is the first cluster, 0 for none. ``valid`` is how many bytes have been written (exFAT
    ValidDataLength), equal to ``size`` in FAT. ``problem`` is a sentence, or "". ``short`` is the 8.3 name in FAT."""

    slot: int
    slots: int
    kind: str
    name: str
    size: int
    first: int
    contiguous: bool = False
    created: str = ""
    modified: str = ""
    attributes: int = 0
    valid: int = 0
    deleted: bool = False
    problem: str = ""
    short: str = ""


@dataclass(slots=True)
class Scan:
    """Entries found in a range of slots, by slot; ``end`` is the slot that ends the directory, or None."""

    entries: dict[int, Entry]
    deleted: dict[int, Entry]
    end: int | None


class SlotBlocks:
    """The captured blocks of one directory, by their number within it."""

    __slots__ = ("blocks", "per_block")

    def __init__(self, block_length: int) -> None:
        self.per_block = block_length // SLOT
        self.blocks: dict[int, bytes] = {}

    def get(self, slot: int) -> bytes | None:
        """The 32 bytes of a slot, or None where the capture lacks them."""
        data = self.blocks.get(slot // self.per_block)
        at = slot % self.per_block * SLOT
        return data[at : at + SLOT] if data is not None else None

    def slots(self, low: int, high: int) -> Iterator[tuple[int, bytes]]:
        """The captured slots from ``low`` to ``high`` - 1 in order."""
        per = self.per_block
        first, after = low // per, -(-high // per)
        if after - first <= len(self.blocks):
            numbers: list[int] = [n for n in range(first, after) if n in self.blocks]
        else:
            numbers = sorted(n for n in self.blocks if first <= n < after)
        for number in numbers:
            data, base = self.blocks[number], number * per
            for slot in range(max(low, base), min(high, base + per)):
                at = (slot - base) * SLOT
                yield slot, data[at : at + SLOT]

    def beyond(self) -> int:
        """The slot after the last captured one."""
        return (max(self.blocks, default=-1) + 1) * self.per_block
