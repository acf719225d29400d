"""The story of file operations, told from what WRITE commands did to directories.

A host does not send "rename"; it rewrites directory slots, in an order of its own, often with several operations in one
block. So the journal notes what appeared, changed and vanished; `story` then joins what belongs together: an entry
that vanished and one that appeared with the same first cluster, size and time are one file moved or renamed.
What was already so when a block was first seen is not an operation and is not told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sticktrace.volume.directories import Directories
    from sticktrace.volume.entries import Entry
    from sticktrace.volume.tree import Node

CREATED, DELETED, RENAMED, MOVED = "created", "deleted", "renamed", "moved"
GREW, SHRANK, REWRITTEN, TOUCHED = "grew", "shrank", "rewritten", "touched"

LONGEST_STORY = 1 << 20
"""Changes that are kept; beyond, only the count goes on."""


@dataclass(slots=True, eq=False)
class Change:
    """One file operation. ``first`` and ``last`` are the exchanges that wrote it (they differ for changes that went
    on, such as growing), ``time_ns`` the time of the first. ``was`` is the path before a rename or move. Sizes are
    bytes, -1 where they do not apply. ``bytes`` counts data written into the file in the course of it, ``reach`` is the
    place in the file after the last of them."""

    kind: str
    path: str
    first: int
    last: int
    time_ns: int
    volume_start: int
    directory: bool = False
    was: str = ""
    size_before: int = -1
    size_after: int = -1
    bytes: int = 0
    reach: int = 0
    node: Node | None = None
    entry: Entry | None = None

    def in_words(self) -> str:
        """One line: ``renamed /STATION.TXT to /STATION.OLD``."""
        noun = "directory " if self.directory else ""
        if self.kind in (RENAMED, MOVED):
            return f"{self.kind} {noun}{self.was} to {self.path}"
        if self.kind in (GREW, SHRANK):
            return f"{self.path} {self.kind} from {self.size_before:,} to {self.size_after:,} bytes"
        if self.kind == CREATED and not self.directory:
            return f"created {self.path}, {max(0, self.size_after):,} bytes"
        if self.kind == REWRITTEN:
            return f"{self.bytes:,} bytes written inside {self.path}"
        return f"{self.kind} {noun}{self.path}"


class Journal:
    """What changed on one medium, in order. ``now_ns`` is the time of the exchange being taken in."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.changes: list[Change] = []
        self.left_out = 0
        self._latest: dict[int, Change] = {}
        self.grown_from: dict[Node, int] = {}

    def _note(self, kind: str, volume: Directories, node: Node, number: int, **values: object) -> None:
        if len(self.changes) >= LONGEST_STORY:
            self.left_out += 1
            return
        change = Change(
            kind, node.path, number, number, self.now_ns, volume.start, node.directory, node=node, entry=node.entry
        )
        for name, value in values.items():
            setattr(change, name, value)
        self.changes.append(change)
        self._latest[id(node)] = change

    def created(self, volume: Directories, node: Node, number: int) -> None:
        """An entry appeared."""
        if node.entry.kind not in ("file", "directory"):
            return
        self.grown_from[node] = 0
        self._note(CREATED, volume, node, number, size_before=0, size_after=node.entry.size)

    def deleted(self, volume: Directories, node: Node, number: int) -> None:
        """An entry vanished."""
        self.grown_from.pop(node, None)
        self._note(DELETED, volume, node, number, size_before=node.entry.size)
        self._latest.pop(id(node), None)

    def renamed(self, volume: Directories, node: Node, was: str, number: int) -> None:
        """An entry took another name in the same directory, in one write."""
        self._note(RENAMED, volume, node, number, was=was)

    def updated(self, volume: Directories, node: Node, before: Entry, number: int) -> None:
        """An entry kept its name and changed otherwise. A change that goes on is told once."""
        size, old = node.entry.size, before.size
        latest = self._latest.get(id(node))
        if size == old:
            if latest is None:
                self._note(TOUCHED, volume, node, number)
            return
        kind = GREW if size > old else SHRANK
        if kind == GREW:
            self.grown_from.setdefault(node, old)
        if latest is not None and latest.kind == REWRITTEN and kind == GREW and latest.reach > old:
            # A host that appends writes the data first, its last old block with it, and the new size afterwards.
            latest.kind, latest.size_before = kind, old
        if latest is not None and (latest.kind == kind or (latest.kind == CREATED and kind == GREW)):
            latest.size_after, latest.last, latest.entry = size, number, node.entry
            return
        self._note(kind, volume, node, number, size_before=old, size_after=size)

    def data_written(self, volume: Directories, node: Node, at: int, count: int, number: int) -> None:
        """Data went into a file's clusters: part of a change under way, or a rewrite of what was there."""
        latest = self._latest.get(id(node))
        inside = max(0, min(at + count, node.entry.size) - at)
        if latest is None and inside:
            self._note(REWRITTEN, volume, node, number)
            latest = self._latest.get(id(node))
        if latest is not None:
            latest.bytes += count if latest.kind != REWRITTEN else inside
            latest.reach = max(latest.reach, at + count)
            latest.last = number

    def story(self) -> list[Change]:
        """The changes in order, with what belongs together joined."""
        told: list[Change] = []
        waiting: dict[tuple[int, int], int] = {}
        for change in self.changes:
            place = self._partner(change, told, waiting)
            if place is not None:
                other = told[place]
                told[place] = _joined(change, other) if change.kind == CREATED else _joined(other, change)
                continue
            if change.kind in (CREATED, DELETED) and change.entry is not None and change.entry.first:
                waiting[change.volume_start, change.entry.first] = len(told)
            told.append(change)
        return told

    def _partner(self, change: Change, told: list[Change], waiting: dict[tuple[int, int], int]) -> int | None:
        """The place in the story of the other half of a move, if this change is one half."""
        if change.entry is None or change.kind not in (CREATED, DELETED):
            return None
        key = (change.volume_start, change.entry.first)
        place = waiting.get(key)
        if place is None:
            return None
        other = told[place]
        if other.kind == change.kind or other.node is change.node or other.entry is None:
            return None
        mine, theirs = change.entry, other.entry
        same_time = mine.modified == theirs.modified or mine.created == theirs.created
        if mine.kind != theirs.kind or not (change.directory or (mine.size == theirs.size and same_time)):
            return None
        return waiting.pop(key)


def _joined(made: Change, gone: Change) -> Change:
    kind = RENAMED if made.path.rpartition("/")[0] == gone.path.rpartition("/")[0] else MOVED
    first, last = sorted((made.first, gone.first))
    return Change(
        kind, made.path, first, max(last, made.last), min(made.time_ns, gone.time_ns), made.volume_start,
        made.directory, gone.path, node=made.node, entry=made.entry,
    )  # fmt: skip
