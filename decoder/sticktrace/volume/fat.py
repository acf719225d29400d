"""FAT12, FAT16 and FAT32: the table of clusters and the entries of a directory.

Follows the FAT specification (Microsoft 2005). Only blocks that the capture holds take part; the rest is unknown.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Iterable, Iterator, Sequence

from sticktrace.grammar import fat
from sticktrace.volume.entries import Entry, Scan, SlotBlocks

FREE, END, BAD, BROKEN = 0, -1, -2, -3
"""What an entry of the table says when it does not name a next cluster."""

LONGEST_NAME = 20
"""Long name entries before a short one: 255 characters, 13 each."""


class ClusterTable:
    """The captured part of a FAT. ``kind`` is 12, 16, 32, or 64 for exFAT; cluster numbers begin at 2."""

    def __init__(self, kind: int, clusters: int, block_length: int) -> None:
        self.kind, self.highest, self.block_length = kind, clusters + 1, block_length
        self._code, self._width = ("H", 2) if kind == 16 else ("I", 4)
        self._mask = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF, 64: 0xFFFFFFFF}[kind]
        self._end = 0xFFFFFFFF if kind == 64 else self._mask - 7
        self._bad = 0xFFFFFFF7 if kind == 64 else self._mask - 8
        self._per = block_length // self._width
        self._values: dict[int, array[int]] = {}
        self._bytes: dict[int, bytes] = {}
        self._straight: set[int] = set()

    def put(self, index: int, data: bytes) -> Iterable[int]:
        """Takes block ``index`` of the table; returns the clusters whose entries changed or became known."""
        if self.kind == 12:
            return self._put12(index, data)
        values = array(self._code, data)
        if sys.byteorder == "big":
            values.byteswap()
        old = self._values.get(index)
        self._values[index] = values
        base = index * self._per
        after = base + self._per
        if after < 1 << 8 * self._width and values == array(self._code, range(base + 1, after + 1)):
            self._straight.add(index)
        else:
            self._straight.discard(index)
        if old is None:
            return range(base, base + self._per)
        if old == values:
            return ()
        return [base + i for i, value in enumerate(values) if value != old[i]]

    def _put12(self, index: int, data: bytes) -> list[int]:
        length = self.block_length
        near = range(max(0, index * length * 2 // 3 - 1), (index + 1) * length * 2 // 3 + 1)
        before = [self.raw(cluster) for cluster in near]
        self._bytes[index] = data
        return [c for c, old in zip(near, before, strict=True) if self.raw(c) != old]

    def has(self, index: int) -> bool:
        """Whether block ``index`` of the table has been taken."""
        return index in self._values or index in self._bytes

    def known(self) -> list[int]:
        """The blocks of the table that have been taken."""
        return sorted(self._values or self._bytes)

    def raw(self, cluster: int) -> int | None:
        """The entry of a cluster as stored, without the reserved bits of FAT32; None if not captured."""
        if self.kind == 12:
            return self._raw12(cluster)
        values = self._values.get(cluster // self._per)
        return values[cluster % self._per] & self._mask if values is not None else None

    def _raw12(self, cluster: int) -> int | None:
        at = cluster + cluster // 2
        pair = []
        for place in (at, at + 1):
            data = self._bytes.get(place // self.block_length)
            if data is None:
                return None
            pair.append(data[place % self.block_length])
        value = pair[0] | pair[1] << 8
        return value >> 4 if cluster & 1 else value & 0xFFF

    def place(self, cluster: int) -> tuple[int, int]:
        """Where the entry of a cluster stands in the table: its first byte, and the byte after its last."""
        if self.kind == 12:
            return cluster + cluster // 2, cluster + cluster // 2 + 2
        return cluster * self._width, (cluster + 1) * self._width

    def next(self, cluster: int) -> int | None:
        """The next cluster of a chain, or FREE, END, BAD, BROKEN, or None if not captured."""
        value = self.raw(cluster)
        if value is None or value == 0:
            return value
        if 2 <= value <= self.highest:
            return value
        return END if value >= self._end else BAD if value == self._bad else BROKEN

    def run(self, cluster: int) -> tuple[int, int | None]:
        """How many clusters from ``cluster`` on follow each other on the medium, and what the last one's entry says."""
        count, following, per = 1, self.next(cluster), self._per
        while following == cluster + count:
            # A block whose entries all point to the next one is passed in one step; its last entry leads out of it.
            if following % per == 0 and following // per in self._straight and following + per <= self.highest:
                count += per - 1
                following += per - 1
            count += 1
            following = self.next(following)
        return count, following

    def free_clusters(self) -> tuple[int, bool]:
        """How many clusters the captured part shows free, and whether the whole table is captured."""
        free, seen = 0, 0
        for values in self._runs_of_entries():
            free += sum(not value & self._mask for value in values)
            seen += len(values)
        return free, seen == self.highest - 1

    def _runs_of_entries(self) -> Iterator[Sequence[int]]:
        """The captured entries of clusters, block by block: a large table is counted in one go, not entry by entry."""
        if self.kind == 12:
            values = (self.raw(cluster) for cluster in range(2, self.highest + 1))
            yield [value for value in values if value is not None]
            return
        for index in self.known():
            base = index * self._per
            yield self._values[index][max(0, 2 - base) : max(0, self.highest + 1 - base)]


def affected(low: int, high: int) -> tuple[int, int]:
    """The slots whose entries may change when slots ``low`` to ``high`` - 1 do: long names reach forward to their
    short entry."""
    return low, high + LONGEST_NAME


def scan(slots: SlotBlocks, low: int, high: int) -> Scan:
    """The entries whose short entry stands in slots ``low`` to ``high`` - 1."""
    result = Scan({}, {}, None)
    parts: list[bytes] = []
    previous = -1
    for slot, raw in slots.slots(max(0, low - LONGEST_NAME), high):
        if slot != previous + 1:
            parts = []
        previous = slot
        first = raw[0]
        if first == 0:
            if slot >= low:
                result.end = slot
                return result
            parts = []
        elif raw[11] & 0x3F == fat.LONG_NAME:
            parts = [raw] if first & fat.LAST_LONG and first != fat.DELETED else [*parts, raw][-LONGEST_NAME:]
        else:
            if slot >= low:
                found = result.deleted if first == fat.DELETED else result.entries
                found[slot] = _entry(slot, raw, parts)
            parts = []
    return result


def _entry(slot: int, raw: bytes, parts: list[bytes]) -> Entry:
    name11, attributes, case, ctime, cdate, high, wtime, wdate, low, size = fat.FAST_ENTRY.unpack(raw)
    deleted = raw[0] == fat.DELETED
    short = "?" + fat.short_name(b"_" + name11[1:], case)[1:] if deleted else fat.short_name(name11, case)
    name, problem = short, ""
    if deleted:
        parts = _remains(parts, raw[:11])
        name = _joined(parts) or short
    elif parts:
        name, problem = _long_name(parts, name11, short)
    if attributes & fat.VOLUME_ID:
        label = name11.decode("cp437").rstrip(" ")
        return Entry(slot, 1, "label", label, 0, 0, modified=fat.moment(wdate, wtime), deleted=deleted)
    kind = "directory" if attributes & fat.DIRECTORY else "file"
    size = 0 if kind == "directory" else size
    return Entry(
        slot, 1 + len(parts), kind, name, size, high << 16 | low, False, fat.moment(cdate, ctime),
        fat.moment(wdate, wtime), attributes, size, deleted, problem, short,
    )  # fmt: skip


def _long_name(parts: list[bytes], name11: bytes, short: str) -> tuple[str, str]:
    """The long name, and what is wrong with it; a long name that does not belong to the short entry is not used."""
    wanted = list(range(len(parts), 0, -1))
    if [raw[0] & 0x3F for raw in parts] != wanted or not parts[0][0] & fat.LAST_LONG:
        return short, "its long name entries are out of order"
    if any(raw[13] != fat.checksum(name11) for raw in parts):
        return short, "its long name entries belong to another short name"
    return _joined(parts) or short, ""


def _joined(parts: list[bytes]) -> str:
    text = b"".join(fat.long_piece(raw) for raw in reversed(parts)).decode("utf-16-le", "replace")
    return text.split("\0")[0]


def _remains(parts: list[bytes], name11: bytes) -> list[bytes]:
    """The long name entries that belonged to a deleted short one. Deleting takes the first byte of each; of the short
    name the checksum gives it back, and the pieces are used only if it is the letter that the long name begins with."""
    if not parts or any(raw[0] != fat.DELETED for raw in parts):
        return []
    mine = parts
    for at in range(len(parts) - 1, -1, -1):
        if parts[at][13] != parts[-1][13]:
            mine = parts[at + 1 :]
            break
    first = next(byte for byte in range(256) if fat.checksum(bytes([byte]) + name11[1:]) == parts[-1][13])
    return mine if _joined(mine)[:1].upper() == bytes([first]).decode("cp437") else []
