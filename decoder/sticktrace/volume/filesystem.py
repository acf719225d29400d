"""A FAT or exFAT volume as it stands at one moment of the capture, kept up to date block by block.

`apply` takes the blocks that a command moved. Table blocks and directory blocks are compared with what was known;
only what changed is followed up, so a long recording costs what its changes cost. Everything else
(files, data) is reached through the owners of clusters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.grammar import exfat as exfat_grammar
from sticktrace.grammar import fat as fat_grammar
from sticktrace.volume import exfat, fat
from sticktrace.volume.changes import Journal
from sticktrace.volume.entries import Entry, SlotBlocks
from sticktrace.volume.fat import BAD, BROKEN, END, FREE, ClusterTable
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.tree import DEEPEST, Node, Owners

Block = Callable[[int], bytes | None]
Captured = Callable[[int, int], Iterator[tuple[int, bytes]]]
"""Gives (lba, content) for every block in a range whose present content the capture holds."""

CREDIT = 1 << 14
"""Steps along chains that one block of the table pays for. A sound volume uses a few; a table made to have long chains
walked again and again runs out."""
FIRST_CREDIT = 1 << 22
UNOWNED_LIMIT = 1 << 16
"""Clusters written without an owner that are remembered until one turns up."""

_STOPS = {FREE: "free", END: "end", BAD: "bad", BROKEN: "broken"}


class FileSystem:
    """One volume. ``start`` is its first block on the medium; all block numbers of `Geometry` count from there.

    ``dirty`` is (first seen, last seen) of the mark "not cleanly unmounted", None where not captured.
    """

    def __init__(self, start: int, shape: Geometry, block_length: int, captured: Captured, journal: Journal) -> None:
        self.start, self.shape, self.block_length = start, shape, block_length
        self._captured, self.journal = captured, journal
        self.table = ClusterTable(shape.kind, shape.clusters, block_length)
        self.owners = Owners()
        self.bitmap: dict[int, bytes] = {}
        self.label = ""
        self.marks: list[tuple[int, bool]] = []
        self.info: tuple[int, int] | None = None
        self.unowned: dict[int, int] = {}
        self.directory_clusters: set[int] = set()
        self._credit = FIRST_CREDIT
        self.exhausted = False
        self._last_path: tuple[Node | None, str] = (None, "")
        self._module = exfat if shape.kind == 64 else fat
        limit = exfat_grammar.DIRECTORY_LIMIT if shape.kind == 64 else fat_grammar.DIRECTORY_LIMIT
        self._longest = max(1, limit // (shape.cluster_blocks * block_length))
        self._known_directories: set[int] = {shape.root_cluster}
        self.root = Node(Entry(-1, 0, "directory", "", 0, shape.root_cluster), None, slots=SlotBlocks(block_length))
        self.root.stop = "empty"
        if not shape.root_blocks:
            self._follow(self.root, 0, False)

    # where things are

    def lba_of(self, cluster: int) -> int:
        """The first block of a cluster."""
        return self.start + self.shape.heap + (cluster - 2) * self.shape.cluster_blocks

    @property
    def blocks(self) -> int:
        """Blocks of the volume."""
        return self.shape.blocks

    # taking in what commands moved

    def load(self, number: int) -> None:
        """Takes in all that the capture already holds of the fixed structures, when the volume is first recognised."""
        shape = self.shape
        for lba, data in self._captured(self.start, min(shape.heap, shape.blocks)):
            self._apply_block(lba - self.start, data, number, False)

    def apply(self, lba: int, count: int, number: int, written: bool, block: Block) -> None:
        """Takes the blocks from ``lba`` on that exchange ``number`` moved. ``block`` gives their content."""
        low = max(lba, self.start) - self.start
        high = min(lba + count, self.start + self.shape.blocks) - self.start
        heap = self.shape.heap
        for place in range(low, min(high, heap)):
            if self._meta(place):
                data = block(self.start + place)
                if data is not None:
                    self._apply_block(place, data, number, written)
        if high > heap:
            self._apply_data(max(low, heap), high, number, written, block)

    def _meta(self, place: int) -> bool:
        """Whether a block before the clusters is one that is followed."""
        shape = self.shape
        end = shape.fat + shape.fats * shape.fat_blocks
        return place == 0 or place == shape.info or shape.fat <= place < end or place >= shape.heap - shape.root_blocks

    def _apply_block(self, place: int, data: bytes, number: int, written: bool) -> None:
        shape = self.shape
        if place == 0:
            self._mark(number, bool(data[shape.state_byte] & shape.state_bit))
        elif place == shape.info and data[:4] == b"RRaA":
            self.info = (int.from_bytes(data[488:492], "little"), number)
        elif shape.fat <= place < shape.fat + shape.fats * shape.fat_blocks:
            self._apply_table(place - shape.fat, data, number, written)
        elif shape.heap - shape.root_blocks <= place < shape.heap:
            self._put(self.root, place - shape.heap + shape.root_blocks, data, number, written)

    def _mark(self, number: int, dirty: bool) -> None:
        if not self.marks or self.marks[-1][1] != dirty:
            self.marks.append((number, dirty))

    def _apply_table(self, place: int, data: bytes, number: int, written: bool) -> None:
        copy, index = divmod(place, self.shape.fat_blocks)
        if copy != self.shape.active and self.table.has(index):
            return
        self._credit += CREDIT
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

    def _apply_data(self, low: int, high: int, number: int, written: bool, block: Block) -> None:
        """Passes on the blocks that belong to directories and to the allocation bitmap; notes writes to the rest."""
        for node, first, count, index in list(self.pieces(low, high)):
            if node is not None and (node.directory or node.entry.kind == "bitmap"):
                for i in range(count):
                    data = block(self.start + first + i)
                    if data is not None and not node.gone:
                        self._put(node, index + i, data, number, written)
            elif written and node is not None:
                length = self.block_length
                self.journal.data_written(self, node, index * length, count * length, number)
            elif written:
                self._note_unowned(first, count, number)

    def _note_unowned(self, first: int, count: int, number: int) -> None:
        """Remembers clusters that were written while no file was known to own them."""
        size, heap = self.shape.cluster_blocks, self.shape.heap
        for cluster in range((first - heap) // size + 2, (first + count - 1 - heap) // size + 3):
            if len(self.unowned) < UNOWNED_LIMIT or cluster in self.unowned:
                self.unowned[cluster] = number

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

    def path_of(self, node: Node) -> str:
        """The path of a node; the one asked for last is remembered until a directory changes."""
        if self._last_path[0] is not node:
            self._last_path = (node, node.path)
        return self._last_path[1]

    # chains

    def _follow(self, node: Node, number: int, written: bool) -> None:
        """Extends a node's chain from where it stands as far as the table is known."""
        before = node.clusters
        value = self._next_of(node)
        limit = self._limit(node)
        node.rival = None
        while True:
            if self._credit <= 0:
                node.stop, self.exhausted = "not followed", True
                break
            if value is None or value < 2 or value > self.table.highest:
                node.stop = "not captured" if value is None else _STOPS.get(value, "broken")
                if not node.runs and value in (0, FREE):
                    node.stop = "empty" if node.parent is not None else "broken"
                break
            run = self.owners.find(value)
            if run is not None:
                node.stop = "loop" if run.node is node else "cross-linked"
                node.rival = run.node
                if run.node is not node:
                    run.node.blocked.append(node)
                break
            if node.clusters >= limit:
                node.stop = "too long"
                break
            if node.entry.contiguous:
                wanted: int = max(1, min(limit, self.table.highest - value + 1))
                following: int | None = END
            else:
                wanted, following = self.table.run(value)
                if wanted > limit - node.clusters:
                    wanted, following = limit - node.clusters, value + limit - node.clusters
            got = self.owners.claim(node, value, wanted)
            while got < wanted and self.owners.find(value + got) is None:
                got += self.owners.claim(node, value + got, wanted - got)
            self._credit -= 1 + wanted // 64
            if self.unowned:
                self._owned(value, got)
            if node.directory:
                self.directory_clusters.update(range(value, value + got))
            value = following if got == wanted else value + got
        if node.clusters > before and (node.directory or node.entry.kind == "bitmap"):
            self._load_directory(node, before, number, written)

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
        """Cuts a node's chain, forgets directory blocks beyond the cut, and lets a chain that waited here go on."""
        if node.clusters <= keep and keep:
            return
        self._credit -= self.owners.release(node, keep)
        if node.slots is not None and keep * self.shape.cluster_blocks < len(node.slots.blocks):
            limit = keep * self.shape.cluster_blocks
            for index in [i for i in node.slots.blocks if i >= limit]:
                del node.slots.blocks[index]
            for slot in [s for s in node.children if s >= limit * node.slots.per_block]:
                self._remove(node.children.pop(slot), 0, False)
        waiting, node.blocked = [n for n in node.blocked if not n.gone and n.rival is node], []
        if waiting:
            first, rest = waiting[0], waiting[1:]
            self._follow(first, 0, False)
            first.blocked += rest
            for other in rest:
                other.rival = first

    # directories

    def _load_directory(self, node: Node, from_cluster: int, number: int, written: bool) -> None:
        """Takes in what the capture already holds of clusters that a directory has just got."""
        size = self.shape.cluster_blocks
        if node is self.root and self.shape.root_blocks:
            return
        for run in list(node.runs):
            first = max(run.index, from_cluster)
            count = run.index + run.count - first
            if count <= 0:
                continue
            lba = self.lba_of(run.cluster + first - run.index)
            for at, data in list(self._captured(lba, count * size)):
                if not node.gone:
                    self._put(node, first * size + at - lba, data, number, written and node.new)

    def _put(self, node: Node, index: int, data: bytes, number: int, written: bool) -> None:
        """Takes one block of a directory, or of the bitmap, and follows what changed in it."""
        if node.slots is None:
            self.bitmap[index] = data
            return
        old = node.slots.blocks.get(index)
        if old == data or node.depth > DEEPEST:
            return
        known = old is not None or node.new
        node.slots.blocks[index] = data
        per = node.slots.per_block
        self._rescan(node, index * per, (index + 1) * per, number, written and known)

    def _rescan(self, node: Node, low: int, high: int, number: int, written: bool) -> None:
        slots = node.slots
        if slots is None:
            return
        low, high = self._module.affected(low, high)
        end = node.end_slot
        if end is not None and low > end:
            return
        found = self._module.scan(slots, low, high)
        if found.end is None and end is not None and end < high:
            high = max(high, slots.beyond())
            found = self._module.scan(slots, low, high)
        if found.end is not None:
            node.end_slot = found.end
            high = high if end is not None and end <= found.end else max(high, slots.beyond())
        elif end is not None and end < high:
            node.end_slot = None
        if high - low < 4 * len(node.children):
            old = {s: node.children[s] for s in range(low, high) if s in node.children}
        else:
            old = {s: child for s, child in node.children.items() if low <= s < high}
        for slot in [s for s in node.deleted if low <= s < high]:
            del node.deleted[slot]
        node.deleted.update(found.deleted)
        self._reconcile(node, old, found.entries, number, written)

    def _reconcile(
        self, node: Node, old: dict[int, Node], entries: dict[int, Entry], number: int, written: bool
    ) -> None:
        """Brings the children in line with the entries now there."""
        self._last_path = (None, "")
        fresh: list[Entry] = []
        for slot, raw in entries.items():
            entry = self._clean(raw)
            if entry.kind == "label":
                if node is self.root:
                    self.label = entry.name
                continue
            if entry.name in (".", "..") and entry.kind == "directory":
                continue
            child = old.get(slot)
            if child is not None and _same(child.entry, entry):
                del old[slot]
                self._update(child, entry, number, written)
            else:
                fresh.append(entry)
        by_cluster = {child.entry.first: child for child in old.values() if child.entry.first}
        moved: list[tuple[Node, Entry]] = []
        added: list[Entry] = []
        for entry in fresh:
            child = by_cluster.pop(entry.first, None) if entry.first else None
            if child is not None and child.entry.kind == entry.kind:
                moved.append((child, entry))
                old.pop(child.entry.slot, None)
            else:
                added.append(entry)
        for slot, child in old.items():
            if node.children.get(slot) is child:
                del node.children[slot]
            self._remove(child, number, written)
        for child, _ in moved:
            if node.children.get(child.entry.slot) is child:
                del node.children[child.entry.slot]
        for child, entry in moved:
            before = child.path
            node.children[entry.slot] = child
            child.entry = child.entry._replace(name=entry.name, short=entry.short, slot=entry.slot)
            if written and child.path != before:
                self.journal.renamed(self, child, before, number)
            self._update(child, entry, number, written)
        for entry in added:
            self._add(node, entry, number, written)

    def _clean(self, entry: Entry) -> Entry:
        """FAT12 and FAT16 use only the low half of the first cluster."""
        return entry._replace(first=entry.first & 0xFFFF) if self.shape.kind in (12, 16) else entry

    def _add(self, node: Node, entry: Entry, number: int, written: bool) -> None:
        child = Node(entry, node, node.depth + 1, new=written, written_from=number)
        node.children[entry.slot] = child
        if child.directory:
            child.slots = SlotBlocks(self.block_length)
            child.new = written and entry.first not in self._known_directories
            self._known_directories.add(entry.first)
        if written:
            self.journal.created(self, child, number)
        if entry.first:
            self._follow(child, number, written)

    def _remove(self, child: Node, number: int, written: bool) -> None:
        if written:
            self.journal.deleted(self, child, number)
        for node in list(child.walk()):
            node.gone = True
            self.owners.release(node, 0)
        for node in list(child.walk()):
            self._shrink(node, 0)
            node.children.clear()

    def _update(self, child: Node, entry: Entry, number: int, written: bool) -> None:
        before, child.entry = child.entry, entry
        if before == entry:
            return
        if written:
            self.journal.updated(self, child, before, number)
        if before.first != entry.first or (entry.contiguous, before.size) != (before.contiguous, entry.size):
            if before.first != entry.first or entry.contiguous or before.contiguous:
                self._shrink(child, 0)
            if entry.first:
                self._follow(child, number, written)

    # what a cluster is

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


def _same(old: Entry, new: Entry) -> bool:
    """Whether two entries in one slot are the same file: same name and kind, and the same clusters or none before."""
    if old.name != new.name or old.kind != new.kind:
        return False
    return old.first == new.first or not old.first or not new.first or old.created == new.created
