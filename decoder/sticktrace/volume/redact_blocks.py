"""Blocks of a medium with their private parts replaced and their structure kept.

File data becomes filler. Of the structures (partition tables, boot sectors, FATs, directories) only names, labels and
serial numbers change, and every checksum over them is kept true where it was true.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from sticktrace.grammar import exfat, fat, gpt
from sticktrace.volume.entries import SLOT
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium, Volume
from sticktrace.volume.scramble import Scrambler, turned

ATTEMPTS = 2500
"""Draws for a name of the same checksum; one in 256 fits, so that one name in 17,000 is left without."""

Context = Callable[[int], bytes | None]
"""Gives the content of a block of the medium as it was at the time."""


@dataclass(frozen=True, slots=True)
class Keep:
    """What is left as it is, at the wish of the caller."""

    names: bool = False
    serials: bool = False
    strings: bool = False
    contents: bool = False


class BlockRedactor:
    """Redacts the blocks of one medium. ``counts`` says how much of what was replaced."""

    def __init__(self, medium: Medium, scrambler: Scrambler, keep: Keep, counts: Counter[str]) -> None:
        self._medium, self._scrambler, self._keep, self._counts = medium, scrambler, keep, counts
        self._short_names: dict[bytes, bytes] = {}
        self._taken: set[bytes] = set()
        self._volumes = [*medium.volumes, *medium.former]
        self._gpt_shift = 0 if keep.names else self._entries_shift()

    def block(self, lba: int, data: bytes, context: Context) -> bytes:
        """One whole block as it goes into the copy."""
        role = self._medium.table.roles.get(lba, "")
        if role:
            return self._of_table(role, data)
        for volume in self._volumes:
            if volume.start <= lba < volume.start + (volume.blocks or 1 << 60):
                made = self._of_volume(volume, lba, data, context)
                if made is not None:
                    return made
        return self.fill(data)

    def fill(self, data: bytes) -> bytes:
        """File data, or data of no known kind."""
        if self._keep.contents:
            return data
        made = self._scrambler.fill(data)
        self._counts["blocks of file data"] += made != data
        return made

    # partition tables

    def _of_table(self, role: str, data: bytes) -> bytes:
        if role.endswith("GPT entries"):
            return data if self._keep.names else self._entries(data)
        if role.endswith("GPT header") and data[:8] == gpt.SIGNATURE and self._gpt_shift:
            return _moved_crc(data, self._gpt_shift)
        if role in ("partition table", "protective MBR") and not self._keep.serials and any(data[440:444]):
            self._counts["serial numbers"] += 1
            return data[:440] + bytes(4) + data[444:]
        return data

    def _entries(self, data: bytes) -> bytes:
        out = bytearray(data)
        for at in range(0, len(data) - 127, 128):
            if any(data[at : at + 16]) and any(data[at + 56 : at + 128]):
                out[at + 56 : at + 128] = self._scrambler.utf16(data[at + 56 : at + 128], b"gpt")
                self._counts["names"] += 1
        return bytes(out)

    def _entries_shift(self) -> int:
        """By how much the CRC of the entry array moves when names in it change. CRC32 is linear: what an exclusive-or
        does to the array, it does to the CRC, whatever the rest of the array holds."""
        roles, store = self._medium.table.roles, self._medium.store
        places = sorted(lba for lba, role in roles.items() if role == "GPT entries")
        places = places or sorted(lba for lba, role in roles.items() if role == "backup GPT entries")
        delta = b""
        for lba in places:
            data = store.content(lba) or bytes(store.block_length)
            delta += bytes(a ^ b for a, b in zip(data, self._entries(data), strict=True))
        self._counts.pop("names", None)
        for lba, role in roles.items():
            header = store.content(lba) if role.endswith("GPT header") else None
            if header is not None and header[:8] == gpt.SIGNATURE:
                count, size = int.from_bytes(header[80:84], "little"), int.from_bytes(header[84:88], "little")
                delta = delta[: count * size]
        return zlib.crc32(delta) ^ zlib.crc32(bytes(len(delta)))

    # volumes

    def _of_volume(self, volume: Volume, lba: int, data: bytes, context: Context) -> bytes | None:
        files, place = volume.files, lba - volume.start
        if files is None:
            return self._of_other(volume, place, data)
        shape = files.shape
        if place < shape.fat:
            return self._reserved(files, place, data)
        if place < shape.fat + shape.fats * shape.fat_blocks:
            return data
        if shape.heap - shape.root_blocks <= place < shape.heap:
            return self._directory(files, lba, data, context)
        if place >= shape.heap:
            return self._of_cluster(files, lba, place, data, context)
        return None

    def _of_cluster(self, files: FileSystem, lba: int, place: int, data: bytes, context: Context) -> bytes | None:
        shape = files.shape
        cluster = (place - shape.heap) // shape.cluster_blocks + 2
        run = files.owners.find(cluster)
        if run is not None and run.node.entry.kind in ("bitmap", "up-case table"):
            return data
        if cluster in files.directory_clusters and _looks_like_slots(files, data):
            return self._directory(files, lba, data, context)
        return None

    def _of_other(self, volume: Volume, place: int, data: bytes) -> bytes | None:
        """The first structure of another file system stays, so that it is still recognised; its label does not."""
        length = self._medium.store.block_length
        for kind, at, low, high in _LABELS:
            if volume.kind == kind and place == at // length:
                base = at % length
                out = bytearray(data)
                out[base + low : base + high] = self._scrambler.ascii(data[base + low : base + high], b"label")
                self._counts["labels"] += 1
                return bytes(out)
        return None

    def _reserved(self, files: FileSystem, place: int, data: bytes) -> bytes | None:
        shape = files.shape
        if shape.kind == 64:
            return data
        info = (shape.info, shape.backup + shape.info) if shape.info else ()
        if place in info and data[:4] == b"RRaA":
            return data
        if place not in (0, shape.backup) or data[510:512] != b"\x55\xaa":
            return None
        at = 67 if shape.kind == 32 else 39
        out = bytearray(data)
        if data[at - 1] == 0x29 and not self._keep.serials:
            out[at : at + 4] = bytes(4)
            self._counts["serial numbers"] += 1
        if data[at - 1] == 0x29 and not self._keep.names:
            out[at + 4 : at + 15] = self._label(data[at + 4 : at + 15])
        return bytes(out)

    def _label(self, raw: bytes) -> bytes:
        if raw == b"NO NAME    ":
            return raw
        self._counts["labels"] += 1
        return self._scrambler.ascii(raw, b"label")

    def _directory(self, files: FileSystem, lba: int, data: bytes, context: Context) -> bytes:
        if self._keep.names:
            return data
        if files.shape.kind == 64:
            return self._exfat_block(lba, data, context)
        out = bytearray(data)
        for at in range(0, len(data), SLOT):
            raw = data[at : at + SLOT]
            if raw[0] == 0:
                out[at:] = bytes(len(data) - at)
                break
            out[at : at + SLOT] = self._fat_slot(raw)
        return bytes(out)

    def _fat_slot(self, raw: bytes) -> bytes:
        if raw[11] & 0x3F == fat.LONG_NAME:
            order = bytes([raw[0] & 0x3F]) if raw[0] != fat.DELETED else b"?"
            text = self._scrambler.utf16(fat.long_piece(raw), b"long" + order)
            return raw[:1] + text[:10] + raw[11:14] + text[10:22] + raw[26:28] + text[22:]
        if raw[:11] in (b".          ", b"..         "):
            return raw
        if raw[11] & fat.VOLUME_ID:
            return self._label(raw[:11]) + raw[11:]
        self._counts["names"] += 1
        if raw[0] == fat.DELETED:
            return raw[:1] + self._scrambler.ascii(raw[1:11], b"deleted") + raw[11:]
        return self.short_name(raw[:11]) + raw[11:]

    def short_name(self, name: bytes) -> bytes:
        """Another short name with the same checksum, so that the long name entries, which may lie in a block that is
        redacted without sight of this one, still belong to it. A name too short for that changes plainly."""
        made = self._short_names.get(name)
        if made is None:
            made = self._short_names[name] = self._short_name(name)
            self._taken.add(made)
        return made

    def _short_name(self, name: bytes) -> bytes:
        """Turns each letter and digit through its class, by amounts drawn anew until the checksum fits and no other
        name became the same."""
        wanted = fat.checksum(name)
        rings = [turned(chr(byte)) for byte in name]
        for attempt in range(ATTEMPTS):
            drawn = self._scrambler.digest(name, b"short%d" % attempt)
            made = bytes(ord(ring[step % len(ring)]) for ring, step in zip(rings, drawn, strict=False))
            if fat.checksum(made) == wanted and made not in self._taken:
                return made
        return self._scrambler.ascii(name, b"short")

    def _exfat_block(self, lba: int, data: bytes, context: Context) -> bytes:
        """Sets may begin in the block before and end in the one after; their checksums cover all of it."""
        length = len(data)
        before, after = context(lba - 1) or b"", context(lba + 1) or b""
        whole = bytearray(before + data + after)
        at = 0
        while at + SLOT <= len(whole):
            at += self._exfat_set(whole, at)
        self._counts["names"] += data.count(b"\x85") and sum(data[i] == exfat.FILE for i in range(0, length, SLOT))
        return bytes(whole[len(before) : len(before) + length])

    def _exfat_set(self, whole: bytearray, at: int) -> int:
        """Redacts the set or the single entry at a place; returns how many bytes that was."""
        kind = whole[at]
        if kind == exfat.LABEL:
            whole[at + 2 : at + 24] = self._scrambler.utf16(bytes(whole[at + 2 : at + 24]), b"label")
            self._counts["labels"] += 1
        if kind | exfat.IN_USE == exfat.FILE_NAME:
            whole[at + 2 : at + 32] = self._scrambler.utf16(bytes(whole[at + 2 : at + 32]), b"exfat")
        if kind != exfat.FILE or not 2 <= whole[at + 1] <= 18:
            return SLOT
        end = at + SLOT * (1 + whole[at + 1])
        old = bytes(whole[at:end])
        if len(old) < end - at or old[SLOT] != exfat.STREAM:
            return SLOT
        self._exfat_name(whole, at, end, old)
        return end - at

    def _exfat_name(self, whole: bytearray, at: int, end: int, old: bytes) -> None:
        name = b"".join(old[i + 2 : i + 32] for i in range(2 * SLOT, len(old), SLOT))[: 2 * old[SLOT + 3]]
        made = self._scrambler.utf16(name, b"exfat")
        for index, place in enumerate(range(at + 2 * SLOT, end, SLOT)):
            piece = made[30 * index : 30 * index + 30]
            whole[place + 2 : place + 2 + len(piece)] = piece
        hashed = exfat.name_hash(made.decode("utf-16-le", "surrogatepass").upper())
        whole[at + SLOT + 4 : at + SLOT + 6] = hashed.to_bytes(2, "little")
        if exfat.set_checksum(old) == int.from_bytes(old[2:4], "little"):
            whole[at + 2 : at + 4] = exfat.set_checksum(bytes(whole[at:end])).to_bytes(2, "little")


_LABELS = (
    ("ISO 9660", 32768, 40, 72), ("ext", 1024, 120, 200), ("NTFS", 0, 0, 0), ("HFS+", 1024, 0, 0), ("APFS", 0, 0, 0),
)  # fmt: skip
"""File system, byte place of its first structure, and where in it a label stands (ext: also the last mount point)."""


def _moved_crc(data: bytes, shift: int) -> bytes:
    """A GPT header whose entry array changed: both of its checksums move, and stay as right or wrong as they were."""
    delta = bytes(88) + shift.to_bytes(4, "little")
    size = int.from_bytes(data[12:16], "little")
    if not 92 <= size <= len(data):
        return data
    delta = delta.ljust(size, b"\0")
    moved = zlib.crc32(delta) ^ zlib.crc32(bytes(size))
    out = bytearray(data)
    out[88:92] = (int.from_bytes(data[88:92], "little") ^ shift).to_bytes(4, "little")
    out[16:20] = (int.from_bytes(data[16:20], "little") ^ moved).to_bytes(4, "little")
    return bytes(out)


def _looks_like_slots(files: FileSystem, data: bytes) -> bool:
    """Whether a block in what was a directory at some time holds directory entries, not file data put there since."""
    for at in range(0, len(data), SLOT):
        kind = data[at]
        if kind == 0:
            return True
        if files.shape.kind == 64:
            if kind | exfat.IN_USE not in exfat.LAYOUTS and kind not in (0xA0, 0xA1, 0x82, 0xE0, 0xE1):
                return False
        elif data[at + 11] & 0xC0 or not _sound_name(data[at : at + 12]):
            return False
    return True


def _sound_name(head: bytes) -> bool:
    if head[11] & 0x3F == fat.LONG_NAME:
        return head[0] == fat.DELETED or 0 < head[0] & 0x3F <= 20
    return all(byte >= 0x20 for byte in head[1:11]) and (head[0] >= 0x20 or head[0] == 5)
