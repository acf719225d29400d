"""Media, partitions, volumes, files and their changes as text and as facts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sticktrace.output.listing import Style, plain
from sticktrace.output.volume_open import open_lines
from sticktrace.text import bytes_in_words, count_of, quoted, safe, time_in_words
from sticktrace.volume.changes import Change
from sticktrace.volume.division import Volume
from sticktrace.volume.medium import Medium
from sticktrace.volume.overview import left_uncertain
from sticktrace.volume.recover import ImageRange, Recovered, coverage

MOST_UNCERTAIN = 8
"""Ranges with uncertain content that are told one by one."""


def medium_lines(medium: Medium, style: Style = plain) -> Iterator[str]:
    """What is known of a medium and how it is divided, and the tree of each volume."""
    store, table = medium.store, medium.table
    yield style(medium.title, "head") + f": {_size(medium)}"
    if not len(store):
        yield "  no block of it was read or written in this capture"
        return
    yield f"  partition table: {_SCHEMES.get(table.scheme, table.scheme)}"
    if table.scheme and table.wanted:
        yield f"  not in this capture: {count_of(len(table.wanted), 'block')} of the partition table"
    for volume in medium.volumes:
        yield from _volume_lines(medium, volume, style)
    yield from _uncertain_lines(medium, style)
    left = list(open_lines(medium))
    yield from (f"  {style(line, 'warn' if len(left) > 1 else 'quiet')}" for line in left)
    for partition in table.partitions:
        if "extended" in partition.type:
            yield f"  partition {partition.number}  {safe(partition.type)}, holds the logical partitions"


def _uncertain_lines(medium: Medium, style: Style) -> Iterator[str]:
    """What writes that did not pass left behind."""
    unsure = left_uncertain(medium)
    for lba, blocks, number in unsure[:MOST_UNCERTAIN]:
        label = medium.label(lba, blocks)
        what = f"{count_of(blocks, 'block')} from LBA {lba}" + (f" ({label})" if label else "")
        yield "  " + style(f"content not certain since exchange {number}: {what}", "warn")
    if len(unsure) > MOST_UNCERTAIN:
        yield f"  and {count_of(len(unsure) - MOST_UNCERTAIN, 'more range')} with content not certain"


_SCHEMES = {
    "": "not known, block 0 is not in this capture",
    "none": "none, the volume begins at block 0",
}


def _size(medium: Medium) -> str:
    store = medium.store
    if not store.block_length:
        return "block length not seen in this capture"
    length = f"blocks of {store.block_length} bytes ({store.block_length_from})"
    if store.last_lba is None:
        return f"{length}; capacity not seen in this capture"
    total = (store.last_lba + 1) * store.block_length
    return f"{store.last_lba + 1:,} {length}, {bytes_in_words(total)}"


def _volume_lines(medium: Medium, volume: Volume, style: Style) -> Iterator[str]:
    length = medium.store.block_length
    reach = f"LBA {volume.start}..{volume.start + volume.blocks - 1}" if volume.blocks else f"from LBA {volume.start}"
    kind = volume.kind or "file system not known"
    about = f" {safe(volume.partition.type)}" if volume.partition else ""
    size = f", {bytes_in_words(volume.blocks * length)}" if volume.blocks else ""
    yield f"  {style(volume.title, 'head')}{about}: {kind}, {reach}{size}"
    if volume.problem:
        yield "    " + style(volume.problem, "warn")
    files = volume.files
    if files is None:
        return
    shape = files.shape
    cluster = bytes_in_words(shape.cluster_blocks * length)
    yield f"    {_label(volume)}, id {shape.volume_id:08X}h, {shape.clusters:,} clusters of {cluster}"
    mark = files.in_use.now
    if mark is not None:
        state = "in use, not cleanly unmounted" if mark.in_use else "cleanly unmounted"
        yield f"    marked as {state} (exchange {mark.exchange})"
    if files.info is not None and files.info[0] != 0xFFFFFFFF:
        yield f"    {files.info[0]:,} free clusters by FSInfo (exchange {files.info[1]})"
    yield from _tree_lines(medium, volume, style)


def _label(volume: Volume) -> str:
    """The label. That of exFAT stands in the root directory alone, which the capture may lack."""
    files = volume.files
    if volume.label or files is None or (files.root.slots is not None and files.root.slots.blocks):
        return f"label {quoted(volume.label)}" if volume.label else "no label"
    return "label not in this capture"


def _tree_lines(medium: Medium, volume: Volume, style: Style) -> Iterator[str]:
    files = volume.files
    if files is None:
        return
    if not files.root.children and not (files.root.slots and files.root.slots.blocks):
        yield "    the root directory is not in this capture"
    for node in files.root.walk():
        if node.entry.kind == "file":
            share = _captured(coverage(medium, volume, node))
            yield f"    {node.entry.size:>13,}  {share:>8}  {node.entry.modified:<19}  {node.path}"
        elif node.directory and node.parent is not None:
            seen = "" if node.slots is not None and node.slots.blocks else "  (its content is not in this capture)"
            yield f"    {'directory':>13}  {'':>8}  {node.entry.modified:<19}  {node.path}/{seen}"
        for entry in node.deleted.values():
            if entry.kind != "label":
                folder = node.path.rstrip("/")
                row = f"    {entry.size:>13,}  {'deleted':>8}  {entry.modified:<19}  {folder}/{safe(entry.name)}"
                yield style(row, "quiet")


def _captured(found: Recovered) -> str:
    """How much of a file is in the capture: ``all``, ``none`` or a percentage that is neither 0 nor 100."""
    if found.complete:
        return "all"
    if not found.captured:
        return "none"
    return f"{min(99, max(1, found.captured * 100 // found.size))}%"


def change_lines(medium: Medium) -> Iterator[str]:
    """The story of file operations on a medium, in order of time."""
    story = medium.journal.story()
    if not story:
        yield "  no file operation seen"
    for change in story:
        span = f"{change.first}" if change.first == change.last else f"{change.first}..{change.last}"
        yield f"  {time_in_words(change.time_ns):>10}  exchange {span:<10}  {change.in_words()}"
    if medium.journal.left_out:
        yield f"  and {count_of(medium.journal.left_out, 'change')} more"


def recovered_line(found: Recovered) -> str:
    """What became of one file: where it went, and what is missing of it."""
    if found.written_to is None:
        return f"{found.path}: {safe(found.note)}"
    missing = ", ".join(f"{low}..{high - 1}" for low, high in found.holes[:8])
    more = f" and {len(found.holes) - 8} more ranges" if len(found.holes) > 8 else ""
    tail = f"; bytes not in the capture: {missing}{more}" if found.holes else ""
    return f"{found.path}: {found.captured:,} of {found.size:,} bytes to {safe(str(found.written_to))}{tail}"


def image_line(target: Path, ranges: list[ImageRange]) -> str:
    """What an image holds."""
    name, listed = safe(str(target)), count_of(len(ranges), "range")
    return f"{name}: {count_of(_blocks(ranges, 'captured'), 'block')} written; {name}.map lists {listed}"


def left_out_line(target: Path, ranges: list[ImageRange]) -> str:
    """What the capture holds and an image cannot; "" if there is nothing."""
    first = next((item.first for item in ranges if item.state == "left out"), None)
    if first is None:
        return ""
    blocks = count_of(_blocks(ranges, "left out"), "block")
    return f"{safe(str(target))}: {blocks} from LBA {first} on left out: no file can be as large"


def _blocks(ranges: list[ImageRange], state: str) -> int:
    return sum(item.last - item.first + 1 for item in ranges if item.state == state)


def medium_facts(medium: Medium) -> Iterator[dict[str, Any]]:
    """``kind:"medium"``, then ``kind:"volume"``, ``kind:"file"`` and ``kind:"change"`` objects."""
    store = medium.store
    where = {
        "stick": medium.unit.stick.number or None, "device": f"{medium.bus}.{medium.address}", "lun": medium.lun,
        "medium": medium.number,
    }  # fmt: skip
    yield {
        "kind": "medium", **where, "title": medium.title, "block_length": store.block_length or None,
        "block_length_from": store.block_length_from, "last_lba": store.last_lba, "scheme": medium.table.scheme,
    }  # fmt: skip
    for volume in medium.volumes:
        partition = volume.partition
        yield {
            "kind": "volume", **where, "start": volume.start, "blocks": volume.blocks, "file_system": volume.kind,
            "partition": partition.number if partition else None, "type": partition.type if partition else None,
            "label": safe(volume.label), "problem": volume.problem,
        }  # fmt: skip
        for node in volume.files.root.walk() if volume.files is not None else ():
            if node.entry.kind == "file":
                found = coverage(medium, volume, node)
                yield {
                    "kind": "file", **where, "volume_start": volume.start, "path": node.path, "size": node.entry.size,
                    "captured": found.captured, "holes": found.holes, "modified": node.entry.modified,
                }  # fmt: skip
    yield from (_change_facts(change, where) for change in medium.journal.story())


def _change_facts(change: Change, where: dict[str, Any]) -> dict[str, Any]:
    return {
        "kind": "change", **where, "what": change.kind, "path": change.path, "was": change.was or None,
        "directory": change.directory, "first": change.first, "last": change.last, "time_ns": change.time_ns,
        "size_before": change.size_before if change.size_before >= 0 else None,
        "size_after": change.size_after if change.size_after >= 0 else None,
    }  # fmt: skip
