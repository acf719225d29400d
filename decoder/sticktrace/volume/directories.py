"""The directories of one volume: their entries, read from the blocks that pass, and the files that they make."""

from __future__ import annotations

from sticktrace.volume import exfat, fat
from sticktrace.volume.chains import Chains
from sticktrace.volume.changes import Journal
from sticktrace.volume.entries import Entry, SlotBlocks
from sticktrace.volume.recognise import Geometry
from sticktrace.volume.store import SectorStore
from sticktrace.volume.tree import DEEPEST, Node


class Directories(Chains):
    """The tree of a volume on top of its `Chains`. ``root`` is the root directory, ``label`` the label in it."""

    def __init__(self, start: int, shape: Geometry, store: SectorStore, journal: Journal) -> None:
        super().__init__(start, shape, store.block_length)
        self._store, self.journal = store, journal
        self.label = ""
        self._last_path: tuple[Node | None, str] = (None, "")
        self._module = exfat if shape.kind == 64 else fat
        self._known_directories: set[int] = {shape.root_cluster}
        root = Entry(-1, 0, "directory", "", 0, shape.root_cluster)
        self.root = Node(root, None, stop="empty", slots=SlotBlocks(self.block_length))
        if not shape.root_blocks:
            self._follow(self.root, 0, False)

    def path_of(self, node: Node) -> str:
        """The path of a node; the one asked for last is remembered until a directory changes."""
        if self._last_path[0] is not node:
            self._last_path = (node, node.path)
        return self._last_path[1]

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
            for at, data in list(self._store.captured(lba, count * size)):
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
