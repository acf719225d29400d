"""Data of commands that describe a unit: what has a published meaning stays, whatever else comes along does not.

One row for each command tells how many of its bytes have a meaning, and which of those could hold a name or a number of
its own: a vendor's pages and features, bar codes, titles. Follows SPC-4, SBC-3 and MMC-6; clauses beside the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.redaction import identity
from sticktrace.redaction.filler import Scrambler

Span = tuple[int, int]
"""Bytes from one place up to another that are replaced."""


def _word(data: bytes, at: int, size: int = 2) -> int:
    return int.from_bytes(data[at : at + size], "big")


def _behind(kept: int) -> Callable[[bytes, bytes, bool], Iterator[Span]]:
    """All but the first bytes."""

    def spans(_cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
        yield kept, len(data)

    return spans


def _stated(at: int, size: int, most: int = 1 << 16) -> Callable[[bytes, bytes, bool], Iterator[Span]]:
    """All beyond the length that stands at a place, counted from behind it."""

    def spans(_cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
        yield min(most, at + size + _word(data, at, size)), len(data)

    return spans


def _sense(_cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """Fixed format: 18 bytes, then a vendor's own; descriptors: those from 80h on are a vendor's (SPC-4 4.5)."""
    if data[:1] and data[0] & 0x7F in (0x72, 0x73):
        at, end = 8, min(len(data), 8 + _word(data, 7, 1))
        while at + 2 <= end:
            if data[at] >= 0x80:
                yield at + 2, min(end, at + 2 + data[at + 1])
            at += 2 + data[at + 1]
        yield end, len(data)
    else:
        yield 18, len(data)


def _pages(cdb: bytes, data: bytes, out: bool) -> Iterator[Span]:
    """Mode pages: 00h and 20h to 3Eh are a vendor's but for 2Ah (SPC-4 7.5, MMC-6 7.1). The length that the header
    states is reserved in MODE SELECT."""
    short = cdb[0] in (0x15, 0x1A)
    head, blocks, stated = (4, _word(data, 3, 1), 1 + _word(data, 0, 1)) if short else (
        8, _word(data, 6), 2 + _word(data, 0))  # fmt: skip
    end = len(data) if out else min(len(data), max(head, stated))
    at = head + blocks
    while at + 2 <= end:
        code, start = data[at] & 0x3F, at + (4 if data[at] & 0x40 else 2)
        following = start + (_word(data, at + 2) if data[at] & 0x40 else data[at + 1])
        if code == 0 or (code >= 0x20 and code != 0x2A) or (out and following > end):
            yield start, min(end, following)
        at = following
    yield min(end, at), len(data)


def _log(_cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """Log pages 30h to 3Eh are a vendor's (SPC-4 7.3)."""
    yield (4 if _word(data, 0, 1) & 0x3F >= 0x30 else 4 + _word(data, 2)), len(data)


def _contents_table(cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """READ TOC: format 5 is CD-TEXT, which names titles (MMC-6 6.26)."""
    yield (4 if cdb[2] & 15 == 5 or cdb[9] >> 6 == 5 else 2 + _word(data, 0)), len(data)


def _unmap(_cdb: bytes, data: bytes, out: bool) -> Iterator[Span]:
    """UNMAP: 8 bytes and the ranges (SBC-3 5.28). On a CD unit READ SUB-CHANNEL, whose formats 2 and 3 hold a catalogue
    number and a recording's code (MMC-3)."""
    if out:
        yield 8 + _word(data, 2) // 16 * 16, len(data)
    else:
        yield (16 if data[4:5] == b"\1" else 8), len(data)


def _disc(_cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """READ DISC INFORMATION: identification and bar code (MMC-6 6.22)."""
    yield 12, 16
    yield 24, len(data)


def _features(_cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """GET CONFIGURATION: features from FF00h on are a vendor's (MMC-6 5.2)."""
    at, end = 8, min(len(data), 4 + _word(data, 0, 4))
    while at + 4 <= end:
        if _word(data, at) >= 0xFF00:
            yield at + 4, min(end, at + 4 + data[at + 3])
        at += 4 + data[at + 3]
    yield max(8, end), len(data)


def _service_in(cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """Of SERVICE ACTION IN(16): READ CAPACITY(16) and GET LBA STATUS."""
    action = cdb[1] & 0x1F
    yield (32 if action == 0x10 else 4 + _word(data, 0, 4) if action == 0x12 else 0), len(data)


def _maintenance(cdb: bytes, data: bytes, _out: bool) -> Iterator[Span]:
    """Of MAINTENANCE IN: target port groups, supported commands and functions, time (SPC-4 6.23 and following)."""
    yield (len(data) if cdb[1] & 0x1F in (0x0A, 0x0C, 0x0D, 0x0F) else 0), len(data)


_NOTHING = _behind(0)
_ROWS: dict[int, Callable[[bytes, bytes, bool], Iterator[Span]]] = {
    0x00: _NOTHING, 0x03: _sense, 0x04: _behind(12), 0x15: _pages, 0x1A: _pages, 0x1B: _NOTHING, 0x1E: _NOTHING,
    0x23: _stated(3, 1), 0x25: _behind(8), 0x35: _NOTHING, 0x42: _unmap, 0x43: _contents_table, 0x46: _features,
    0x4A: _stated(0, 2, 8), 0x4D: _log, 0x51: _disc, 0x52: _stated(0, 2, 48), 0x55: _pages, 0x5A: _pages,
    0x91: _NOTHING, 0x9E: _service_in, 0xA0: lambda cdb, data, out: iter([(8 + _word(data, 0, 4), len(data))]),
    0xA3: _maintenance,
}  # fmt: skip
"""Operation code -> what of its data is replaced. The data of a command without a row is replaced whole."""


CBW_SIZE, _CSW_SIZE = 31, 13


def wrapper(head: bytes) -> int:
    """How many bytes of a transfer that begins so are a CSW, or a CBW with the command block that it announces (BOT 1.0
    5.1, 5.2); 0 if it is neither."""
    if head[:4] == b"USBS":
        return min(_CSW_SIZE, len(head))
    if head[:4] != b"USBC":
        return 0
    announced = head[14] if len(head) > 14 else 0
    return min(15 + announced if 0 < announced <= 16 else CBW_SIZE, len(head))


def describes(cdb: bytes) -> bool:
    """Whether the data of a command describes the unit."""
    return cdb[:1] != b"" and cdb[0] in _ROWS


def redacted(scrambler: Scrambler, cdb: bytes, data: bytes, out: bool) -> bytes:
    """The data of such a command without what has no published meaning. ``out``: the host sent it."""
    made = bytearray(data)
    block = cdb.ljust(16, b"\0")
    for low, high in _ROWS[cdb[0]](block, data, out):
        if low < high:
            made[low:high] = scrambler.fill(data[low:high])
    return bytes(made)


def serials(scrambler: Scrambler, cdb: bytes, data: bytes) -> bytes:
    """The same data with the serial number of a disc unit replaced."""
    return identity.features(scrambler, data) if cdb[0] == 0x46 else data
