"""Blocks of partition tables with boot code, names, serial numbers and GUIDs replaced and every checksum kept true.

CRC32 is linear: what an exclusive-or does to data, it does to the CRC, whatever the rest of the data holds. So a
checksum can be moved along with a change even where the capture lacks part of what it covers, and one that was wrong
stays as wrong (UEFI 5.3.2).
"""

from __future__ import annotations

import zlib
from collections import Counter

from sticktrace.grammar import gpt, mbr
from sticktrace.redaction.filler import Keep, Scrambler
from sticktrace.volume.medium import Medium
from sticktrace.volume.plausible import reads_as_text

_ENTRY, _UNIQUE, _NAME = 128, slice(16, 32), slice(56, 128)
_HEADER_CRC, _DISK, _ARRAY_CRC = slice(16, 20), slice(56, 72), slice(88, 92)


class TableRedactor:
    """Redacts the blocks of one medium's partition tables."""

    def __init__(self, medium: Medium, scrambler: Scrambler, keep: Keep, counts: Counter[str]) -> None:
        self._medium, self._scrambler, self._keep, self._counts = medium, scrambler, keep, counts
        self._shift = self._entries_shift()

    def block(self, role: str, data: bytes) -> bytes | None:
        """A block with a role in the partition table; None if it does not look like one."""
        if role.endswith("GPT entries"):
            return self._entries(data, self._counts) if not reads_as_text(data) else None
        if role.endswith("GPT header"):
            return self._header(data) if data[:8] == gpt.SIGNATURE else None
        return self._record(data) if data[510:512] == mbr.SIGNATURE else None

    def _record(self, data: bytes) -> bytes:
        serial = data[440:444]
        if any(serial) and not self._keep.serials:
            self._counts["serial numbers"] += 1
            serial = bytes(4)
        code = data if self._keep.contents else boot_code(data, 3, 440, self._scrambler, self._counts)
        return code[:440] + serial + data[444:]

    def _entries(self, data: bytes, counts: Counter[str]) -> bytes:
        out = bytearray(data)
        for at in range(0, len(data) - _ENTRY + 1, _ENTRY):
            entry = data[at : at + _ENTRY]
            if any(entry[:16]):
                out[at : at + _ENTRY] = self._entry(entry, counts)
            elif any(entry) and not self._keep.contents:
                out[at + _UNIQUE.start : at + _ENTRY] = self._scrambler.fill(entry[_UNIQUE.start :])
        return bytes(out)

    def _entry(self, entry: bytes, counts: Counter[str]) -> bytes:
        out = bytearray(entry)
        if not self._keep.serials:
            out[_UNIQUE] = self._guid(entry[_UNIQUE])
            counts["serial numbers"] += 1
        if not self._keep.names and any(entry[_NAME]):
            out[_NAME] = self._scrambler.utf16(entry[_NAME], b"gpt")
            counts["names"] += 1
        return bytes(out)

    def _guid(self, raw: bytes) -> bytes:
        return self._scrambler.digest(raw, b"guid")[:16] if any(raw) else raw

    def _header(self, data: bytes) -> bytes:
        out = bytearray(data)
        if not self._keep.serials:
            out[_DISK] = self._guid(data[_DISK])
            self._counts["serial numbers"] += 1
        out[_ARRAY_CRC] = _moved(data[_ARRAY_CRC], self._shift)
        size = int.from_bytes(data[12:16], "little")
        if 92 <= size <= len(data):
            out[_HEADER_CRC] = _moved(data[_HEADER_CRC], _crc_shift(data[:size], bytes(out[:size])))
            if not self._keep.contents:
                out[size:] = self._scrambler.fill(data[size:])
        return bytes(out)

    def _entries_shift(self) -> int:
        """By how much the CRC of the entry array moves."""
        roles, store = self._medium.table.roles, self._medium.store
        places = sorted(lba for lba, role in roles.items() if role == "GPT entries")
        places = places or sorted(lba for lba, role in roles.items() if role == "backup GPT entries")
        old = b"".join(store.content(lba) or bytes(store.block_length) for lba in places)
        for lba, role in roles.items():
            header = store.content(lba) if role.endswith("GPT header") else None
            if header is not None and header[:8] == gpt.SIGNATURE:
                old = old[: int.from_bytes(header[80:84], "little") * int.from_bytes(header[84:88], "little")]
        return _crc_shift(old, self._entries(old, Counter()))


def _crc_shift(old: bytes, new: bytes) -> int:
    delta = bytes(a ^ b for a, b in zip(old, new, strict=True))
    return zlib.crc32(delta) ^ zlib.crc32(bytes(len(delta)))


def _moved(crc: bytes, shift: int) -> bytes:
    return (int.from_bytes(crc, "little") ^ shift).to_bytes(4, "little")


def boot_code(data: bytes, low: int, high: int, scrambler: Scrambler, counts: Counter[str]) -> bytes:
    """A block with the boot code between two places replaced: it can hold any text, and nothing here rests on it."""
    code = data[low:high]
    made = scrambler.fill(code)
    counts["pieces of boot code"] += made != code
    return data[:low] + made + data[high:]
