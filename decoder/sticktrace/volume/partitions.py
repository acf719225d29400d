"""How a medium is divided: MBR with its extended chain, GPT in both copies, or not at all.

Works on a function that gives one block's content or None; what the capture lacks stays unknown and is said to be.
Follows UEFI 5.2 and 5.3; the extended chain is common practice.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

from sticktrace.grammar import gpt, mbr
from sticktrace.text import safe

Block = Callable[[int], bytes | None]

CHAIN_LIMIT = 128
"""Links of an extended chain that are followed."""
ARRAY_LIMIT = 1 << 16
"""Bytes of a GPT entry array that are looked at; the usual size is 16 KiB."""


@dataclass(slots=True)
class Partition:
    """One partition: ``number`` as people count them, its blocks, and what the table says it is for."""

    number: int
    start: int
    blocks: int
    type: str
    name: str = ""
    bootable: bool = False


@dataclass(slots=True)
class PartitionTable:
    """``scheme`` is "MBR", "GPT", "none" (the volume begins at block 0) or "" when block 0 is not in the capture.
    ``roles`` says what single blocks of the table are for; ``wanted`` lists those not in the capture; ``problems`` are
    (slug, text) facts."""

    scheme: str = ""
    partitions: list[Partition] = field(default_factory=list)
    roles: dict[int, str] = field(default_factory=dict)
    wanted: list[int] = field(default_factory=list)
    problems: list[tuple[str, str]] = field(default_factory=list)


def is_boot_sector(data: bytes) -> bool:
    """Whether block 0 begins a volume rather than holding a partition table: a jump, and either a sound BPB or the
    name of a file system that has none."""
    if data[0] not in (0xEB, 0xE9) or data[510:512] != mbr.SIGNATURE:
        return False
    if data[3:11] in (b"EXFAT   ", b"NTFS    "):
        return True
    sector = int.from_bytes(data[11:13], "little")
    cluster = data[13]
    return sector in (512, 1024, 2048, 4096) and cluster > 0 and not cluster & (cluster - 1) and data[16] in (1, 2)


def read_table(block: Block, block_length: int, last_lba: int | None) -> PartitionTable:
    """The partition table of a medium, as far as the capture holds it."""
    table = PartitionTable()
    first = block(0)
    if first is None:
        table.wanted.append(0)
        return table
    if first[510:512] != mbr.SIGNATURE or is_boot_sector(first):
        table.scheme = "none"
        return table
    entries = _entries(first)
    if first[0] in (0xEB, 0xE9) and not _plausible(entries):
        table.scheme = "none"
        text = "block 0 begins like a boot sector, but its parameters make no sense, and it is no partition table"
        table.problems.append(("boot-sector-unsound", text))
        return table
    table.scheme = "MBR"
    table.roles[0] = "partition table"
    if any(kind == 0xEE for _, kind, _, _ in entries):
        table.roles[0] = "protective MBR"
        _read_gpt(table, block, block_length, last_lba)
    else:
        _read_mbr(table, block, entries)
    _check_ranges(table, last_lba)
    return table


def _plausible(entries: list[tuple[int, int, int, int]]) -> bool:
    """Whether four records are a partition table: at least one is used, and all have a valid BootIndicator."""
    used = any(kind and count for _, kind, _, count in entries)
    return used and all(boot in (0, 0x80) for boot, _, _, _ in entries)


def _entries(data: bytes) -> list[tuple[int, int, int, int]]:
    at = mbr.TABLE_AT
    return [mbr.FAST_ENTRY.unpack_from(data, at + 16 * i) for i in range(4)]


def _read_mbr(table: PartitionTable, block: Block, entries: list[tuple[int, int, int, int]]) -> None:
    for number, (boot, kind, start, count) in enumerate(entries, 1):
        if not kind or not count:
            continue
        table.partitions.append(Partition(number, start, count, _type(kind), bootable=boot == 0x80))
        if boot not in (0, 0x80):
            text = f"partition {number}: BootIndicator {boot:02X}h is neither 0 nor 80h"
            table.problems.append(("mbr-boot-indicator", text))
        if kind in mbr.EXTENDED:
            _read_chain(table, block, start)


def _type(kind: int) -> str:
    return f"{kind:02X}h {mbr.TYPES[kind]}" if kind in mbr.TYPES else f"{kind:02X}h"


def _read_chain(table: PartitionTable, block: Block, base: int) -> None:
    """Follows an extended partition: each link describes one logical partition and the next link."""
    place, number, seen = base, 5, set[int]()
    while len(seen) < CHAIN_LIMIT:
        if place in seen:
            table.problems.append(("mbr-chain-loop", f"the extended chain comes back to LBA {place}"))
            return
        seen.add(place)
        data = block(place)
        if data is None:
            table.wanted.append(place)
            return
        table.roles[place] = "extended partition table"
        if data[510:512] != mbr.SIGNATURE:
            text = f"no signature in the extended partition table at LBA {place}"
            table.problems.append(("mbr-chain-signature", text))
            return
        (boot, kind, start, count), (_, next_kind, next_start, _), *_ = _entries(data)
        if kind and count and kind not in mbr.EXTENDED:
            table.partitions.append(Partition(number, place + start, count, _type(kind), bootable=boot == 0x80))
            number += 1
        if next_kind not in mbr.EXTENDED or not next_start:
            return
        place = base + next_start
    table.problems.append(("mbr-chain-long", f"the extended chain has more than {CHAIN_LIMIT} links"))


@dataclass(slots=True)
class _Header:
    """One GPT header that carries the signature."""

    lba: int
    alternate: int
    first_usable: int
    last_usable: int
    entries_lba: int
    entries: int
    entry_size: int
    entries_crc: int
    sound: bool


def _read_gpt(table: PartitionTable, block: Block, length: int, last_lba: int | None) -> None:
    table.scheme = "GPT"
    primary = _header(table, block, 1, "GPT header")
    backup_at = primary.alternate if primary and primary.sound else last_lba
    backup = _header(table, block, backup_at, "backup GPT header") if backup_at is not None and backup_at > 1 else None
    if primary and last_lba is not None and primary.alternate != last_lba:
        text = f"the backup GPT header is placed at LBA {primary.alternate}, the last block is {last_lba}"
        table.problems.append(("gpt-backup-place", text))
    done = False
    for header, title in ((primary, "GPT entries"), (backup, "backup GPT entries")):
        if header is None or not header.sound:
            continue
        _entries_roles(table, header, length, title)
        entries = _gpt_entries(table, block, header, length, title)
        if not done and entries:
            table.partitions = entries
            done = True
    if not done and not table.wanted and not (primary and primary.sound) and not (backup and backup.sound):
        table.problems.append(("gpt-no-header", "neither GPT header is sound"))


def _header(table: PartitionTable, block: Block, lba: int, title: str) -> _Header | None:
    table.roles[lba] = title
    data = block(lba)
    if data is None:
        table.wanted.append(lba)
        return None
    if data[:8] != gpt.SIGNATURE:
        table.problems.append(("gpt-signature", f"no GPT signature at LBA {lba} ({title})"))
        return None
    values = dict(zip(gpt.HEADER.field_names(), gpt.FAST_HEADER.unpack_from(data), strict=True))
    size = values["HeaderSize"]
    sound = 92 <= size <= len(data) and gpt.header_crc(data[:size]) == values["HeaderCRC32"]
    if not sound:
        table.problems.append(("gpt-header-crc", f"the checksum of the {title} at LBA {lba} is wrong"))
    elif values["MyLBA"] != lba:
        table.problems.append(("gpt-my-lba", f"the {title} at LBA {lba} says that it is at {values['MyLBA']}"))
    size = values["SizeOfPartitionEntry"]
    if sound and (size < 128 or size & size - 1 or size > ARRAY_LIMIT):
        sound = False
        text = f"the {title} at LBA {lba} gives entries {size:,} bytes, which is not 128 times a power of two"
        table.problems.append(("gpt-entry-size", text if size <= ARRAY_LIMIT else f"{text} of use"))
    return _Header(
        lba, values["AlternateLBA"], values["FirstUsableLBA"], values["LastUsableLBA"], values["PartitionEntryLBA"],
        values["NumberOfPartitionEntries"], size, values["PartitionEntryArrayCRC32"], sound,
    )  # fmt: skip


def _looked_at(header: _Header) -> int:
    """Entries of the array that are looked at."""
    return min(header.entries, ARRAY_LIMIT // header.entry_size)


def _array_blocks(header: _Header, length: int) -> int:
    return -(-_looked_at(header) * header.entry_size // length)


def _entries_roles(table: PartitionTable, header: _Header, length: int, title: str) -> None:
    for lba in range(header.entries_lba, header.entries_lba + _array_blocks(header, length)):
        table.roles[lba] = title


def _gpt_entries(table: PartitionTable, block: Block, header: _Header, length: int, title: str) -> list[Partition]:
    blocks = [block(header.entries_lba + i) for i in range(_array_blocks(header, length))]
    table.wanted += [header.entries_lba + i for i, data in enumerate(blocks) if data is None]
    _check_array(table, header, blocks, title)
    found, size = [], header.entry_size
    for number in range(_looked_at(header)):
        index, at = divmod(number * size, length)
        raw = (blocks[index] or b"")[at : at + 128]
        if len(raw) == 128 and any(raw[:16]):
            found.append(_gpt_partition(number + 1, raw))
    for item in found:
        if item.blocks <= 0 or item.start < header.first_usable or item.start + item.blocks - 1 > header.last_usable:
            table.problems.append(("gpt-range", f"partition {item.number} lies outside the usable blocks"))
    return [item for item in found if item.blocks > 0]


def _check_array(table: PartitionTable, header: _Header, blocks: list[bytes | None], title: str) -> None:
    """Checks the CRC of an entry array that is wholly in the capture (UEFI 5.3.2)."""
    looked = _looked_at(header)
    if looked < header.entries:
        text = f"the {title} are {header.entries:,}; only the first {looked:,} were looked at"
        table.problems.append(("gpt-entries-many", text))
        return
    held = [data for data in blocks if data is not None]
    if len(held) == len(blocks) and zlib.crc32(b"".join(held)[: looked * header.entry_size]) != header.entries_crc:
        table.problems.append(("gpt-entries-crc", f"the checksum of the {title} is wrong"))


def _gpt_partition(number: int, raw: bytes) -> Partition:
    kind, _, first, last, name = gpt.FAST_ENTRY.unpack(raw)
    text = gpt.guid_text(kind)
    return Partition(number, first, last - first + 1, gpt.TYPES.get(text, text), gpt.entry_name(name))


def _check_ranges(table: PartitionTable, last_lba: int | None) -> None:
    plain = sorted((p for p in table.partitions if "extended" not in p.type), key=lambda p: p.start)
    for before, after in pairwise(plain):
        if before.start + before.blocks > after.start:
            text = f"partitions {before.number} and {after.number} overlap"
            table.problems.append(("partitions-overlap", text))
    for item in table.partitions:
        if last_lba is not None and item.start + item.blocks - 1 > last_lba:
            text = f"partition {item.number} ends at LBA {item.start + item.blocks - 1}, the last block is {last_lba}"
            table.problems.append(("partition-past-end", safe(text)))
