"""Whether a block holds what its place on the volume says, or something else that got there.

A counterfeit stick whose addresses wrap around answers a read of the FAT with file data, and a cluster that was a
directory may hold a file later. What is kept in a redacted copy must look right; what does not is file data.
"""

from __future__ import annotations

from sticktrace.grammar import exfat, fat
from sticktrace.volume.entries import SLOT

_PRINTABLE = bytes([*range(0x20, 0x7F), 9, 10, 13])
_NEAR = 64
"""Clusters between one entry of a FAT and the next of its chain, on volumes as they are met."""
_FEW = 4


def reads_as_text(data: bytes) -> bool:
    """Whether a block is nearly all printable characters, up to the zeros at its end. No structure of a FAT or
    exFAT volume is."""
    body = data.rstrip(b"\0")
    return len(body) > 16 and len(body.translate(None, _PRINTABLE)) * 10 < len(body)


def looks_like_table(kind: int, clusters: int, index: int, data: bytes) -> bool:
    """Whether block ``index`` of a FAT holds links between clusters. On a sound volume no two entries name the same
    cluster, none names one that does not exist, and many name one nearby; a few may be damaged. ``kind`` is as in
    `Geometry`."""
    values, first = _entries(kind, index, data)
    used = [(first + i, value) for i, value in enumerate(values) if value and first + i >= 2]
    links, ends = [], 0
    mask = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}.get(kind, 0xFFFFFFFF)
    for cluster, value in used:
        if value & mask >= mask - 8:
            ends += 1
        elif 2 <= value & mask <= clusters + 1 and cluster <= clusters + 1:
            links.append((cluster, value & mask))
    wrong = len(used) - ends - len({value for _, value in links})
    near = ends + sum(abs(value - cluster) <= _NEAR for cluster, value in links)
    return wrong <= 1 + len(used) // 8 and (len(used) <= _FEW or near * 4 >= len(used))


def _entries(kind: int, index: int, data: bytes) -> tuple[list[int], int]:
    """The whole entries in a block, and the cluster of the first. Of FAT12 the pairs that begin in the block."""
    if kind == 12:
        skip = -(index * len(data)) % 3
        at, first = data[skip:], (index * len(data) + skip) // 3 * 2
        pairs = [int.from_bytes(at[i : i + 3], "little") for i in range(0, len(at) - 2, 3)]
        return [value for pair in pairs for value in (pair & 0xFFF, pair >> 12)], first
    width = 2 if kind == 16 else 4
    values = [int.from_bytes(data[i : i + width], "little") for i in range(0, len(data) - width + 1, width)]
    return values, index * len(data) // width


def looks_like_slots(kind: int, data: bytes) -> bool:
    """Whether a block holds directory entries, not file data."""
    for at in range(0, len(data), SLOT):
        first = data[at]
        if first == 0:
            return True
        if kind == 64:
            if first | exfat.IN_USE not in exfat.LAYOUTS and first not in (0xA0, 0xA1, 0x82, 0xE0, 0xE1):
                return False
        elif data[at + 11] & 0xC0 or not _sound_name(data[at : at + 12]):
            return False
    return True


def _sound_name(head: bytes) -> bool:
    if head[11] & 0x3F == fat.LONG_NAME:
        return head[0] == fat.DELETED or 0 < head[0] & 0x3F <= 20
    return all(byte >= 0x20 for byte in head[1:11]) and (head[0] >= 0x20 or head[0] == 5)
