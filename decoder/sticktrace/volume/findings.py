"""Integrity facts of a medium, as plain records for the diagnosis to word and weigh."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sticktrace.grammar.fat import FAT16_LIMIT, fat_type
from sticktrace.text import count_of, safe
from sticktrace.volume.changes import CREATED, GREW
from sticktrace.volume.exfat_checks import exfat_facts
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.store import WRITE, WRITE_LOST
from sticktrace.volume.tree import Node

if TYPE_CHECKING:
    from sticktrace.sticks.unit import Unit
    from sticktrace.volume.medium import Medium, Volume

FAULT, WARNING, NOTE = "fault", "warning", "note"

MOST_ALIKE = 8
"""Facts of one kind that are told one by one; the rest is counted."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact. ``slug`` names its kind; ``severity`` is "fault", "warning" or "note"; ``evidence`` are exchange
    numbers, the most telling ones first; ``volume_start`` is the volume it concerns, -1 for the medium."""

    slug: str
    severity: str
    text: str
    evidence: tuple[int, ...]
    unit: Unit
    volume_start: int = -1


_TABLE_SEVERITY = {
    "gpt-backup-place": WARNING, "mbr-boot-indicator": NOTE, "gpt-my-lba": WARNING, "gpt-entries-many": WARNING,
}  # fmt: skip


def facts(medium: Medium) -> list[Fact]:
    """Every fact about one medium, as of now."""
    found: list[Fact] = []
    unit = medium.unit
    for slug, text in medium.table.problems:
        evidence = _seen_in(medium, sorted(medium.table.roles))
        found.append(Fact(slug, _TABLE_SEVERITY.get(slug, FAULT), text, evidence, unit))
    for volume in medium.volumes:
        found += _about_volume(medium, volume)
    found += _unflushed(medium)
    return _thinned(found)


def _thinned(found: list[Fact]) -> list[Fact]:
    """At most a few facts of each kind and volume, and how many more there are."""
    counts: dict[tuple[str, int], int] = {}
    kept: list[Fact] = []
    for fact in found:
        key = fact.slug, fact.volume_start
        counts[key] = counts.get(key, 0) + 1
        if counts[key] <= MOST_ALIKE:
            kept.append(fact)
    for (slug, start), count in counts.items():
        if count > MOST_ALIKE:
            last = next(fact for fact in reversed(kept) if (fact.slug, fact.volume_start) == (slug, start))
            text = f"{count_of(count - MOST_ALIKE, 'more fact')} like the last one"
            kept.insert(kept.index(last) + 1, Fact(slug, last.severity, text, (), last.unit, start))
    return kept


def _seen_in(medium: Medium, places: list[int]) -> tuple[int, ...]:
    """The exchanges that hold the present content of a few blocks."""
    numbers: list[int] = []
    for lba in places[:4]:
        owner = int(medium.store.paint(lba, 1)[0]) if 0 <= lba < 1 << 59 else -1
        if owner >= 0 and medium.store.exchange_of(owner) not in numbers:
            numbers.append(medium.store.exchange_of(owner))
    return tuple(numbers)


def _about_volume(medium: Medium, volume: Volume) -> Iterator[Fact]:
    unit, start = medium.unit, volume.start
    where = _seen_in(medium, [start])
    if volume.problem:
        yield Fact("volume-undecodable", FAULT, f"{volume.title}: {volume.problem}", where, unit, start)
    last = medium.store.last_lba
    files = volume.files
    yield from _alignment(medium, volume, where)
    if files is None:
        return
    end = start + files.blocks
    if last is not None and end - 1 > last:
        text = f"{volume.title}: the file system ends at LBA {end - 1}, the last block of the device is {last}"
        yield Fact("volume-past-end", FAULT, text, where, unit, start)
    elif volume.partition is not None and files.blocks > volume.partition.blocks:
        text = f"{volume.title}: the file system has {files.blocks} blocks, its partition {volume.partition.blocks}"
        yield Fact("volume-past-partition", FAULT, text, where, unit, start)
    yield from _about_files(medium, volume, files)


def _alignment(medium: Medium, volume: Volume, where: tuple[int, ...]) -> Iterator[Fact]:
    """A volume, or its clusters, across physical blocks that are larger than the logical ones (SBC-3 4.6)."""
    if medium.physical is None or medium.physical[0] == 1:
        return
    size, first = medium.physical
    heap = volume.start + (volume.files.shape.heap if volume.files is not None else 0)
    if (heap - first) % size:
        text = f"{volume.title}: its data begins at LBA {heap}, off the physical blocks of {size} logical blocks"
        yield Fact("volume-misaligned", NOTE, text, where, medium.unit, volume.start)


def _about_files(medium: Medium, volume: Volume, files: FileSystem) -> Iterator[Fact]:
    unit, start = medium.unit, volume.start
    if files.marks and files.marks[0][1]:
        text = f"{volume.title} was already marked as not cleanly unmounted when first read"
        yield Fact("volume-dirty-at-start", WARNING, text, (files.marks[0][0],), unit, start)
    if len(files.marks) > 1 and files.marks[-1][1]:
        text = f"{volume.title} was marked as in use and the capture does not show the mark taken away"
        yield Fact("volume-left-dirty", WARNING, text, (files.marks[-1][0],), unit, start)
    if files.exhausted:
        text = f"{volume.title}: its cluster chains change so much that they were not followed to the end"
        yield Fact("volume-restless", WARNING, text, (), unit, start)
    if files.shape.kind == 32 and files.shape.clusters < FAT16_LIMIT:
        count = files.shape.clusters
        said = f"laid out as FAT32, but its {count:,} clusters make it FAT{fat_type(count)} by the specification"
        text = f"{volume.title}: {said}: hosts disagree about such a volume"
        yield Fact("fat-type-disputed", WARNING, text, _seen_in(medium, [volume.start]), unit, start)
    bits = min(files.shape.kind, 32)
    if files.shape.fat_blocks * files.block_length * 8 < (files.shape.clusters + 2) * bits:
        text = f"{volume.title}: its FAT is too short for its {files.shape.clusters:,} clusters"
        yield Fact("fat-too-short", FAULT, text, _seen_in(medium, [volume.start]), unit, start)
    if files.shape.kind == 64:
        for slug, text, place in exfat_facts(medium.store.content, files):
            yield Fact(slug, FAULT, f"{volume.title}: {text}", _seen_in(medium, [start + place]), unit, start)
    yield from _copies(medium, volume, files)
    for node in files.root.walk():
        yield from _about_node(medium, volume, files, node)
    yield from _free_count(medium, volume, files)
    yield from _never_written(medium, volume, files)
    lost = [number for cluster, number in files.unowned.items() if files.use(cluster) in ("free", "in use")]
    if lost:
        text = f"{volume.title}: {count_of(len(lost), 'cluster')} written that no directory entry known here leads to"
        yield Fact("data-without-entry", WARNING, text, tuple(sorted(set(lost))[:4]), unit, start)


def _copies(medium: Medium, volume: Volume, files: FileSystem) -> Iterator[Fact]:
    """Compares the copies of the FAT where the capture holds a block of both."""
    shape, store = files.shape, medium.store
    if shape.fats < 2 or shape.kind == 64 or shape.active:
        return
    different: list[int] = []
    for index in files.table.known():
        first = files.start + shape.fat + index
        one, two = store.content(first), store.content(first + shape.fat_blocks)
        if one is not None and two is not None and one != two:
            different.append(first)
    if different:
        text = f"{volume.title}: the two copies of the FAT differ in {count_of(len(different), 'block')}"
        places = [different[0], different[0] + shape.fat_blocks]
        yield Fact("fat-copies-differ", FAULT, text, _seen_in(medium, places), medium.unit, volume.start)


_CHAIN_FAULTS = {
    "loop": ("chain-loop", "its cluster chain runs into itself"),
    "broken": ("chain-broken", "its cluster chain leads to a cluster that does not exist"),
    "bad": ("chain-bad", "its cluster chain leads to a cluster marked bad"),
    "too long": ("chain-too-long", "its cluster chain is longer than a directory or volume can be"),
    "free": ("chain-into-free", "its cluster chain leads to a cluster marked free"),
}


def _about_node(medium: Medium, volume: Volume, files: FileSystem, node: Node) -> Iterator[Fact]:
    """What is wrong with one file or directory; the place of its entry is looked up only when something is."""
    found = [*_chain(node), *_size_fits(files, node)]
    if node.stop == "free" and node in medium.journal.grown_from:
        text = f"{node.path}: its entry was written, its cluster chain was not, or not yet"
        found = [("entry-without-data", WARNING, text)]
    if node.entry.problem and "not in the capture" not in node.entry.problem:
        found.append(("entry-unsound", WARNING, f"{node.path}: {node.entry.problem}"))
    where = _entry_seen(medium, files, node) if found else ()
    for slug, severity, text in found:
        yield Fact(slug, severity, text, where, medium.unit, volume.start)


def _chain(node: Node) -> Iterator[tuple[str, str, str]]:
    if node.stop in _CHAIN_FAULTS:
        slug, text = _CHAIN_FAULTS[node.stop]
        yield slug, FAULT, f"{node.path}: {text}"
    elif node.stop == "cross-linked" and node.rival is not None:
        yield "chain-cross-linked", FAULT, f"{node.path}: its cluster chain runs into that of {node.rival.path}"


def _size_fits(files: FileSystem, node: Node) -> Iterator[tuple[str, str, str]]:
    """Compares the size in the entry with a chain whose end is known."""
    if node.directory or node.stop not in ("end", "empty"):
        return
    cluster = files.shape.cluster_blocks * files.block_length
    wanted = -(-node.entry.size // cluster)
    if wanted == node.clusters:
        return
    text = f"{node.path}: {node.entry.size:,} bytes need {count_of(wanted, 'cluster')}, its chain has {node.clusters}"
    if wanted > node.clusters:
        yield "chain-too-short", FAULT, text
    elif node.entry.kind == "file" and not node.entry.contiguous:
        yield "chain-longer-than-size", WARNING, text


def _entry_seen(medium: Medium, files: FileSystem, node: Node) -> tuple[int, ...]:
    """The exchange that holds the directory entry of a node."""
    parent = node.parent
    if parent is None or parent.slots is None:
        return _seen_in(medium, [files.start])
    block = node.entry.slot // parent.slots.per_block
    shape = files.shape
    if parent is files.root and shape.root_blocks:
        return _seen_in(medium, [files.start + shape.heap - shape.root_blocks + block])
    cluster, rest = divmod(block, shape.cluster_blocks)
    for run in parent.runs:
        if run.index <= cluster < run.index + run.count:
            return _seen_in(medium, [files.lba_of(run.cluster + cluster - run.index) + rest])
    return ()


def _free_count(medium: Medium, volume: Volume, files: FileSystem) -> Iterator[Fact]:
    """Compares FSInfo with the FAT when all of it is in the capture. FSInfo is a hint, so this is a note."""
    if files.info is None or files.info[0] == 0xFFFFFFFF or files.shape.kind == 64:
        return
    if len(files.table.known()) * files.block_length * 8 // 32 < files.shape.clusters:
        return
    free, whole = files.table.free_clusters()
    if whole and free != files.info[0]:
        text = f"{volume.title}: FSInfo counts {files.info[0]:,} free clusters, the FAT {free:,}"
        yield Fact("free-count-differs", NOTE, text, (files.info[1],), medium.unit, volume.start)


def _never_written(medium: Medium, volume: Volume, files: FileSystem) -> Iterator[Fact]:
    """Files that an entry written here made larger, with clusters that no WRITE here ever reached."""
    joined = {change.node for change in medium.journal.story() if change.kind in (CREATED, GREW)}
    cluster = files.shape.cluster_blocks
    for node, since in medium.journal.grown_from.items():
        if node.gone or node.directory or node not in joined or node.entry.size <= since:
            continue
        if _root_of(node) is not files.root:
            continue
        low, high = since // files.block_length, -(-node.entry.valid // files.block_length)
        missing = 0
        for run in node.runs:
            first, after = max(low, run.index * cluster), min(high, (run.index + run.count) * cluster)
            if after > first:
                lba = files.lba_of(run.cluster) + first - run.index * cluster
                written = medium.store.written_after(lba, after - first, 0)
                missing += after - first - sum(end - begin for begin, end in written)
        if missing:
            size = f"{node.entry.size:,} bytes"
            text = f"{node.path}: its entry says {size}, {count_of(missing, 'block')} of it never written"
            yield Fact("entry-without-data", WARNING, text, _entry_seen(medium, files, node), medium.unit, volume.start)


def _root_of(node: Node) -> Node:
    while node.parent is not None:
        node = node.parent
    return node


def _unflushed(medium: Medium) -> Iterator[Fact]:
    """A host that uses SYNCHRONIZE CACHE and wrote again after the last one."""
    if not medium.flushes:
        return
    last = medium.flushes[-1]
    late = [n for _, _, n, kind in medium.store.extents() if kind in (WRITE, WRITE_LOST) and n > last]
    if late:
        text = f"{count_of(len(late), 'WRITE')} after the last SYNCHRONIZE CACHE: a write cache may still hold the data"
        yield Fact("write-not-flushed", NOTE, safe(text), (late[-1], last), medium.unit)
