"""A FAT or exFAT volume as it stands at one moment of the capture, kept up to date block by block.

`apply` takes the blocks that a command moved. Table blocks and directory blocks are compared with what was known;
only what changed is followed up, so a long recording costs what its changes cost. Everything else
(files, data) is reached through the owners of clusters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.volume import exfat, fat
from sticktrace.volume.chains import Chains
from sticktrace.volume.changes import Journal
from sticktrace.volume.entries import Entry, SlotBlocks
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.tree import DEEPEST, Node

Block = Callable[[int], bytes | None]
Captured = Callable[[int, int], Iterator[tuple[int, bytes]]]
"""Gives (lba, content) for every block in a range whose present content the capture holds."""


class FileSystem(Chains):
    """One volume: its directories on top of its `Chains`. ``root`` is its tree, ``label`` the label in the root
    directory. ``marks`` are (exchange, whether it is marked "not cleanly unmounted") at each change of that; ``info``
    is (free clusters, exchange) from FSInfo, None where not captured."""

    def __init__(self, start: int, shape: Geometry, block_length: int, captured: Captured, journal: Journal) -> None:
        super().__init__(start, shape, block_length)
        self._captured, self.journal = captured, journal
        self.label = ""
        self.marks: list[tuple[int, bool]] = []
        self.info: tuple[int, int] | None = None
        self._last_path: tuple[Node | None, str] = (None, "")
        self._module = exfat if shape.kind == 64 else fat
        self._known_directories: set[int] = {shape.root_cluster}
        self.root = Node(Entry(-1, 0, "directory", "", 0, shape.root_cluster), None, slots=SlotBlocks(block_length))
        self.root.stop = "empty"
        if not shape.root_blocks:
            self._follow(self.root, 0, False)

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
        self._earn()
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

    def path_of(self, node: Node) -> str:
        """The path of a node; the one asked for last is remembered until a directory changes."""
        if self._last_path[0] is not node:
            self._last_path = (node, node.path)
        return self._last_path[1]

    # directories

    def _grown(self, node: Node, before: int, number: int, written: bool) -> None:
        if node.directory or node.entry.kind == "bitmap":
            self._load_directory(node, before, number, written)

    def _cut_back(self, node: Node, keep: int) -> None:
        """Forgets the blocks of a directory beyond the cut, and the files entered in them."""
        limit = keep * self.shape.cluster_blocks
        if node.slots is None or limit >= len(node.slots.blocks):
            return
        for index in [i for i in node.slots.blocks if i >= limit]:
            del node.slots.blocks[index]
        for slot in [s for s in node.children if s >= limit * node.slots.per_block]:
            self._remove(node.children.pop(slot), 0, False)

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
        moved, added = _matched(old, fresh)
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

def _same(old: Entry, new: Entry) -> bool:
    """Whether two entries in one slot are the same file: same name and kind, and the same clusters or none before."""
    if old.name != new.name or old.kind != new.kind:
        return False
    return old.first == new.first or not old.first or not new.first or old.created == new.created


def _matched(old: dict[int, Node], fresh: list[Entry]) -> tuple[list[tuple[Node, Entry]], list[Entry]]:
    """Tells which new entries are files of ``old`` under another name or in another slot, by their first cluster, and
    takes those out of ``old``; the rest are additions."""
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
    return moved, added
