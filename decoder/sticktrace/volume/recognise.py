"""What stands at the start of a volume: FAT, exFAT, or another file system known by its signature."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.grammar import exfat, fat
from sticktrace.grammar.filesystems import SIGNATURES
from sticktrace.text import field_text
from sticktrace.volume.partitions import Block, is_boot_sector


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where things are in a FAT or exFAT volume, in blocks from the start of the volume unless said otherwise.

    ``kind`` is 12, 16, 32 (FAT) or 64 (exFAT). ``ratio`` is blocks per sector. ``root_blocks`` is the length of the
    fixed root directory of FAT12/16, which ends where the clusters begin. ``state_byte`` and ``state_bit`` place the
    dirty mark in the boot sector.
    """

    kind: int
    ratio: int
    blocks: int
    fat: int
    fat_blocks: int
    fats: int
    active: int
    heap: int
    cluster_blocks: int
    clusters: int
    root_cluster: int
    root_blocks: int
    info: int
    backup: int
    volume_id: int
    label: str
    state_byte: int
    state_bit: int

    @property
    def name(self) -> str:
        """``FAT12``, ``FAT16``, ``FAT32`` or ``exFAT``."""
        return "exFAT" if self.kind == 64 else f"FAT{self.kind}"


def geometry(data: bytes, block_length: int) -> Geometry | str | None:
    """Decodes a boot sector: a Geometry, a sentence why a FAT or exFAT boot sector makes no sense, or None when the
    block is neither."""
    if len(data) < 512 or data[510:512] != b"\x55\xaa":
        return None
    if data[3:11] == exfat.NAME:
        return _exfat(data, block_length)
    if data[3:11] == b"NTFS    " or not is_boot_sector(data):
        return None
    return _fat(data, block_length)


def _fat(data: bytes, block_length: int) -> Geometry | str:
    bpb = fat.FAST_BPB.unpack_from(data)
    sector, cluster, reserved, fats, root_entries, total16, _, size16, _, _, _, total32 = bpb
    size32, flags, _, root_cluster, info, backup = fat.FAST_BPB32.unpack_from(data)
    if sector % block_length:
        return f"the volume counts in sectors of {sector} bytes, the device in blocks of {block_length}"
    ratio = sector // block_length
    size, total = size16 or size32, total16 or total32
    root = -(-root_entries * 32 // sector)
    heap = reserved + fats * size + root
    if not reserved or not size or total <= heap:
        return "the boot sector leaves no room for data"
    clusters = (total - heap) // cluster
    # The count of clusters alone decides, except that a boot sector laid out for FAT32 cannot be read as anything else.
    wide = not size16 and not root_entries
    kind = 32 if wide else fat.fat_type(clusters)
    if kind == 32 and not wide:
        return "the cluster count says FAT32, the rest of the boot sector does not"
    signed = data[66 if wide else 38] == 0x29
    return Geometry(
        kind, ratio, total * ratio, reserved * ratio, size * ratio, fats, flags & 15 if wide and flags & 0x80 else 0,
        heap * ratio, cluster * ratio, clusters, root_cluster if wide else 0, root * ratio,
        info * ratio if wide and 0 < info < reserved else 0, backup * ratio if wide and 0 < backup < reserved else 0,
        int.from_bytes(data[67:71] if wide else data[39:43], "little") if signed else 0,
        field_text(data[71:82] if wide else data[43:54]) if signed else "", 65 if wide else 37, 1,
    )  # fmt: skip


def _exfat(data: bytes, block_length: int) -> Geometry | str:
    (_, length, fat_at, fat_length, heap, clusters, root, serial, _, flags, sector_shift, cluster_shift, fats, _, _) = (
        exfat.FAST_BOOT.unpack_from(data)
    )
    if not 9 <= sector_shift <= 12 or sector_shift + cluster_shift > 25:
        return "the exFAT boot sector has impossible sector or cluster sizes"
    sector = 1 << sector_shift
    if sector % block_length:
        return f"the volume counts in sectors of {sector} bytes, the device in blocks of {block_length}"
    ratio = sector // block_length
    if fat_at < 24 or heap < fat_at or not 0 < clusters < 0xFFFFFFF6 or fats not in (1, 2):
        return "the exFAT boot sector makes no sense"
    if heap + (clusters << cluster_shift) > length:
        return f"the exFAT boot sector counts {clusters:,} clusters, for which the volume has no room"
    return Geometry(
        64, ratio, length * ratio, fat_at * ratio, fat_length * ratio, fats, flags & 1 if fats == 2 else 0,
        heap * ratio, ratio << cluster_shift, clusters, root, 0, 0, 12 * ratio, serial, "", 106, 2,
    )  # fmt: skip


def other(block: Block, start: int, block_length: int) -> tuple[str, int] | None:
    """The name of another file system whose signature stands in the captured blocks of the volume, and its block."""
    for name, at, signature, _, _ in SIGNATURES:
        lba, offset = start + at // block_length, at % block_length
        data = block(lba)
        if data is not None and data[offset : offset + len(signature)] == signature:
            return name, lba
    return None


def own_place(data: bytes) -> int:
    """The block at which a FAT or exFAT boot sector says that its volume begins (BPB_HiddSec, PartitionOffset)."""
    return int.from_bytes(data[64:72] if data[3:11] == exfat.NAME else data[28:32], "little")


def signature_blocks(start: int, block_length: int) -> set[int]:
    """The blocks in which a file system's signature may stand."""
    return {start + at // block_length for _, at, _, _, _ in SIGNATURES} | {start}
