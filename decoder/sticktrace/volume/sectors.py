"""Which layouts lie in a block of a medium, so that any captured sector can be explained byte by byte."""

from __future__ import annotations

from sticktrace.grammar import exfat, fat, filesystems, gpt, mbr
from sticktrace.grammar.layout import Layout
from sticktrace.volume.division import Volume
from sticktrace.volume.entries import SLOT
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium
from sticktrace.volume.partitions import is_boot_sector

Placed = list[tuple[int, Layout]]
"""Byte offset within the block, and the layout that begins there."""


def layouts_at(medium: Medium, lba: int, data: bytes) -> Placed:
    """The layouts in one block, by what the block is for; empty for file data and anything not known."""
    role = medium.table.roles.get(lba, "")
    if role:
        return _of_role(role, data)
    for volume in medium.volumes:
        if volume.start <= lba < volume.start + max(volume.blocks, 1):
            return _in_volume(volume, lba, data, medium.store.block_length)
    return by_signature(data)


def by_signature(data: bytes) -> Placed:
    """The layouts in a block of which nothing else is known, told by its signatures."""
    if data[:8] == gpt.SIGNATURE:
        return [(0, gpt.HEADER)]
    if data[3:11] == exfat.NAME:
        return [(0, exfat.BOOT_SECTOR)]
    if data[:4] == b"RRaA" and len(data) >= 512:
        return [(0, fat.FSINFO)]
    for _, at, signature, layout, start in filesystems.SIGNATURES:
        if at < 512 and start == 0 and data[at : at + len(signature)] == signature:
            return [(0, layout)]
    if len(data) >= 512 and data[510:512] == mbr.SIGNATURE:
        return [(0, _fat_boot(data))] if is_boot_sector(data) else [(0, mbr.MBR)]
    return []


def _fat_boot(data: bytes) -> Layout:
    return fat.BOOT_SECTOR_16 if int.from_bytes(data[22:24], "little") else fat.BOOT_SECTOR_32


def _of_role(role: str, data: bytes) -> Placed:
    if role.endswith("GPT header"):
        return [(0, gpt.HEADER)]
    if role.endswith("GPT entries"):
        return [(at, gpt.ENTRY) for at in range(0, len(data) - 127, 128)]
    return [(0, mbr.MBR)]


def _in_volume(volume: Volume, lba: int, data: bytes, block_length: int) -> Placed:
    files, place = volume.files, lba - volume.start
    if files is None:
        for name, at, _, layout, start in filesystems.SIGNATURES:
            if name == volume.kind and place == at // block_length:
                return [(start % block_length, layout)]
        return by_signature(data) if place == 0 else []
    shape = files.shape
    if place < shape.fat:
        return [(at, layout) for at, layout in by_signature(data) if layout is not mbr.MBR]
    if shape.heap - shape.root_blocks <= place < shape.heap:
        return slots(files, data)
    if place >= shape.heap:
        for node, *_ in files.pieces(place, place + 1):
            if node is not None and node.directory:
                return slots(files, data)
    return []


def slots(files: FileSystem, data: bytes) -> Placed:
    """The entries of a block of a directory, up to the end of the directory."""
    found: Placed = []
    for at in range(0, len(data) - SLOT + 1, SLOT):
        if data[at] == 0:
            break
        layout = _exfat_slot(data[at]) if files.shape.kind == 64 else _fat_slot(data[at + 11])
        if layout is not None:
            found.append((at, layout))
    return found


def _fat_slot(attributes: int) -> Layout:
    return fat.LONG_NAME_ENTRY if attributes & 0x3F == fat.LONG_NAME else fat.DIRECTORY_ENTRY


def _exfat_slot(kind: int) -> Layout | None:
    return exfat.LAYOUTS.get(kind | exfat.IN_USE)
