"""Blocks of a medium with their private parts replaced and their structure kept.

File data becomes filler. Of the structures (partition tables, boot sectors, FATs, directories) only names, labels and
serial numbers change, and every checksum over them is kept true where it was true.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable

from sticktrace.grammar import exfat, fat
from sticktrace.redaction.filler import Keep, Scrambler, turned
from sticktrace.redaction.tables import TableRedactor, boot_code
from sticktrace.volume.division import Volume
from sticktrace.volume.entries import SLOT
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.medium import Medium
from sticktrace.volume.plausible import looks_like_slots, looks_like_table, reads_as_text

ATTEMPTS = 2500
"""Draws for a name of the same checksum; one in 256 fits, so that one name in 17,000 is left without."""

ENOUGH = 4
"""Characters that a short name needs so that hundreds of others have its checksum."""
_ANY = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"

Context = Callable[[int], bytes | None]
"""Gives the content of a block of the medium as it was at the time."""


class BlockRedactor:
    """Redacts the blocks of one medium. ``counts`` says how much of what was replaced."""

    def __init__(self, medium: Medium, scrambler: Scrambler, keep: Keep, counts: Counter[str]) -> None:
        self._medium, self._scrambler, self._keep, self._counts = medium, scrambler, keep, counts
        self._short_names: dict[bytes, bytes] = {}
        self._taken: set[bytes] = set()
        self._volumes = [*medium.volumes, *medium.former]
        self._tables = TableRedactor(medium, scrambler, keep, counts)

    def block(self, lba: int, data: bytes, context: Context) -> bytes:
        """One whole block as it goes into the copy. What does not look like what belongs in its place is file data: a
        counterfeit stick answers with other blocks than were asked for."""
        role = self._medium.table.roles.get(lba, "")
        if role:
            made = self._tables.block(role, data)
            return made if made is not None else self.fill(data)
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

    # volumes

    def _of_volume(self, volume: Volume, lba: int, data: bytes, context: Context) -> bytes | None:
        files, place = volume.files, lba - volume.start
        if files is None:
            return self._of_other(volume, place, data)
        if reads_as_text(data):
            return None
        shape = files.shape
        if place < shape.fat:
            return self._reserved(files, place, data)
        if place < shape.fat + shape.fats * shape.fat_blocks:
            index = (place - shape.fat) % shape.fat_blocks
            return data if looks_like_table(shape.kind, shape.clusters, index, data) else None
        if shape.heap - shape.root_blocks <= place < shape.heap and looks_like_slots(shape.kind, data):
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
        if cluster in files.directory_clusters and looks_like_slots(shape.kind, data):
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

    def _code(self, data: bytes, low: int) -> bytes:
        return boot_code(data, low, 510, self._scrambler, self._counts) if not self._keep.contents else data

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
        out = bytearray(self._code(data, at + 23))
        if not self._keep.strings:
            out[3:11] = self._scrambler.ascii(data[3:11], b"formatter")
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
        redacted without sight of this one, still belong to it. No name stays what it was."""
        made = self._short_names.get(name)
        if made is None:
            made = self._short_names[name] = self._short_name(name)
            self._taken.add(made)
        return made

    def _short_name(self, name: bytes) -> bytes:
        """Turns each letter and digit through its class, by amounts drawn anew until the checksum fits and no other
        name became the same. Where the name has too few of them for that, as ``A`` or ``501`` have, any letters and
        digits will do, and more of them than it had."""
        rings = [turned(chr(byte)) for byte in name]
        free = max(ENOUGH, len(name[:8].rstrip(b" ")))
        wide = [_ANY if place < free or (place >= 8 and name[place] != 32) else " " for place in range(11)]
        made = self._drawn(name, rings, b"short", ATTEMPTS) or self._drawn(name, wide, b"wide", 40 * ATTEMPTS)
        return made or self._scrambler.ascii(name, b"short")

    def _drawn(self, name: bytes, rings: list[str], purpose: bytes, attempts: int) -> bytes | None:
        """A name of one character from each ring, with the checksum of another name and not that name itself."""
        wanted = fat.checksum(name)
        for attempt in range(min(attempts, 4 * (math.prod(map(len, rings)) - 1))):
            drawn = self._scrambler.digest(name, purpose + b"%d" % attempt)
            made = bytes(ord(ring[step % len(ring)]) for ring, step in zip(rings, drawn, strict=False))
            if fat.checksum(made) == wanted and made != name and made not in self._taken:
                return made
        return None

    def _exfat_block(self, lba: int, data: bytes, context: Context) -> bytes:
        """Sets may begin in the block before and end in the one after; their checksums cover all of it."""
        length = len(data)
        before, after = context(lba - 1) or b"", context(lba + 1) or b""
        whole = bytearray(before + data + after)
        at = 0
        while at + SLOT <= len(whole):
            at += self._exfat_set(whole, at)
        end = next((i for i in range(len(before), len(before) + length, SLOT) if not whole[i]), len(whole))
        whole[end:] = bytes(len(whole) - end)  # after the entry that ends a directory nothing may follow (exFAT 7)
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
