"""Which clusters of a volume belong to which file: chains through the table, as far as the capture shows it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

from sticktrace.grammar import exfat as exfat_grammar
from sticktrace.grammar import fat as fat_grammar
from sticktrace.volume.fat import BAD, BROKEN, END, FREE, ClusterTable
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.tree import Node, Owners

CREDIT = 1 << 14
"""Steps along chains that one block of the table pays for. A sound volume uses a few; a table made to have long chains
walked again and again runs out."""
FIRST_CREDIT = 1 << 22
UNOWNED_LIMIT, AT_ONCE = 1 << 16, 1 << 12
"""Clusters written without an owner that are remembered until one turns up, in all and of one command."""

_STOPS = {FREE: "free", END: "end", BAD: "bad", BROKEN: "broken"}


class Chains:
    """The clusters of one volume. ``start`` is its first block on the medium; all block numbers of `Geometry` count
    from there. ``unowned`` are clusters written while no file owned them, with the first exchange; ``exhausted`` is
    whether following chains was given up."""

    def __init__(self, start: int, shape: Geometry, block_length: int) -> None:
        self.start, self.shape, self.block_length = start, shape, block_length
        self.table = ClusterTable(shape.kind, shape.clusters, block_length)
        self.owners = Owners()
        self.bitmap: dict[int, bytes] = {}
        self.unowned: dict[int, int] = {}
        self.directory_clusters: set[int] = set()
        self._credit = FIRST_CREDIT
        self.exhausted = False
        limit = exfat_grammar.DIRECTORY_LIMIT if shape.kind == 64 else fat_grammar.DIRECTORY_LIMIT
        self._longest = max(1, limit // (shape.cluster_blocks * block_length))

    def _earn(self) -> None:
        """A block of the table came in, and pays for steps along chains."""
        self._credit += CREDIT

    def _grown(self, node: Node, before: int, number: int, written: bool) -> None:
        """A chain got longer than ``before`` clusters in exchange ``number``."""
        raise NotImplementedError

    def _cut_back(self, node: Node, keep: int) -> None:
        """A chain was cut after ``keep`` clusters."""
        raise NotImplementedError

    def lba_of(self, cluster: int) -> int:
        """The first block of a cluster."""
        return self.start + self.shape.heap + (cluster - 2) * self.shape.cluster_blocks

    def block_of(self, node: Node, index: int) -> int | None:
        """Where on the medium block ``index`` of a file or directory lies; None if its chain is not known so far."""
        shape = self.shape
        if node.parent is None and shape.root_blocks:
            return self.start + shape.heap - shape.root_blocks + index if index < shape.root_blocks else None
        cluster, rest = divmod(index, shape.cluster_blocks)
        at = bisect_right(node.runs, cluster, key=lambda run: run.index) - 1
        if at < 0 or cluster >= node.runs[at].index + node.runs[at].count:
            return None
        return self.lba_of(node.runs[at].cluster + cluster - node.runs[at].index) + rest

    @property
    def blocks(self) -> int:
        """Blocks of the volume."""
        return self.shape.blocks

    def pieces(self, low: int, high: int) -> Iterator[tuple[Node | None, int, int, int]]:
        """Divides blocks ``low`` to ``high`` - 1 (from the start of the volume, within the clusters) by owner: (node or
        None, first block, blocks, place of the first block within the node)."""
        size, heap = self.shape.cluster_blocks, self.shape.heap
        place = low
        while place < high:
            cluster = (place - heap) // size + 2
            run = self.owners.find(cluster)
            if run is None:
                following = self.owners.following(cluster, (high - 1 - heap) // size + 3)
                end = min(high, heap + (following - 2) * size)
                yield None, place, end - place, 0
            else:
                index = run.index * size + place - heap - (run.cluster - 2) * size
                after = run.cluster + run.count
                while heap + (after - 2) * size < high:
                    more = self.owners.find(after)
                    if more is None or more.node is not run.node or more.index - run.index != after - run.cluster:
                        break
                    after = more.cluster + more.count
                end = min(high, heap + (after - 2) * size)
                yield run.node, place, end - place, index
            place = end

    def within_one_file(self, lba: int, count: int) -> tuple[Node, int] | None:
        """The file that ``count`` blocks from ``lba`` lie in, and the place of the first of them in it, when they lie
        in one run of it."""
        size = self.shape.cluster_blocks
        place = lba - self.start - self.shape.heap
        run = self.owners.find(place // size + 2)
        if run is None or run.node.entry.kind != "file":
            return None
        index = place - (run.cluster - 2) * size
        if index + count > run.count * size:
            return None
        return run.node, run.index * size + index

    def _follow(self, node: Node, number: int, written: bool) -> None:
        """Extends a node's chain from where it stands as far as the table is known."""
        before = node.clusters
        value = self._next_of(node)
        limit = self._limit(node)
        node.rival = None
        while True:
            stop = self._stop(node, value, limit)
            if stop or value is None:
                node.stop = stop
                break
            value = self._claim(node, value, limit)
        if node.clusters > before:
            self._grown(node, before, number, written)

    def _stop(self, node: Node, value: int | None, limit: int) -> str:
        """Why a chain does not go on to the cluster that its last entry names; "" if it does."""
        if self._credit <= 0:
            self.exhausted = True
            return "not followed"
        if value is None:
            return "not captured"
        if value < 2 or value > self.table.highest:
            if not node.runs and value == FREE:
                return "empty" if node.parent is not None else "broken"
            return _STOPS.get(value, "broken")
        run = self.owners.find(value)
        if run is not None:
            node.rival = run.node
            if run.node is node:
                return "loop"
            run.node.blocked.append(node)
            return "cross-linked"
        return "too long" if node.clusters >= limit else ""

    def _claim(self, node: Node, cluster: int, limit: int) -> int | None:
        """Gives a node the clusters in a row from ``cluster`` on; returns what the entry of the last one says."""
        if node.entry.contiguous:
            wanted: int = max(1, min(limit, self.table.highest - cluster + 1))
            following: int | None = END
        else:
            wanted, following = self.table.run(cluster)
            if wanted > limit - node.clusters:
                wanted, following = limit - node.clusters, cluster + limit - node.clusters
        got = self.owners.claim(node, cluster, wanted)
        while got < wanted and self.owners.find(cluster + got) is None:
            got += self.owners.claim(node, cluster + got, wanted - got)
        self._credit -= 1 + wanted // 64
        if self.unowned:
            self._owned(cluster, got)
        if node.directory:
            self.directory_clusters.update(range(cluster, cluster + got))
        return following if got == wanted else cluster + got

    def _owned(self, cluster: int, count: int) -> None:
        """An owner turned up for clusters that were written before."""
        if count < len(self.unowned):
            for number in range(cluster, cluster + count):
                self.unowned.pop(number, None)
        else:
            for number in [c for c in self.unowned if cluster <= c < cluster + count]:
                del self.unowned[number]

    def _next_of(self, node: Node) -> int | None:
        if not node.runs:
            return node.entry.first
        last = node.runs[-1]
        if node.entry.contiguous:
            return END
        return self.table.next(last.cluster + last.count - 1)

    def _limit(self, node: Node) -> int:
        """Clusters that a chain may have: those of the volume, or the largest directory."""
        if node.entry.contiguous:
            return -(-node.entry.size // (self.shape.cluster_blocks * self.block_length)) or 1
        return self._longest if node.directory else self.shape.clusters

    def _shrink(self, node: Node, keep: int) -> None:
        """Cuts a node's chain after ``keep`` clusters, and lets a chain that waited here go on."""
        if node.clusters <= keep and keep:
            return
        self._credit -= self.owners.release(node, keep)
        self._cut_back(node, keep)
        waiting, node.blocked = [n for n in node.blocked if not n.gone and n.rival is node], []
        if waiting:
            first, rest = waiting[0], waiting[1:]
            self._follow(first, 0, False)
            first.blocked += rest
            for other in rest:
                other.rival = first

    def _note_unowned(self, first: int, count: int, number: int) -> None:
        """Remembers clusters that were written while no file was known to own them. Of a directory that was deleted
        some hosts still write the blocks: that is no data."""
        size, heap = self.shape.cluster_blocks, self.shape.heap
        low, after = (first - heap) // size + 2, (first + count - 1 - heap) // size + 3
        for cluster in range(low, min(after, low + AT_ONCE)):
            if cluster not in self.directory_clusters and len(self.unowned) < UNOWNED_LIMIT:
                self.unowned.setdefault(cluster, number)

    def use(self, cluster: int) -> str:
        """``free``, ``in use``, ``bad`` or ``not known`` for a cluster without an owner."""
        if self.shape.kind == 64:
            return self._bitmap_use(cluster)
        value = self.table.next(cluster)
        return "not known" if value is None else "free" if value == FREE else "bad" if value == BAD else "in use"

    def _bitmap_use(self, cluster: int) -> str:
        block, bit = divmod(cluster - 2, 8 * self.block_length)
        data = self.bitmap.get(block)
        if data is None:
            return "not known"
        return "in use" if data[bit // 8] >> bit % 8 & 1 else "free"
