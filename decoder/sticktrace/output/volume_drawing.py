"""A medium as drawings: its regions over time, and the chain of a file."""

from __future__ import annotations

from collections.abc import Sequence

from sticktrace.drawing.chain import Part, Run, chain
from sticktrace.drawing.regions import FAILED, READ, WRITE, Region, Touch, regions
from sticktrace.drawing.scene import Scene
from sticktrace.errors import SticktraceError
from sticktrace.text import count_of
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium
from sticktrace.volume.tree import Node
from sticktrace.volume.zones import FAILS, READS, WRITES, Zone, fixed_parts, zones

ROWS = 28
"""Rows of a drawing; of more zones those that were touched least share one."""
_KINDS = {READS: READ, WRITES: WRITE, FAILS: FAILED}
_ENDS = {
    "end": "end of the chain", "empty": "no clusters", "free": "the chain runs into a free cluster",
    "bad": "the chain runs into a bad cluster", "broken": "the chain leaves the volume", "loop": "the chain loops",
    "cross-linked": "the chain runs into that of another file", "too long": "the chain is longer than the file",
    "not captured": "the table behind it is not captured",
}  # fmt: skip


def zones_shown(medium: Medium, zoom: tuple[int, int] | None = None) -> list[Zone]:
    """The zones that have a row in the drawing. ``zoom`` is the first and the last block shown."""
    return _few(zones(medium, *(zoom or ())))


def regions_of(
    medium: Medium, times: Sequence[int], width: int, zoom: tuple[int, int] | None = None, timed: bool = True,
    found: list[Zone] | None = None,
) -> Scene:  # fmt: skip
    """``times`` are when the exchanges began (nanoseconds), the first of them at 0; without times exchanges stand in
    their order. ``found`` are the zones where they are known already (`zones_shown`)."""
    found = zones_shown(medium, zoom) if found is None else found
    rows = [Region(zone.name, zone.first, zone.last) for zone in found]
    touches = [
        Touch(times[number - 1] if timed and number <= len(times) else number, row, _KINDS[kind], number)
        for row, zone in enumerate(found) for number, kind in zone.touches
    ]  # fmt: skip
    where = f", LBA {zoom[0]:,} to {zoom[1]:,}" if zoom else ""
    title = f"{medium.title}: regions{where}" + ("" if timed else ", exchanges in their order (no times)")
    return regions(rows, sorted(touches, key=lambda touch: touch.time_ns), width, title, timed=timed)


def _few(found: list[Zone]) -> list[Zone]:
    """As many zones as there are rows; failures are never among those that share one."""
    if len(found) <= ROWS:
        return found
    ranked = sorted(found, key=lambda zone: (not zone.failed, -len(zone.touches)))
    kept, rest = ranked[: ROWS - 1], ranked[ROWS - 1 :]
    touches = sorted(touch for zone in rest for touch in zone.touches)
    name = count_of(len(rest), "other region")
    both = Zone(name, min(zone.first for zone in rest), max(zone.last for zone in rest), touches)
    return [*sorted(kept, key=lambda zone: (zone.first, zone.last)), both]


def chain_of(media: Sequence[Medium], path: str, width: int) -> Scene:
    """The chain of a file or directory by its path. Raises SticktraceError where no volume has it."""
    for medium in media:
        for files in (volume.files for volume in medium.volumes if volume.files is not None):
            node = _node(files, path)
            if node is not None:
                return _chain(files, node, width)
    raise SticktraceError(f"{path!r} is on no FAT or exFAT volume of this capture; `sticktrace volume` lists the files")


def _node(files: FileSystem, path: str) -> Node | None:
    wanted = "/" + path.strip("/").lower()
    return next((node for node in files.root.walk() if node.path.lower() == wanted), None)


def _chain(files: FileSystem, node: Node, width: int) -> Scene:
    shape = files.shape
    parts = [Part(name, first, after - 1) for name, first, after in fixed_parts(files)]
    heap = files.start + shape.heap
    last = max(heap, files.start + shape.blocks - 1)
    parts.append(Part(f"clusters 2 to {shape.clusters + 1:,}", heap, last))
    runs = [Run(run.cluster, run.count, files.lba_of(run.cluster)) for run in node.runs]
    size = count_of(node.entry.size, "byte") if not node.directory else "directory"
    first = f", first cluster {node.runs[0].cluster}" if node.runs else ""
    entry = f"{node.path}: {size}{first}"
    title, end = f"{node.path} on {shape.name}", _ENDS.get(node.stop, node.stop)
    return chain(parts, runs, entry, end, width, title, shape.clusters)
