"""exFAT: the entries of a directory, gathered from their sets, and the allocation bitmap.

Follows the exFAT specification, clauses 6 and 7.
"""

from __future__ import annotations

from sticktrace.grammar import exfat
from sticktrace.volume.entries import Entry, Scan, SlotBlocks

LARGEST_SET = 19
"""Entries of the largest set: one file entry and 18 that follow it (exFAT 7.4.2)."""


def affected(low: int, high: int) -> tuple[int, int]:
    """The slots whose sets may change when slots ``low`` to ``high`` - 1 do: a set reaches forward from its file
    entry."""
    return max(0, low - LARGEST_SET + 1), high


def scan(slots: SlotBlocks, low: int, high: int) -> Scan:
    """The entries whose first slot is one of ``low`` to ``high`` - 1."""
    result = Scan({}, {}, None)
    skip = low
    for slot, raw in slots.slots(low, high):
        kind = raw[0]
        if kind == 0:
            result.end = slot
            return result
        if slot < skip:
            continue
        entry = _one(slots, slot, raw)
        if entry is not None:
            (result.deleted if entry.deleted else result.entries)[slot] = entry
            skip = slot + entry.slots
    return result


def _one(slots: SlotBlocks, slot: int, raw: bytes) -> Entry | None:
    kind = raw[0]
    if kind in (exfat.BITMAP, exfat.UPCASE):
        first, size = exfat.FAST_PLACE.unpack_from(raw)
        text = "up-case table" if kind == exfat.UPCASE else "bitmap"
        return Entry(slot, 1, text, text, size, first, valid=size)
    if kind == exfat.LABEL:
        return Entry(slot, 1, "label", raw[2 : 2 + 2 * min(raw[1], 11)].decode("utf-16-le", "replace"), 0, 0)
    if kind in (exfat.FILE, exfat.FILE & ~exfat.IN_USE):
        return _file(slots, slot, raw)
    return None


def _file(slots: SlotBlocks, slot: int, raw: bytes) -> Entry | None:
    count, checksum, attributes, created, modified = exfat.FAST_FILE.unpack_from(raw)
    deleted = not raw[0] & exfat.IN_USE
    if not 2 <= count < LARGEST_SET:
        return None
    rest = [slots.get(slot + i) for i in range(1, count + 1)]
    if rest[0] is None or rest[0][0] | exfat.IN_USE != exfat.STREAM:
        return None
    flags, length, _, valid, first, size = exfat.FAST_STREAM.unpack_from(rest[0])
    kind = "directory" if attributes & 0x10 else "file"
    known = [part for part in rest if part is not None]
    name = b"".join(part[2:32] for part in known[1:] if part[0] | exfat.IN_USE == exfat.FILE_NAME)
    problem = ""
    if len(known) < count:
        problem = "part of its entry set is not in the capture"
    elif not deleted and exfat.set_checksum(raw + b"".join(known)) != checksum:
        problem = "the checksum of its entry set is wrong"
    text = name[: 2 * length].decode("utf-16-le", "replace")
    return Entry(
        slot, 1 + count, kind, text, size, first, bool(flags & 2), exfat.timestamp(created),
        exfat.timestamp(modified), attributes, valid, deleted, problem,
    )  # fmt: skip
