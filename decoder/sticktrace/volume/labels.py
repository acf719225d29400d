"""What a range of blocks is for, in words: ``FAT 1, clusters 0-127``, ``/LEVELS/2031-04.CSV bytes 4096-8191``."""

from __future__ import annotations

from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.tree import Node

MOST = 3
"""Regions that one label names; the rest is counted."""
MOST_CLUSTERS = 256
"""Clusters without an owner that are looked at one by one; a command that names more is out of the ordinary."""


def joined(parts: list[str]) -> str:
    """Regions as one label: a few by name, the others as a number."""
    if len(parts) <= MOST:
        return "; ".join(parts)
    return "; ".join(parts[:MOST]) + f"; {len(parts) - MOST} more"


def in_volume(volume: FileSystem, lba: int, count: int) -> list[str]:
    """The regions of a volume that ``count`` blocks from ``lba`` touch, in order."""
    shape = volume.shape
    low, high = max(0, lba - volume.start), min(lba + count - volume.start, shape.blocks)
    parts: list[str] = []
    heap = shape.heap
    while low < min(high, heap):
        text, end = _fixed(volume, low, min(high, heap))
        if not parts or parts[-1] != text:
            parts.append(text)
        low = max(end, low + 1)
    if high > heap:
        for node, first, blocks, index in volume.pieces(low, high):
            parts += [owned(volume, node, blocks, index)] if node is not None else _unowned(volume, first, blocks)
            if len(parts) > MOST * 4:
                break
    return parts


def _fixed(volume: FileSystem, low: int, high: int) -> tuple[str, int]:
    """The region before the clusters that block ``low`` belongs to, and where it ends."""
    shape = volume.shape
    tables = shape.fat + shape.fats * shape.fat_blocks
    if low >= tables:
        if low >= shape.heap - shape.root_blocks:
            return "root directory", high
        return "unused before the clusters", shape.heap - shape.root_blocks
    if low >= shape.fat:
        copy, index = divmod(low - shape.fat, shape.fat_blocks)
        end = min(high, shape.fat + (copy + 1) * shape.fat_blocks)
        return _table(volume, copy, index, index + end - low), end
    text = _reserved(volume, low)
    if text not in ("reserved sectors", "unused before the FAT"):
        return text, low + 1
    marked = (shape.info, shape.backup, shape.backup + shape.info, shape.fat)
    return text, min(high, *(place for place in marked if place > low))


def _table(volume: FileSystem, copy: int, first: int, after: int) -> str:
    bits = {12: 12, 16: 16}.get(volume.shape.kind, 32)
    length = volume.block_length * 8
    low, high = first * length // bits, -(-after * length // bits) - 1
    high = min(high, volume.shape.clusters + 1)
    if low > high:
        return f"FAT {copy + 1}, unused end"
    return f"FAT {copy + 1}, clusters {low}-{high}"


_EXFAT_BOOT = {0: "boot sector", 9: "OEM parameters", 10: "reserved sector", 11: "boot checksum"}


def _reserved(volume: FileSystem, place: int) -> str:
    shape = volume.shape
    sector = place // shape.ratio
    if shape.kind == 64:
        if sector >= 24:
            return "unused before the FAT"
        name = _EXFAT_BOOT.get(sector % 12, "extended boot sector")
        return name if sector < 12 else f"backup {name}"
    if sector == 0:
        return "boot sector"
    if shape.info and place == shape.info:
        return "FSInfo"
    if shape.backup and place == shape.backup:
        return "backup boot sector"
    if shape.backup and shape.info and place == shape.backup + shape.info:
        return "backup FSInfo"
    return "reserved sectors"


def owned(volume: FileSystem, node: Node, blocks: int, index: int) -> str:
    """What ``blocks`` blocks from block ``index`` of a node on are."""
    kind = node.entry.kind
    if kind == "bitmap":
        low = index * volume.block_length * 8 + 2
        high = min(low + blocks * volume.block_length * 8, volume.shape.clusters + 2) - 1
        return f"allocation bitmap, clusters {low}-{high}" if low <= high else "allocation bitmap, unused end"
    if kind == "up-case table":
        return kind
    if kind == "directory":
        return f"directory {node.path}" if node.parent is not None else "root directory"
    first, after = index * volume.block_length, (index + blocks) * volume.block_length
    size = node.entry.size
    path = volume.path_of(node)
    if first >= size:
        return f"{path} beyond its end"
    return f"{path} bytes {first}-{min(after, size) - 1}"


def _unowned(volume: FileSystem, first: int, blocks: int) -> list[str]:
    """Clusters without an owner, grouped by what they are."""
    shape = volume.shape
    low = (first - shape.heap) // shape.cluster_blocks + 2
    high = (first + blocks - 1 - shape.heap) // shape.cluster_blocks + 2
    parts: list[tuple[str, int, int]] = []
    for cluster in range(low, min(high, low + MOST_CLUSTERS - 1) + 1):
        use = volume.use(cluster) if cluster <= shape.clusters + 1 else "beyond the last cluster"
        if parts and parts[-1][0] == use:
            parts[-1] = (use, parts[-1][1], cluster)
        else:
            parts.append((use, cluster, cluster))
    if high >= low + MOST_CLUSTERS:
        parts.append(("without an owner", low + MOST_CLUSTERS, high))
    return [_use_in_words(*part) for part in parts]


def _use_in_words(use: str, low: int, high: int) -> str:
    if use == "beyond the last cluster":
        return use
    noun = f"cluster {low}" if low == high else f"clusters {low}-{high}"
    words = {"in use": "in use by a file not known", "not known": "use not known"}
    return f"free {noun}" if use == "free" else f"{noun}, {words.get(use, use)}"
