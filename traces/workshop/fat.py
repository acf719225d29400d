"""A small FAT12 or FAT16 volume, built in memory (Microsoft FAT specification; ECMA-107).

Enough for the demo scenario: directories, files, long names, append and delete. Clusters are given out in rising order
and never moved, so that the same steps always make the same sectors.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

SECTOR = 512
WRITTEN = datetime(2031, 4, 30, 8, 0)
"""When the files were written, unless told otherwise."""


@dataclass(slots=True)
class Node:
    """A file, or a directory with its children by name."""

    name: str
    short: bytes
    modified: datetime
    data: bytes | None = None
    children: dict[str, Node] = field(default_factory=dict)
    clusters: list[int] = field(default_factory=list)
    deleted: bool = False


class FatVolume:
    """A volume of ``sectors`` sectors that begins at ``first_lba``. ``sectors()`` gives what stands on the medium."""

    def __init__(
        self, first_lba: int, sectors: int, *, sectors_per_cluster: int = 4, label: str = "TIDEPIER",
        serial: int = 0x20310430, root_entries: int = 512,
    ) -> None:  # fmt: skip
        self.first_lba, self.total, self.per_cluster = first_lba, sectors, sectors_per_cluster
        self.label, self.serial, self.root_entries = label, serial, root_entries
        self.root = Node("", b"", WRITTEN)
        self.next_cluster = 2
        self.fat_sectors, self.bits = self._measure()

    def _measure(self) -> tuple[int, int]:
        """Sectors of one FAT, and its width: fewer than 4085 clusters are FAT12, fewer than 65525 FAT16."""
        for bits, limit in ((12, 4085), (16, 65525)):
            size = 1
            while True:
                clusters = (self.total - 1 - 2 * size - self.root_entries // 16) // self.per_cluster
                if (clusters + 2) * bits <= size * SECTOR * 8:
                    break
                size += 1
            if clusters < limit and (bits == 12 or clusters >= 4085):
                return size, bits
        raise ValueError(f"{self.total} sectors do not make a FAT12 or FAT16 volume with this cluster size")

    @property
    def cluster_bytes(self) -> int:
        """Bytes of one cluster."""
        return self.per_cluster * SECTOR

    @property
    def fat_lba(self) -> int:
        """First sector of the first FAT."""
        return self.first_lba + 1

    @property
    def root_lba(self) -> int:
        """First sector of the root directory."""
        return self.fat_lba + 2 * self.fat_sectors

    @property
    def data_lba(self) -> int:
        """First sector of cluster 2."""
        return self.root_lba + self.root_entries // 16

    def lba(self, cluster: int) -> int:
        """First sector of a cluster."""
        return self.data_lba + (cluster - 2) * self.per_cluster

    def node(self, path: str) -> Node:
        """The file or directory at a path; KeyError where there is none."""
        here = self.root
        for name in path.strip("/").split("/"):
            here = here.children[name]
        return here

    def add(self, path: str, data: bytes | None = None, modified: datetime = WRITTEN) -> Node:
        """A new file, or a directory without data."""
        parent_path, _, name = path.rstrip("/").rpartition("/")
        parent = self.node(parent_path) if parent_path else self.root
        node = Node(name, _short_name(name, len(parent.children)), modified, data)
        parent.children[name] = node
        self._allocate(node, len(data) if data is not None else 1)
        return node

    def append(self, path: str, data: bytes, modified: datetime = WRITTEN) -> None:
        """More bytes at the end of a file."""
        node = self.node(path)
        node.data = (node.data or b"") + data
        node.modified = modified
        self._allocate(node, len(node.data))

    def delete(self, path: str) -> None:
        """Marks the entry deleted and frees its clusters; what they held stays."""
        self.node(path).deleted = True

    def _allocate(self, node: Node, size: int) -> None:
        while len(node.clusters) * self.cluster_bytes < size:
            node.clusters.append(self.next_cluster)
            self.next_cluster += 1

    def sectors(self) -> dict[int, bytes]:
        """Everything that is not zero, LBA -> sector."""
        out = {self.first_lba: self._boot_sector()}
        table = self._table()
        for copy in (0, 1):
            _place(out, self.fat_lba + copy * self.fat_sectors, table)
        _place(out, self.root_lba, self._label_entry() + self._entries(self.root))
        for node, parent in self._walk(self.root):
            content = node.data if node.data is not None else _dots(node, parent) + self._entries(node)
            for number, cluster in enumerate(node.clusters):
                at = number * self.cluster_bytes
                _place(out, self.lba(cluster), content[at : at + self.cluster_bytes])
        return out

    def _walk(self, parent: Node) -> Iterator[tuple[Node, Node]]:
        for node in parent.children.values():
            yield node, parent
            yield from self._walk(node)

    def _boot_sector(self) -> bytes:
        small = self.total if self.total < 0x10000 else 0
        out = struct.pack(
            "<3s8sHBHBHHBHHHIIBBBI11s8s", b"\xeb\x3c\x90", b"SKERRY  ", SECTOR, self.per_cluster, 1, 2,
            self.root_entries, small, 0xF8, self.fat_sectors, 63, 255, self.first_lba, 0 if small else self.total,
            0x80, 0, 0x29, self.serial, self.label.encode().ljust(11), f"FAT{self.bits}".encode().ljust(8),
        )  # fmt: skip
        return out.ljust(510, b"\0") + b"\x55\xaa"

    def _table(self) -> bytes:
        """One FAT: entry 0 holds the media byte, entry 1 the marks of a clean shutdown, chains end in all ones."""
        end = (1 << self.bits) - 1
        values = [end & ~0xFF | 0xF8, end] + [0] * (self.next_cluster - 2)
        for node, _ in self._walk(self.root):
            if not node.deleted:
                for cluster, following in zip(node.clusters, [*node.clusters[1:], end], strict=True):
                    values[cluster] = following
        if self.bits == 16:
            return struct.pack(f"<{len(values)}H", *values)
        values += [0] * (len(values) % 2)
        pairs = zip(values[::2], values[1::2], strict=True)
        return b"".join((low | high << 12).to_bytes(3, "little") for low, high in pairs)

    def _label_entry(self) -> bytes:
        return _entry(self.label.encode().ljust(11), 0x08, 0, 0, WRITTEN)

    def _entries(self, directory: Node) -> bytes:
        return b"".join(_directory_entries(node) for node in directory.children.values())


def changed(before: dict[int, bytes], after: dict[int, bytes]) -> list[tuple[int, bytes]]:
    """What must be written to go from one state to the other: runs of (first LBA, bytes), highest LBA first, so that
    data comes before directories and directories before the FATs."""
    runs: list[tuple[int, bytes]] = []
    for lba in sorted(after):
        if before.get(lba) == after[lba]:
            continue
        if runs and runs[-1][0] + len(runs[-1][1]) // SECTOR == lba:
            runs[-1] = (runs[-1][0], runs[-1][1] + after[lba])
        else:
            runs.append((lba, after[lba]))
    return runs[::-1]


def _place(out: dict[int, bytes], lba: int, data: bytes) -> None:
    for number, at in enumerate(range(0, len(data), SECTOR)):
        out[lba + number] = data[at : at + SECTOR].ljust(SECTOR, b"\0")


def _stamp(when: datetime) -> tuple[int, int]:
    """Time and date words; the clock counts in steps of two seconds."""
    time = when.hour << 11 | when.minute << 5 | when.second // 2
    return time, when.year - 1980 << 9 | when.month << 5 | when.day


def _entry(short: bytes, attributes: int, cluster: int, size: int, when: datetime) -> bytes:
    time, date = _stamp(when)
    return struct.pack("<11sBBBHHHHHHHI", short, attributes, 0, 0, time, date, date, 0, time, date, cluster, size)


def _dots(node: Node, parent: Node) -> bytes:
    up = parent.clusters[0] if parent.clusters else 0
    here = _entry(b".".ljust(11), 0x10, node.clusters[0], 0, node.modified)
    return here + _entry(b"..".ljust(11), 0x10, up, 0, node.modified)


def _directory_entries(node: Node) -> bytes:
    attributes = 0x10 if node.data is None else 0x20
    cluster = node.clusters[0] if node.clusters else 0
    entry = _entry(node.short, attributes, cluster, len(node.data or b""), node.modified)
    long = b"" if _plain(node.short) == node.name else _long_name(node)
    entries = long + entry
    if node.deleted:
        entries = b"".join(b"\xe5" + entries[at + 1 : at + 32] for at in range(0, len(entries), 32))
    return entries


def _plain(short: bytes) -> str:
    base, extension = short[:8].decode("ascii").rstrip(), short[8:].decode("ascii").rstrip()
    return f"{base}.{extension}" if extension else base


def _short_name(name: str, number: int) -> bytes:
    """8.3 form: the name itself where it fits, else six characters, a tilde and a digit."""
    base, _, extension = name.upper().rpartition(".") if "." in name else (name.upper(), "", "")
    if name == name.upper() and len(base) <= 8 and len(extension) <= 3 and " " not in name and "." not in base:
        return f"{base:8}{extension:3}".encode("ascii")
    kept = "".join(c for c in base if c.isalnum() or c in "-_")[:6]
    return f"{f'{kept}~{number % 9 + 1}':8}{extension[:3]:3}".encode("ascii")


def checksum(short: bytes) -> int:
    """Of an 11-byte short name, for the long name's entries."""
    total = 0
    for byte in short:
        total = ((total & 1) << 7) + (total >> 1) + byte & 0xFF
    return total


def _long_name(node: Node) -> bytes:
    """Long name entries, last part first: 13 UTF-16 units each, ended by 0 and filled with FFFFh."""
    text = node.name.encode("utf-16-le")
    if len(text) % 26:
        text = (text + b"\0\0").ljust(-(-len(text) // 26) * 26, b"\xff")
    parts = [text[at : at + 26] for at in range(0, len(text), 26)]
    out = b""
    for number in range(len(parts), 0, -1):
        part = parts[number - 1]
        ordinal = number | (0x40 if number == len(parts) else 0)
        out += struct.pack(
            "<B10sBBB12sH4s", ordinal, part[:10], 0x0F, 0, checksum(node.short), part[10:22], 0, part[22:]
        )
    return out
