"""Poorer forms of a recording: what a recorder with other habits, or a copy that was cut, would have kept of it.

Works on the records of a little-endian pcap file of link type 189 or 220 (kernel documentation, usbmon: the 64-byte
header, of which link type 189 has the first 48) and on lines of the kernel's text form.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

_SIZES = {189: 48, 220: 64}
_CONTROL = 2
_LINE = re.compile(r"(\S+ \d+ )([SCE]) ([CZIB])([io])(:\S+) ?(.*)")


@dataclass(frozen=True)
class Kept:
    """One record: ``head`` without and ``payload`` with the bytes of the transfer. ``setup``: it holds a setup packet.
    ``tail`` rebuilds the record."""

    head: bytes
    payload: bytes
    setup: bool
    control: bool


@dataclass(frozen=True)
class Recording:
    """A recording taken apart."""

    start: bytes
    records: tuple[Kept, ...]
    text: bool

    def whole(self) -> bytes:
        """The file again."""
        pack = _line if self.text else _frame
        return self.start + b"".join(map(pack, self.records))

    def keep(self, wanted: Callable[[int, Kept], bool]) -> bytes:
        """The file with the records that are wanted; each is told by its number from 0."""
        return replace(self, records=tuple(r for n, r in enumerate(self.records) if wanted(n, r))).whole()

    def cut(self, size: int) -> bytes:
        """The file with so many bytes of each payload."""
        return replace(self, records=tuple(replace(r, payload=r.payload[:size]) for r in self.records)).whole()

    def between(self, first: float, last: float) -> bytes:
        """The file from one part of its records to another."""
        count = len(self.records)
        return self.keep(lambda number, _: first * count <= number < last * count)


def apart(data: bytes) -> Recording | None:
    """A recording taken apart; None for a form that is not known here."""
    if data[:4] == b"\xd4\xc3\xb2\xa1" and data[20] in _SIZES:
        return Recording(data[:24], tuple(_frames(data, _SIZES[data[20]])), False)
    lines = data.decode("utf-8", "replace").splitlines()
    if lines and all(map(_LINE.match, lines)):
        return Recording(b"", tuple(map(_words, lines)), True)
    return None


def _frames(data: bytes, size: int) -> Iterable[Kept]:
    at = 24
    while at + 16 <= len(data):
        (captured,) = struct.unpack_from("<I", data, at + 8)
        body = data[at + 16 : at + 16 + captured]
        control = body[9] == _CONTROL
        yield Kept(data[at : at + 8] + data[at + 12 : at + 16] + body[:size], body[size:],
                   control and body[8:9] == b"S" and body[14] == 0, control)  # fmt: skip
        at += 16 + captured


def _frame(record: Kept) -> bytes:
    times, original, header = record.head[:8], record.head[8:12], record.head[12:]
    return times + struct.pack("<I", len(header) + len(record.payload)) + original + header + record.payload


def _words(line: str) -> Kept:
    found = _LINE.match(line)
    assert found is not None
    head, _, data = line.partition(" = ")
    setup = found[2] == "S" and found[6].startswith("s ")
    return Kept(head.encode(), bytes.fromhex(data), setup, found[3] == "C")


def _line(record: Kept) -> bytes:
    data = record.payload.hex()
    words = " = " + " ".join(data[at : at + 8] for at in range(0, len(data), 8)) if data else ""
    return record.head + words.encode() + b"\n"
