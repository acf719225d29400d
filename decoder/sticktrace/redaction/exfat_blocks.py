"""Blocks of an exFAT volume with names, serial numbers and boot code replaced and every checksum kept true.

Follows the exFAT specification: boot region and boot checksum (3), directory entry sets and their checksum (6.3, 7).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from sticktrace.grammar import exfat
from sticktrace.redaction.filler import Keep, Scrambler
from sticktrace.volume.entries import SLOT
from sticktrace.volume.filesystem import FileSystem

Context = Callable[[int], bytes | None]
"""Gives the content of a block of the medium as it was at the time."""

_GUID, _VENDOR = 0xA0, frozenset((0xE0, 0xE1))
_SECTORS, _CHECKSUM = 12, 11
"""Sectors of a boot region; the last one holds the checksum of the others."""
_EXTENDED = range(1, 9)


class BootRegion:
    """The two boot regions. What stays is what says how the volume is laid out."""

    def __init__(self, scrambler: Scrambler, keep: Keep, counts: Counter[str]) -> None:
        self._scrambler, self._keep, self._counts = scrambler, keep, counts

    def block(self, files: FileSystem, lba: int, data: bytes, context: Context) -> bytes | None:
        """One block in front of the FAT; None if it is in no region, or is not what belongs there."""
        ratio, place = files.shape.ratio, lba - files.start
        region, index = divmod(place, _SECTORS * ratio)
        if region > 1 or (index == 0 and data[3:11] != exfat.NAME):
            return None
        if index < _CHECKSUM * ratio:
            return self._part(index, ratio, data)
        return self._checksum(files.start + region * _SECTORS * ratio, ratio, data, context)

    def _part(self, index: int, ratio: int, data: bytes) -> bytes:
        """Block ``index`` of a region, counted from its first."""
        sector, part = divmod(index, ratio)
        if sector == part == 0:
            serial = data[100:104] if self._keep.serials else bytes(4)
            return (
                data[:100]
                + serial
                + data[104:120]
                + self._filled(data[120:510])
                + data[510:512]
                + self._filled(data[512:])
            )
        if sector in _EXTENDED and part == ratio - 1:
            return self._filled(data[:-4]) + data[-4:]
        return self._filled(data)

    def _checksum(self, start: int, ratio: int, data: bytes, context: Context) -> bytes:
        """The checksum sector, true where it was true. One over a region that the capture does not hold whole stays: no
        reader of the copy can hold it against anything."""
        blocks = [block for index in range(_CHECKSUM * ratio) if (block := context(start + index)) is not None]
        if data != data[:4] * (len(data) // 4):
            return self._filled(data)
        if len(blocks) < _CHECKSUM * ratio or data[:4] != exfat.boot_checksum(b"".join(blocks)).to_bytes(4, "little"):
            return data
        made = b"".join(self._part(index, ratio, block) for index, block in enumerate(blocks))
        return exfat.boot_checksum(made).to_bytes(4, "little") * (len(data) // 4)

    def _filled(self, data: bytes) -> bytes:
        if self._keep.contents:
            return data
        made = self._scrambler.fill(data)
        self._counts["pieces of boot code"] += made != data
        return made


class EntrySets:
    """Directory entries, in sets that may cross from one block to the next."""

    def __init__(self, scrambler: Scrambler, keep: Keep, counts: Counter[str]) -> None:
        self._scrambler, self._keep, self._counts = scrambler, keep, counts

    def block(self, lba: int, data: bytes, context: Context) -> bytes:
        """Sets may begin in the block before and end in the one after; their checksums cover all of it."""
        length = len(data)
        before, after = context(lba - 1) or b"", context(lba + 1) or b""
        whole = bytearray(before + data + after)
        at = 0
        while at + SLOT <= len(whole):
            at += self._set(whole, at)
        end = next((i for i in range(len(before), len(before) + length, SLOT) if not whole[i]), len(whole))
        whole[end:] = bytes(len(whole) - end)  # after the entry that ends a directory nothing may follow (exFAT 7)
        self._counts["names"] += data.count(b"\x85") and sum(data[i] == exfat.FILE for i in range(0, length, SLOT))
        return bytes(whole[len(before) : len(before) + length])

    def _set(self, whole: bytearray, at: int) -> int:
        """Redacts the set or the single entry at a place; returns how many bytes that was."""
        kind = whole[at]
        if kind == exfat.LABEL:
            whole[at + 2 : at + 24] = self._scrambler.utf16(bytes(whole[at + 2 : at + 24]), b"label")
            self._counts["labels"] += 1
        if kind | exfat.IN_USE == _GUID:
            self._guid(whole, at)
        if kind | exfat.IN_USE in _VENDOR:
            whole[at + 2 : at + SLOT] = self._scrambler.fill(bytes(whole[at + 2 : at + SLOT]))
        if kind | exfat.IN_USE == exfat.FILE_NAME:
            whole[at + 2 : at + 32] = self._scrambler.utf16(bytes(whole[at + 2 : at + 32]), b"exfat")
        if kind != exfat.FILE or not 2 <= whole[at + 1] <= 18:
            return SLOT
        end = at + SLOT * (1 + whole[at + 1])
        old = bytes(whole[at:end])
        if len(old) < end - at or old[SLOT] != exfat.STREAM:
            return SLOT
        self._name(whole, at, end, old)
        return end - at

    def _guid(self, whole: bytearray, at: int) -> None:
        """Volume GUID (exFAT 7.5), a set of one entry."""
        if self._keep.serials:
            return
        old = bytes(whole[at : at + SLOT])
        whole[at + 6 : at + 22] = self._scrambler.digest(old[6:22], b"guid")[:16]
        if exfat.set_checksum(old) == int.from_bytes(old[2:4], "little"):
            whole[at + 2 : at + 4] = exfat.set_checksum(bytes(whole[at : at + SLOT])).to_bytes(2, "little")
        self._counts["serial numbers"] += 1

    def _name(self, whole: bytearray, at: int, end: int, old: bytes) -> None:
        name = b"".join(old[i + 2 : i + 32] for i in range(2 * SLOT, len(old), SLOT))[: 2 * old[SLOT + 3]]
        made = self._scrambler.utf16(name, b"exfat")
        for index, place in enumerate(range(at + 2 * SLOT, end, SLOT)):
            if whole[place] | exfat.IN_USE in _VENDOR:
                whole[place + 2 : place + SLOT] = self._scrambler.fill(bytes(whole[place + 2 : place + SLOT]))
            else:
                whole[place + 2 : place + SLOT] = made[30 * index : 30 * index + 30].ljust(30, b"\0")
        hashed = exfat.name_hash(made.decode("utf-16-le", "surrogatepass").upper())
        whole[at + SLOT + 4 : at + SLOT + 6] = hashed.to_bytes(2, "little")
        if exfat.set_checksum(old) == int.from_bytes(old[2:4], "little"):
            whole[at + 2 : at + 4] = exfat.set_checksum(bytes(whole[at:end])).to_bytes(2, "little")
