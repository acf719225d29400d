"""Files and sector images out of a capture: what is there, with what is missing named.

Names on a volume are hostile input. Every one is made harmless, nothing is written outside the given directory, no link
is followed, and nothing is overwritten unless asked.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from sticktrace.errors import SticktraceError
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium, Volume
from sticktrace.volume.tree import Node

_FORBIDDEN = set('/\\:*?"<>|')
_DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{name}{n}" for name in ("COM", "LPT") for n in "123456789")}
"""Names that mean a device on some systems, whatever extension follows (common practice)."""
_ZEROS = 1 << 26
"""Bytes of the unwritten end of a file that are given as zeros; a hostile length is not spelled out."""
_LONGEST = 200
"""Bytes of a file name that are kept; common file systems allow 255."""


@dataclass(slots=True)
class Recovered:
    """One file. ``path`` is its path on the volume, ``size`` what its entry says, ``captured`` how many of those bytes
    are known, ``holes`` the ranges (first, after the last) that are not. ``written_to`` is None when nothing was
    written, with the reason in ``note``."""

    path: str
    size: int
    captured: int = 0
    holes: list[tuple[int, int]] = field(default_factory=list)
    written_to: Path | None = None
    note: str = ""

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


def harmless(name: str) -> str:
    """A name that is safe as one component of a path on any common system."""
    kept = "".join(c if c not in _FORBIDDEN and unicodedata.category(c)[0] != "C" else "_" for c in name)
    kept = kept.rstrip(". ").lstrip(" ")
    stem, dot, extension = kept.rpartition(".")
    if kept.split(".")[0].rstrip(" ").upper() in _DEVICES:
        kept = f"_{kept}"
    if len(kept.encode()) > _LONGEST:
        tail = f".{extension}" if dot and len(extension.encode()) <= 20 else ""
        kept = (stem or kept).encode()[: _LONGEST - len(tail.encode())].decode("utf-8", "ignore") + tail
    return kept or "_"


class _Target:
    """The directory that files go to."""

    def __init__(self, directory: Path, overwrite: bool) -> None:
        self.overwrite = overwrite
        try:
            directory.mkdir(parents=True, exist_ok=True)
            self.root = directory.resolve(strict=True)
        except OSError as error:
            raise SticktraceError(f"{directory}: cannot be used as a directory: {error.strerror or error}") from error
        self._used: dict[Path, set[str]] = {}

    def place(self, folder: Path, name: str) -> Path:
        """A path within ``folder`` that this run has not used; names that differ only in case count as equal."""
        used = self._used.setdefault(folder, set())
        stem, dot, extension = name.rpartition(".")
        if not stem:
            stem, dot, extension = name, "", ""
        chosen, count = name, 1
        while chosen.casefold() in used:
            count += 1
            chosen = f"{stem} ({count}){dot}{extension}"
        used.add(chosen.casefold())
        return folder / chosen

    def folder(self, parent: Path, name: str) -> Path:
        """Makes a directory. Raises SticktraceError when something else, such as a link, has its name."""
        path = self.place(parent, name)
        if path.is_symlink() or (path.exists() and not path.is_dir()):
            raise SticktraceError(f"{path}: exists and is not a directory")
        path.mkdir(exist_ok=True)
        return path

    def create(self, path: Path) -> int:
        """Opens a new file and returns its descriptor; never follows a link, never overwrites unless asked."""
        if self.overwrite and path.is_file() and not path.is_symlink():
            path.unlink()
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)


def recover(medium: Medium, volume: Volume, directory: Path, overwrite: bool = False) -> Iterator[Recovered]:
    """Writes the files of a volume below a directory. A file with holes gets the name ending ``.partial``, its holes
    are zeros, and it ends with the last byte known. Raises SticktraceError when the directory cannot be used."""
    if volume.files is None:
        return
    target = _Target(directory, overwrite)
    folders: dict[Node, Path] = {volume.files.root: target.root}
    for node in volume.files.root.walk():
        parent = folders.get(node.parent) if node.parent is not None else None
        if parent is None or node.entry.kind not in ("file", "directory"):
            continue
        if node.directory:
            try:
                folders[node] = target.folder(parent, harmless(node.entry.name))
            except (OSError, SticktraceError) as error:
                yield Recovered(node.path, 0, note=f"not written: {error}")
        else:
            yield _write(medium, volume, node, target, parent)


def _write(medium: Medium, volume: Volume, node: Node, target: _Target, parent: Path) -> Recovered:
    found = coverage(medium, volume, node)
    if not found.captured and found.size:
        found.note = "not written: no byte of it is in the capture"
        return found
    name = harmless(node.entry.name)
    path = target.place(parent, name if found.complete else f"{name}.partial")
    try:
        with os.fdopen(target.create(path), "wb") as out:
            for at, _, data in contents(medium, volume, node):
                if data is not None:
                    out.seek(at)
                    out.write(data)
    except FileExistsError:
        found.note = f"not written: {path} exists"
        return found
    except OSError as error:
        found.note = f"not written: {error.strerror or error}"
        return found
    found.written_to = path
    return found


@dataclass(frozen=True, slots=True)
class ImageRange:
    """Blocks in a row of an image: "captured", or "unknown" where commands went but the content is not certain."""

    first: int
    last: int
    state: str


def write_image(medium: Medium, path: Path, overwrite: bool = False) -> list[ImageRange]:
    """Writes a sparse image of a medium's known blocks, and beside it PATH.map with one line for each range.
    Blocks not in the map were never touched. Raises SticktraceError."""
    ranges: list[ImageRange] = []
    beside = path.with_name(path.name + ".map")
    mode = "w" if overwrite else "x"
    for taken in (path, beside) if not overwrite else ():
        if taken.exists():  # both are looked at before either is made, so that a refusal leaves nothing behind
            raise SticktraceError(f"{taken}: exists; not overwritten")
    try:
        with path.open(mode + "b") as out, beside.open(mode, encoding="utf-8") as listing:
            for first, after in medium.store.spans():
                for stretch in medium.store.read_range(first, after - first):
                    if stretch.data is not None:
                        out.seek(stretch.lba * medium.store.block_length)
                        out.write(stretch.data)
                    _extend(ranges, stretch.lba, stretch.blocks, "captured" if stretch.data is not None else "unknown")
            listing.write(f"# blocks of {medium.store.block_length} bytes ({medium.store.block_length_from})\n")
            listing.write("# first\tlast\tstate\n")
            for item in ranges:
                listing.write(f"{item.first}\t{item.last}\t{item.state}\n")
    except FileExistsError as error:
        raise SticktraceError(f"{error.filename}: exists; not overwritten") from error
    except OSError as error:
        raise SticktraceError(f"{path}: cannot be written: {error.strerror or error}") from error
    return ranges


def _extend(ranges: list[ImageRange], lba: int, blocks: int, state: str) -> None:
    if ranges and ranges[-1].state == state and ranges[-1].last == lba - 1:
        ranges[-1] = ImageRange(ranges[-1].first, lba + blocks - 1, state)
    else:
        ranges.append(ImageRange(lba, lba + blocks - 1, state))
