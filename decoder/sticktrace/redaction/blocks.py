"""Blocks of a medium with their private parts replaced and their structure kept.

File data becomes filler. Of the structures (partition tables, boot sectors, FATs, directories) only names, labels and
serial numbers change, and every checksum over them is kept true where it was true.
"""

from __future__ import annotations

import math
from collections import Counter

from sticktrace.grammar import fat
from sticktrace.redaction.exfat_blocks import BootRegion, Context, EntrySets
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


class BlockRedactor:
    """Redacts the blocks of one medium. ``counts`` says how much of what was replaced."""

    def __init__(self, medium: Medium, scrambler: Scrambler, keep: Keep, counts: Counter[str]) -> None:
        self._medium, self._scrambler, self._keep, self._counts = medium, scrambler, keep, counts
        self._short_names: dict[bytes, bytes] = {}
        self._taken: set[bytes] = set()
        self._volumes = [*medium.volumes, *medium.former]
        self._tables = TableRedactor(medium, scrambler, keep, counts)
        self._exfat_boot = BootRegion(scrambler, keep, counts)
        self._exfat_sets = EntrySets(scrambler, keep, counts)

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
            return self._reserved(files, lba, data, context)
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
        """The first structure of another file system stays as far as it is numbers, so that it is still recognised."""
        length = len(data)
        for kind, at, numbers, texts in _OTHERS:
            base = at - place * length
            if volume.kind != kind or not 0 <= base < length:
                continue
            out = bytearray(data if self._keep.contents else self._scrambler.fill(data))
            for low, high in numbers:
                out[base + low : base + high] = data[base + low : base + high]
            for low, high in texts:
                text = data[base + low : base + high]
                out[base + low : base + high] = text if self._keep.names else self._scrambler.ascii(text, b"label")
                self._counts["labels"] += not self._keep.names
            return bytes(out[:length])
        return None

    def _code(self, data: bytes, low: int) -> bytes:
        return boot_code(data, low, 510, self._scrambler, self._counts) if not self._keep.contents else data

    def _reserved(self, files: FileSystem, lba: int, data: bytes, context: Context) -> bytes | None:
        shape, place = files.shape, lba - files.start
        if shape.kind == 64:
            return self._exfat_boot.block(files, lba, data, context)
        info = (shape.info, shape.backup + shape.info) if shape.info else ()
        if place in info and data[:4] == b"RRaA":
            middle, end = self._filled(data[4:484]), self._filled(data[496:508])
            return data[:4] + middle + data[484:496] + end + data[508:512] + self._filled(data[512:])
        if place not in (0, shape.backup) or data[510:512] != b"\x55\xaa":
            return None
        at = 67 if shape.kind == 32 else 39
        out = bytearray(self._code(data, at + 23))
        out[512:] = self._filled(data[512:])
        if shape.kind == 32:
            out[52:64] = self._filled(data[52:64])
        if not self._keep.strings:
            out[3:11] = self._scrambler.ascii(data[3:11], b"formatter")
        if data[at - 1] == 0x29 and not self._keep.serials:
            out[at : at + 4] = bytes(4)
            self._counts["serial numbers"] += 1
        if data[at - 1] == 0x29 and not self._keep.names:
            out[at + 4 : at + 15] = self._label(data[at + 4 : at + 15])
        return bytes(out)

    def _filled(self, data: bytes) -> bytes:
        return data if self._keep.contents else self._scrambler.fill(data)

    def _label(self, raw: bytes) -> bytes:
        if raw == b"NO NAME    ":
            return raw
        self._counts["labels"] += 1
        return self._scrambler.ascii(raw, b"label")

    def _directory(self, files: FileSystem, lba: int, data: bytes, context: Context) -> bytes:
        if self._keep.names:
            return data
        if files.shape.kind == 64:
            return self._exfat_sets.block(lba, data, context)
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


_OTHERS = (
    ("ISO 9660", 32768, ((0, 8), (80, 190), (813, 883)), ((8, 72), (190, 813))),
    ("ext", 1024, ((0, 104), (200, 208), (224, 236)), ((120, 200),)),
    ("NTFS", 0, ((0, 72), (80, 84), (510, 512)), ()),
    ("HFS+", 1024, ((0, 80),), ()),
    ("APFS", 0, ((0, 72),), ()),
)  # fmt: skip
"""File system, byte place of its first structure, and in it the bytes that are numbers and those that name something.
Serial numbers, seeds, boot code and all that follows are neither."""
