"""What rules about the volume look for in the sectors of a medium: contradictions, and how far a host read."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.volume.extent_log import CHANGES, READ, WRITE
from sticktrace.volume.medium import Medium
from sticktrace.volume.store import SectorStore

MOST_KNOWN, MOST_STEPS = 50_000, 1_500_000
"""Blocks whose content is remembered, and blocks that are looked at in all, so that the comparison is bounded in memory
and time: it sees a counterfeit in any ordinary recording, and the beginning of a very long one."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A block that was read with other content than it had: ``was_written`` tells whether a WRITE had put it there,
    ``alias`` is the block whose written content came instead, -1 if none fits."""

    lba: int
    before: int
    after: int
    was_written: bool
    alias: int


def reads_only_tables(medium: Medium) -> bool:
    """Whether nothing but the places of partition tables and boot sectors was read: the host went no further."""
    last = medium.store.last_lba
    starts = [0, *(volume.start for volume in medium.volumes)]
    seen = False
    for lba, blocks, _, kind in medium.store.extents():
        near = any(start <= lba and lba + blocks <= start + 34 for start in starts)
        if kind != READ or (not near and not (last is not None and lba >= last - 34)):
            return False
        seen = True
    return seen


def contradictions(medium: Medium) -> list[Contradiction]:
    """Blocks read with other content than last written or read, with no WRITE in between."""
    seen = _Seen(medium.store)
    for extent, (lba, blocks, _, kind) in enumerate(medium.store.extents()):
        seen.steps += blocks if kind in (READ, WRITE) else 1
        if seen.steps > MOST_STEPS or len(seen.found) >= 256:
            break
        if kind == READ:
            seen.read(extent, lba, blocks)
        elif kind == WRITE:
            seen.write(extent, lba, blocks)
        elif kind in CHANGES:
            seen.forget(lba, blocks)
    return seen.found


class _Seen:
    """Where each block was last seen, and which block each written content belongs to."""

    def __init__(self, store: SectorStore) -> None:
        self.store = store
        self.known: dict[int, tuple[int, int, bool]] = {}
        self.owners: dict[bytes, int] = {}
        self.found: list[Contradiction] = []
        self.steps = 0

    def read(self, extent: int, lba: int, blocks: int) -> None:
        """Compare what a READ gave with what was known."""
        for index in range(blocks):
            before = self.known.get(lba + index)
            if before is not None:
                old, new = self.store.block(before[0], before[1]), self.store.block(extent, index)
                if old is not None and new is not None and old != new:
                    numbers = self.store.exchange_of(before[0]), self.store.exchange_of(extent)
                    self.found.append(Contradiction(lba + index, *numbers, before[2], self.owners.get(new, -1)))
            if len(self.known) < MOST_KNOWN if before is None else not before[2]:
                self.known[lba + index] = (extent, index, False)

    def forget(self, lba: int, blocks: int) -> None:
        """A command changed blocks, and the capture does not show to what."""
        gone = range(lba, lba + blocks)
        for at in gone if blocks < len(self.known) else [at for at in self.known if at in gone]:
            self.known.pop(at, None)

    def write(self, extent: int, lba: int, blocks: int) -> None:
        """Remember what a WRITE put where."""
        for index in range(blocks):
            at = lba + index
            if at in self.known or len(self.known) < MOST_KNOWN:
                self.known[at] = (extent, index, True)
            if len(self.owners) < MOST_KNOWN:
                data = self.store.block(extent, index)
                if data is not None and any(data):
                    self.owners.setdefault(data, at)
