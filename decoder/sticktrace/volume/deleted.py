"""Files that are no longer there: deleted in the course of the capture, or before it began."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sticktrace.volume.changes import DELETED
from sticktrace.volume.division import Volume
from sticktrace.volume.medium import Medium
from sticktrace.volume.tree import Node


class Remains(NamedTuple):
    """A deleted entry whose data may still be there. ``lba`` and ``blocks`` are where the file lay if it lay in one
    piece, which its entry no longer tells; ``captured`` is how many of these blocks the capture holds."""

    path: str
    size: int
    lba: int
    blocks: int
    captured: int


def deleted_here(medium: Medium) -> list[tuple[str, int]]:
    """(path, exchange) of the files that were deleted in the course of the capture, in order of time. The exchange
    before it still had them."""
    story = medium.journal.story()
    return [(change.path, change.first) for change in story if change.kind == DELETED and not change.directory]


def remains(medium: Medium, volume: Volume) -> Iterator[Remains]:
    """The deleted entries of a volume that lead to blocks which no other file took and of which the capture holds at
    least one."""
    files = volume.files
    if files is None:
        return
    for node in files.root.walk():
        for entry in node.deleted.values():
            first = entry.first
            if entry.kind != "file" or not entry.size or not 2 <= first <= files.shape.clusters + 1:
                continue
            blocks = -(-entry.size // files.block_length)
            if files.owners.find(first) is not None or files.lba_of(first) + blocks > volume.start + files.blocks:
                continue
            lba = files.lba_of(first)
            there = sum(count for _, count, known in medium.store.known(lba, blocks) if known)
            if there:
                yield Remains(_path(node, entry.name), entry.size, lba, blocks, there)


def _path(node: Node, name: str) -> str:
    from sticktrace.text import safe

    return f"{node.path.rstrip('/')}/{safe(name)}"
