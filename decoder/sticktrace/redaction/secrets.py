"""What a capture holds that a copy of it must not: words and stretches of data, told by decoding, not by redacting.

Names, labels, strings and serial numbers are taken as the verbs show them; of files, of what commands and requests of
no known kind carry and of stray data a stretch out of each part is taken; of a pcapng container its words.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from sticktrace.bus.requests import Request
from sticktrace.transport.items import Exchange, Stray
from sticktrace.volume.medium import Medium
from sticktrace.volume.recover import contents
from sticktrace.volume.tracker import READS, WRITES, VolumeTracker

if TYPE_CHECKING:
    from sticktrace.session import Capture

MOST = 200_000
"""So many are looked for."""
_SHORTEST, _SHORTEST_DIGITS = 5, 8
"""Characters of a word that cannot be there by chance; more of them where filler is made of the same digits."""
_STRETCH, _PART, _VARIED = 16, 4096, 6
"""Bytes of a stretch, one out of so many, and how many of them differ at least."""
_STANDARD = frozenset({
    "FAT12", "FAT16", "FAT32", "EXFAT", "NTFS", "CD001", "NO NAME", "EFI PART", "MSDOS5.0", "DIRECT-ACCESS",
})  # fmt: skip
"""Words of published formats."""
_DIGITS = re.compile(r"[0-9A-Fa-f \-:.]*")
_WORDS = re.compile(rb"[\x20-\x7e]{6,}")
_INQUIRY = 0x12
_DESCRIBED = frozenset({0x00, 0x03, 0x12, 0x1A, 0x23, 0x25, 0x46, 0x4A, 0x5A, 0x9E, 0xA0})

Secret = tuple[str, bytes]
"""What it is, and its bytes."""


def secrets(capture: Capture) -> Iterator[Secret]:
    """All of them, some more than once."""
    reading = capture.reading()
    tracker = VolumeTracker(reading.read)
    for item in reading:
        if isinstance(item, Exchange):
            tracker.feed(item)
            if item.opcode not in READS | WRITES | _DESCRIBED:
                yield from _stretches(f"data of exchange {item.number}", capture.data(item))
            elif item.opcode == _INQUIRY:
                yield from _texts(f"INQUIRY data of exchange {item.number}", capture.data(item))
        elif isinstance(item, Stray):
            yield from _stretches(
                f"stray data in record {item.records[0] if item.records else 0}", reading.read(item.piece)
            )
        elif isinstance(item, Request):
            yield from _of_request(item, reading.read(item.data))
    for medium in tracker.media:
        yield from _of_medium(medium)
    if capture.form == "pcapng":
        yield from _of_container(capture.source.data)


def word(what: str, text: str) -> Iterator[Secret]:
    """A word, unless it is too short to be told from chance or belongs to a published format."""
    text = text.strip()
    plain = text.upper() in _STANDARD or text.upper().startswith("FAT1")
    if not plain and len(text) >= (_SHORTEST_DIGITS if _DIGITS.fullmatch(text) else _SHORTEST) and text.isascii():
        yield what, text.encode()


def _texts(what: str, data: bytes) -> Iterator[Secret]:
    for found in _WORDS.findall(data):
        for part in re.split(rb" {2,}", found):
            yield from word(what, part.decode())


def _stretches(what: str, data: bytes) -> Iterator[Secret]:
    """One stretch out of each part that has one."""
    for at in range(0, len(data), _PART):
        part = data[at : at + _PART]
        for place in range(0, len(part) - _STRETCH + 1, _STRETCH):
            stretch = part[place : place + _STRETCH]
            if len(set(stretch)) >= _VARIED and stretch[:4] not in (b"USBC", b"USBS"):
                yield what, stretch
                break


def _of_request(request: Request, data: bytes) -> Iterator[Secret]:
    if request.request == 6 and request.value >> 8 == 3 and request.value & 0xFF not in (0, 0xEE):
        yield from word(f"string {request.value & 0xFF}", data[2:].decode("utf-16-le", "replace"))
    elif request.request_type & 0x60 in (0x20, 0x40) and len(data) >= _STRETCH:
        yield from _stretches("data of a class or vendor request", data)


def _of_medium(medium: Medium) -> Iterator[Secret]:
    for volume in medium.volumes:
        yield from word("label", volume.label)
        if volume.partition is not None:
            yield from word("name of a partition", volume.partition.name)
        for node in volume.files.root.walk() if volume.files is not None else ():
            for entry in (node.entry, *node.deleted.values()):
                yield from word("name of a file", (entry.name.rpartition(".")[0] or entry.name).lstrip("?"))
                yield from word("short name of a file", entry.short.rpartition(".")[0].lstrip("?"))
            if node.entry.kind == "file":
                for _, _, data in contents(medium, volume, node):
                    yield from _stretches(f"contents of {node.path}", data or b"")


def _of_container(data: Any) -> Iterator[Secret]:
    """The words between the packets."""
    from sticktrace.capture.packets import RENDERED
    from sticktrace.capture.pcapng import PcapngWalk

    end = 0
    for frame in PcapngWalk(data).walk(data):
        for text in _WORDS.findall(bytes(data[end : frame[1]])):
            if text.decode() != RENDERED and set(text) != {ord("x")}:
                yield from word("word in the container", text.decode())
        end = frame[1] + frame[2]
