"""Which exchange first showed what is now known of a medium.

A host writes a table again and again, and what is wrong in it was wrong from the first time on. So a fact names the
bytes that it rests on, and its evidence is the earliest exchange since which these bytes are what they are.
"""

from __future__ import annotations

from sticktrace.volume.chains import Chains
from sticktrace.volume.extent_log import READ, WRITE
from sticktrace.volume.store import SectorStore
from sticktrace.volume.tree import Node

Span = tuple[int, int]
"""Bytes of a block: the first, and the one after the last."""

WHOLE: Span = (0, 1 << 16)
BOOT: tuple[Span, ...] = ((0, 37), (38, 65), (66, 106), (108, 112))
"""Bytes of a boot sector that say how the volume is laid out: without the marks "in use" of FAT12/16, FAT32 and exFAT,
and PercentInUse, which change all the time."""
MOST_STEPS = 1024
"""Commands on one block that are looked through, from the last back."""


def first_shown(store: SectorStore, lba: int, *spans: Span) -> int:
    """The exchange since which bytes of a block are what they are; 0 if the capture does not hold them."""
    spans = spans or (WHOLE,)
    found, wanted = 0, None
    for extent in store.history(lba)[:MOST_STEPS]:
        if store.kind_of(extent) not in (READ, WRITE):
            continue
        data = store.block(extent, lba - store.first_of(extent))
        if data is None:
            continue
        bytes_now = [data[low:high] for low, high in spans]
        if wanted is not None and bytes_now != wanted:
            break
        found, wanted = store.exchange_of(extent), bytes_now
    return found


def all_shown(store: SectorStore, first: int, count: int) -> int:
    """The exchange since which a run of blocks is what it is, marks in a boot sector left out; 0 if some are not
    there."""
    numbers = [first_shown(store, first + i) for i in range(1, count)]
    numbers.append(first_shown(store, first, *BOOT, (120, 1 << 16)))
    return max(numbers) if all(numbers) else 0


def entry_shown(store: SectorStore, volume: Chains, node: Node) -> int:
    """The exchange that first showed the first cluster and the size in the directory entry of a node."""
    parent, slot = node.parent, node.entry.slot
    if parent is None or parent.slots is None:
        return first_shown(store, volume.start, *BOOT)
    spans: tuple[Span, ...] = ((20, 22), (26, 32))  # FAT spec: DIR_FstClusHI, DIR_FstClusLO, DIR_FileSize
    if volume.shape.kind == 64:
        slot, spans = slot + 1, ((1, 2), (8, 16), (20, 32))  # exFAT 7.6: flags, lengths, FirstCluster
    block, at = divmod(slot, parent.slots.per_block)
    lba = volume.block_of(parent, block)
    return first_shown(store, lba, *((32 * at + low, 32 * at + high) for low, high in spans)) if lba is not None else 0


def link_shown(store: SectorStore, volume: Chains, node: Node) -> int:
    """The exchange that first showed where the chain of a node now ends; 0 where the FAT does not tell."""
    if not node.runs or node.entry.contiguous:
        return 0
    last, shape = node.runs[-1], volume.shape
    low, high = volume.table.place(last.cluster + last.count - 1)
    length = volume.block_length
    block, at = divmod(low, length)
    lba = volume.start + shape.fat + shape.active * shape.fat_blocks + block
    return first_shown(store, lba, (at, min(length, at + high - low)))
