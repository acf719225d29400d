"""Files and sector images out of a capture: what is there, with what is missing named.

Which name a file gets, and that nothing else is touched, is the business of `writing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from sticktrace.volume.division import Volume
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium
from sticktrace.volume.tree import Node
from sticktrace.writing.folder import Folder
from sticktrace.writing.outputs import Identity, Outputs
from sticktrace.writing.reasons import DiskFull, Refused

_ZEROS = 1 << 26
"""Bytes of the unwritten end of a file that are given as zeros; a hostile length is not spelled out."""


@dataclass(slots=True)
class Recovered:
    """One file. ``path`` is its path on the volume, ``size`` what its entry says, ``captured`` how many of those bytes
    are known, ``holes`` the ranges (first, after the last) that are not. ``written_to`` is None when nothing was
    written, with the reason in ``note``; ``refused`` says that the capture holds it and that it should have been."""

    path: str
    size: int
    captured: int = 0
    holes: list[tuple[int, int]] = field(default_factory=list)
    written_to: Path | None = None
    note: str = ""
    refused: bool = False

    @property
    def complete(self) -> bool:
        """Whether every byte is known."""
        return self.captured == self.size


Part = tuple[int, int, bytes | None]
"""Part of a file: offset, bytes, and the data or None."""


def contents(medium: Medium, volume: Volume, node: Node, as_of: int | None = None) -> Iterator[Part]:
    """A file as (offset, bytes, data or None) in order, up to its size. Bytes beyond ValidDataLength of an exFAT
    file are zeros by definition (exFAT 7.6.5) and given as such, up to a limit."""
    if volume.files is None:
        return
    size = node.entry.size
    valid = min(size, node.entry.valid)
    for at, lba, blocks in _runs(volume.files, node, valid):
        for stretch in medium.store.read_range(lba, blocks, as_of):
            count = min(stretch.blocks * medium.store.block_length, valid - at)
            yield at, count, stretch.data[:count] if stretch.data is not None else None
            at += count
    reached = _reached(volume.files, node, valid)
    if reached < valid:
        yield reached, valid - reached, None
    elif valid < size:
        count = min(size - valid, _ZEROS)
        yield valid, count, bytes(count)
        if valid + count < size:
            yield valid + count, size - valid - count, None


def coverage(medium: Medium, volume: Volume, node: Node) -> Recovered:
    """How much of a file the capture holds, without reading or writing any of it."""
    found = Recovered(node.path, node.entry.size)
    if volume.files is None:
        return found
    valid = min(node.entry.size, node.entry.valid)
    for at, lba, blocks in _runs(volume.files, node, valid):
        for _, known, there in medium.store.known(lba, blocks):
            count = min(known * medium.store.block_length, valid - at)
            _account(found, at, count, there)
            at += count
    reached = _reached(volume.files, node, valid)
    zeros = min(found.size - valid, _ZEROS) if reached == valid else 0
    _account(found, valid, zeros, True)
    _account(found, reached + zeros, found.size - reached - zeros, False)
    return found


def _runs(files: FileSystem, node: Node, valid: int) -> Iterator[tuple[int, int, int]]:
    """The runs of a file that hold its first ``valid`` bytes: (offset in the file, first block, blocks)."""
    length = files.block_length
    for run in node.runs:
        place = run.index * files.shape.cluster_blocks * length
        if place >= valid:
            return
        wanted = -(-(valid - place) // length)
        yield place, files.lba_of(run.cluster), min(run.count * files.shape.cluster_blocks, wanted)


def _reached(files: FileSystem, node: Node, valid: int) -> int:
    """How many of the first ``valid`` bytes lie in clusters that are known."""
    return min(valid, node.clusters * files.shape.cluster_blocks * files.block_length)


def _account(found: Recovered, at: int, count: int, there: bool) -> None:
    if count <= 0:
        return
    if there:
        found.captured += count
    elif found.holes and found.holes[-1][1] == at:
        found.holes[-1] = (found.holes[-1][0], at + count)
    else:
        found.holes.append((at, at + count))


LARGEST = (1 << 63) - 1
"""Bytes that a file can have where its length is a signed 64-bit number (common practice)."""
_GROUP_FILES, _GROUP_BYTES = 64, 1 << 26
"""Files are brought to the disk together, this many or this much at a time: one by one would cost a wait for each."""


def recover(medium: Medium, volume: Volume, directory: Path, overwrite: bool = False) -> Iterator[Recovered]:
    """Writes the files of a volume below a directory, see `recover_into`. Raises SticktraceError."""
    with Outputs(overwrite=overwrite) as outputs:
        yield from recover_into(medium, volume, Folder.at(directory, outputs))


def recover_into(medium: Medium, volume: Volume, directory: Folder) -> Iterator[Recovered]:
    """Writes the files of a volume. A file with holes gets the name ending ``.partial``, its holes are zeros, and it
    ends with the last byte known. Raises DiskFull after what fitted, which is whole."""
    group: list[Recovered] = []
    try:
        for found in _recovered(medium, volume, directory):
            group.append(found)
            if len(group) >= _GROUP_FILES or sum(each.captured for each in group) >= _GROUP_BYTES:
                directory.outputs.settle()
                yield from group
                group = []
    except DiskFull:
        directory.outputs.settle()
        yield from group
        raise
    directory.outputs.settle()
    yield from group


def _recovered(medium: Medium, volume: Volume, directory: Folder) -> Iterator[Recovered]:
    """What becomes of each file, and of each directory that could not be made; nothing has its name yet."""
    if volume.files is None:
        return
    folders: dict[Node, Folder] = {volume.files.root: directory}
    for node in volume.files.root.walk():
        parent = folders.get(node.parent) if node.parent is not None else None
        if parent is None or node.entry.kind not in ("file", "directory"):
            continue
        if not node.directory:
            yield _write(medium, volume, node, parent)
            continue
        try:
            folders[node] = parent.folder(node.entry.name)
        except Refused as error:
            yield Recovered(node.path, 0, note=f"not written: {error}", refused=True)


def _write(medium: Medium, volume: Volume, node: Node, parent: Folder) -> Recovered:
    found = coverage(medium, volume, node)
    if not found.captured and found.size:
        found.note = "not written: no byte of it is in the capture"
        return found
    path = parent.place(node.entry.name, "" if found.complete else ".partial")
    try:
        with parent.outputs.file(path) as out:
            for at, _, data in contents(medium, volume, node):
                if data is not None:
                    out.seek(at)
                    out.write(data)
    except Refused as error:
        found.note, found.refused = f"not written: {error}", True
        return found
    found.written_to = path
    return found


@dataclass(frozen=True, slots=True)
class ImageRange:
    """Blocks in a row of an image: "captured", "unknown" where commands went but the content is not certain, or "left
    out" where they lie beyond what any file can hold."""

    first: int
    last: int
    state: str


def write_image(
    medium: Medium, path: Path, overwrite: bool = False, apart_from: Iterable[Identity | None] = ()
) -> list[ImageRange]:
    """Writes a sparse image of a medium's known blocks, and beside it PATH.map with one line for each range.
    Blocks not in the map were never touched. ``apart_from`` is the capture. Raises SticktraceError."""
    with Outputs(apart_from, overwrite) as outputs:
        out, listing = outputs.new(path), outputs.new(path.parent / f"{path.name}.map")
        return _imaged(medium, out, listing)


def _imaged(medium: Medium, out: BinaryIO, listing: BinaryIO) -> list[ImageRange]:
    ranges: list[ImageRange] = []
    length = medium.store.block_length
    for first, after in medium.store.spans():
        for stretch in medium.store.read_range(first, after - first):
            state = "captured" if stretch.data is not None else "unknown"
            if stretch.data is not None and (stretch.lba + stretch.blocks) * length > LARGEST:
                state = "left out"
            elif stretch.data is not None:
                out.seek(stretch.lba * length)
                out.write(stretch.data)
            _extend(ranges, stretch.lba, stretch.blocks, state)
    listing.write(f"# blocks of {medium.store.block_length} bytes ({medium.store.block_length_from})\n".encode())
    listing.write(b"# first\tlast\tstate\n")
    for item in ranges:
        listing.write(f"{item.first}\t{item.last}\t{item.state}\n".encode())
    return ranges


def _extend(ranges: list[ImageRange], lba: int, blocks: int, state: str) -> None:
    if ranges and ranges[-1].state == state and ranges[-1].last == lba - 1:
        ranges[-1] = ImageRange(ranges[-1].first, lba + blocks - 1, state)
    else:
        ranges.append(ImageRange(lba, lba + blocks - 1, state))
