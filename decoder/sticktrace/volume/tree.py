"""Files and directories of a volume, and which of them owns which cluster.

A cluster has one owner: the first whose chain reached it. A chain that comes to an owned cluster stops there and is
marked "loop" or "cross-linked". So every walk is bounded by the clusters of the volume, the directories form a tree
whatever the medium says, and a looping or crossed chain is found as a matter of course.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Iterator
from dataclasses import dataclass, field

from sticktrace.text import safe
from sticktrace.volume.entries import Entry, SlotBlocks

DEEPEST = 64
"""Directories within directories that are followed. FAT paths end at 260 characters, so none is deeper than 130
on a sound volume and few pass ten."""


@dataclass(slots=True, eq=False)
class Run:
    """Clusters in a row that belong to ``node``; ``index`` is the place of the first of them in the chain."""

    cluster: int
    count: int
    node: Node
    index: int


@dataclass(slots=True, eq=False)
class Node:
    """A file or directory. ``stop`` says how its chain ended: "end", "empty", "free", "bad", "broken", "loop",
    "cross-linked", "too long", or "not captured". ``blocked`` are nodes whose chains ran into this one.
    ``new`` is set when the entry was first seen in a WRITE; ``written_from`` is that exchange."""

    entry: Entry
    parent: Node | None
    depth: int = 0
    runs: list[Run] = field(default_factory=list)
    stop: str = "empty"
    rival: Node | None = None
    blocked: list[Node] = field(default_factory=list)
    children: dict[int, Node] = field(default_factory=dict)
    deleted: dict[int, Entry] = field(default_factory=dict)
    slots: SlotBlocks | None = None
    end_slot: int | None = None
    new: bool = False
    written_from: int = 0
    gone: bool = False

    @property
    def directory(self) -> bool:
        """Whether it is a directory."""
        return self.entry.kind == "directory"

    @property
    def clusters(self) -> int:
        """Clusters that its chain has reached."""
        return self.runs[-1].index + self.runs[-1].count if self.runs else 0

    @property
    def path(self) -> str:
        """The path from the root, made safe: ``/LEVELS/2031-04.CSV``; the root is ``/``."""
        names: list[str] = []
        node: Node | None = self
        while node is not None and node.parent is not None:
            names.append(safe(node.entry.name))
            node = node.parent
        return "/" + "/".join(reversed(names))

    def walk(self) -> Iterator[Node]:
        """This node and everything below it, directories before their content, in the order of the slots."""
        stack = [self]
        while stack:
            node = stack.pop()
            yield node
            stack += [node.children[slot] for slot in sorted(node.children, reverse=True)]


_SHIFT = 14
_SPAN = 1 << _SHIFT
"""Clusters in one bucket of `Owners`."""


class Owners:
    """Which node owns which cluster. Runs are kept sorted within buckets of clusters, and end where a bucket ends, so
    that every step costs the same however fragmented a volume is."""

    def __init__(self) -> None:
        self._buckets: dict[int, list[int]] = {}
        self._runs: dict[int, Run] = {}

    def find(self, cluster: int) -> Run | None:
        """The run that holds a cluster."""
        starts = self._buckets.get(cluster >> _SHIFT)
        if starts is None:
            return None
        at = bisect_right(starts, cluster) - 1
        if at < 0:
            return None
        run = self._runs[starts[at]]
        return run if cluster < run.cluster + run.count else None

    def following(self, cluster: int, limit: int) -> int:
        """The first owned cluster after ``cluster`` and before ``limit``, else ``limit``."""
        first, last = cluster >> _SHIFT, limit >> _SHIFT
        if last - first < len(self._buckets):
            numbers: list[int] = [n for n in range(first, last + 1) if n in self._buckets]
        else:
            numbers = sorted(n for n in self._buckets if first <= n <= last)
        for number in numbers:
            starts = self._buckets[number]
            at = bisect_right(starts, cluster)
            if at < len(starts):
                return min(limit, starts[at])
        return limit

    def claim(self, node: Node, cluster: int, count: int) -> int:
        """Gives a node up to ``count`` clusters from a free one on, as far as they are free and in one bucket; returns
        how many."""
        count = min(count, _SPAN - (cluster & _SPAN - 1))
        count = self.following(cluster, cluster + count) - cluster
        last = node.runs[-1] if node.runs else None
        if last is not None and last.cluster + last.count == cluster and cluster & _SPAN - 1:
            last.count += count
            return count
        run = Run(cluster, count, node, node.clusters)
        insort(self._buckets.setdefault(cluster >> _SHIFT, []), cluster)
        self._runs[cluster] = run
        node.runs.append(run)
        return count

    def release(self, node: Node, keep: int) -> int:
        """Takes from a node all clusters from place ``keep`` of its chain on; returns how many runs went."""
        gone = 0
        while node.runs and node.runs[-1].index >= keep:
            run = node.runs.pop()
            gone += 1
            del self._runs[run.cluster]
            number = run.cluster >> _SHIFT
            starts = self._buckets[number]
            del starts[bisect_right(starts, run.cluster) - 1]
            if not starts:
                del self._buckets[number]
        if node.runs:
            last = node.runs[-1]
            last.count = min(last.count, keep - last.index)
        return gone
