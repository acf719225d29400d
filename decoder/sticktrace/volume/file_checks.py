"""What is wrong with files and directories: their chains, their sizes, their entries, and data that never came."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import TYPE_CHECKING

from sticktrace.text import count_of
from sticktrace.volume.changes import CREATED, GREW
from sticktrace.volume.evidence import entry_shown, link_shown
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.tree import Node

if TYPE_CHECKING:
    from sticktrace.volume.medium import Medium

Found = tuple[str, str, str, Callable[[], Iterable[int]]]
"""Slug, severity, sentence, and what gives the exchanges that first showed it."""

_FAULT, _WARNING = "fault", "warning"

_CHAIN_FAULTS = {
    "loop": ("chain-loop", "its cluster chain runs into itself"),
    "broken": ("chain-broken", "its cluster chain leads to a cluster that does not exist"),
    "bad": ("chain-bad", "its cluster chain leads to a cluster marked bad"),
    "too long": ("chain-too-long", "its cluster chain is longer than a directory or volume can be"),
    "free": ("chain-into-free", "its cluster chain leads to a cluster marked free"),
}


def file_claims(medium: Medium, files: FileSystem) -> Iterator[Found]:
    """What is wrong with each file and directory of a volume."""
    for node in files.root.walk():
        yield from _about_node(medium, files, node)
    yield from _never_written(medium, files)


def _about_node(medium: Medium, files: FileSystem, node: Node) -> Iterator[Found]:
    found = [*_chain(node), *_size_fits(files, node)]
    if node.stop == "free" and node in medium.journal.grown_from:
        text = f"{node.path}: its entry was written, its cluster chain was not, or not yet"
        found = [("entry-without-data", _WARNING, text)]
    if node.entry.problem and "not in the capture" not in node.entry.problem:
        found.append(("entry-unsound", _WARNING, f"{node.path}: {node.entry.problem}"))
    for slug, severity, text in found:
        yield slug, severity, text, partial(_shown, medium, files, node)


def _shown(medium: Medium, files: FileSystem, node: Node) -> list[int]:
    """The exchanges that first showed the entry of a node and the end of its chain: the later one first, for only with
    it the two could be compared."""
    store = medium.store
    rival = [entry_shown(store, files, node.rival)] if node.rival is not None and node.rival is not node else []
    return sorted({entry_shown(store, files, node), link_shown(store, files, node), *rival}, reverse=True)


def _chain(node: Node) -> Iterator[tuple[str, str, str]]:
    if node.stop in _CHAIN_FAULTS:
        slug, text = _CHAIN_FAULTS[node.stop]
        yield slug, _FAULT, f"{node.path}: {text}"
    elif node.stop == "cross-linked" and node.rival is not None:
        yield "chain-cross-linked", _FAULT, f"{node.path}: its cluster chain runs into that of {node.rival.path}"


def _size_fits(files: FileSystem, node: Node) -> Iterator[tuple[str, str, str]]:
    """Compares the size in the entry with a chain whose end is known."""
    if node.directory or node.stop not in ("end", "empty"):
        return
    cluster = files.shape.cluster_blocks * files.block_length
    wanted = -(-node.entry.size // cluster)
    if wanted == node.clusters:
        return
    size, chain = node.entry.size, node.clusters * cluster
    text = f"{node.path}: its size is {size:,} bytes, its chain holds {chain:,} ({count_of(node.clusters, 'cluster')})"
    if wanted > node.clusters:
        yield "chain-too-short", _FAULT, f"{text}: the size is longer than the chain"
    elif node.entry.kind == "file" and not node.entry.contiguous:
        yield "chain-longer-than-size", _WARNING, text


def _never_written(medium: Medium, files: FileSystem) -> Iterator[Found]:
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
            yield "entry-without-data", _WARNING, text, partial(_entry, medium, files, node)


def _entry(medium: Medium, files: FileSystem, node: Node) -> list[int]:
    return [entry_shown(medium.store, files, node)]


def _root_of(node: Node) -> Node:
    while node.parent is not None:
        node = node.parent
    return node
