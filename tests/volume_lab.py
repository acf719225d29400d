"""A bench for the volume room: a sector image, and the exchanges that a host would make over it."""

from __future__ import annotations

import lzma
import struct
from functools import cache
from pathlib import Path

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import Piece
from sticktrace.transport.items import FAILED, PASSED, Direction, Exchange, Status
from sticktrace.volume.tracker import VolumeTracker

SAMPLES = Path(__file__).parent / "data" / "volumes"


@cache
def _unpacked(name: str) -> bytes:
    return lzma.decompress((SAMPLES / f"{name}.img.xz").read_bytes())


def sample(name: str, most: int | None = None) -> bytearray:
    """A sample volume, or its first bytes; see tests/data/volumes/make_volumes.py."""
    return bytearray(_unpacked(name)[:most])


class Lab:
    """Makes exchanges, keeps their payload, and feeds them to a tracker. ``labels`` are what the tracker answered,
    ``made`` the exchanges."""

    def __init__(self, image: bytes = b"", length: int = 512) -> None:
        self.image = bytearray(image)
        self.length = length
        self.payload = bytearray()
        self.number = 0
        self.tracker = VolumeTracker(self.read_piece)
        self.labels: list[str] = []
        self.device = Device(1, 0)
        self.made: list[Exchange] = []

    def read_piece(self, piece: Piece) -> bytes:
        """The recorded bytes of a piece."""
        return bytes(self.payload[piece.at : piece.at + piece.captured])

    def exchange(
        self, cdb: bytes, data: bytes, direction: str, *, cuts: tuple[int, ...] = (), captured: int | None = None,
        status: Status = PASSED, residue: int = 0, expected: int | None = None,
    ) -> Exchange:  # fmt: skip
        """One exchange. ``cuts`` are the offsets at which the data phase is divided into transfers; ``captured`` is how
        many bytes of each transfer were recorded."""
        self.number += 1
        pieces = []
        for low, high in zip((0, *cuts), (*cuts, len(data)), strict=True):
            kept = high - low if captured is None else min(captured, high - low)
            pieces.append(Piece(len(self.payload), kept, high - low))
            self.payload += data[low : low + kept]
        made = Exchange(
            self.number, self.number * 1000, 1, 2, 0, self.number, cdb, Direction(direction),
            len(data) if expected is None else expected, self.device, len(data), residue, status, pieces=tuple(pieces),
        )  # fmt: skip
        self.made.append(made)
        self.labels.append(self.tracker.feed(made))
        return made

    def capacity(self, blocks: int | None = None) -> None:
        """READ CAPACITY(10)."""
        count = blocks if blocks is not None else len(self.image) // self.length
        self.exchange(b"\x25" + bytes(9), struct.pack(">II", count - 1, self.length), "in")

    def read(self, lba: int, blocks: int = 1, **how: object) -> str:
        """READ(10) of what the image holds; returns the label."""
        cdb = struct.pack(">BBIBHB", 0x28, 0, lba, 0, blocks, 0)
        data = self.image[lba * self.length : (lba + blocks) * self.length]
        self.exchange(cdb, bytes(data).ljust(blocks * self.length, b"\0"), "in", **how)  # type: ignore[arg-type]
        return self.labels[-1]

    def write(self, lba: int, data: bytes, **how: object) -> str:
        """WRITE(10); the image changes when the command passes. Returns the label."""
        cdb = struct.pack(">BBIBHB", 0x2A, 0, lba, 0, len(data) // self.length, 0)
        if how.get("status", PASSED) != FAILED:
            self.image[lba * self.length : lba * self.length + len(data)] = data
        self.exchange(cdb, data, "out", **how)  # type: ignore[arg-type]
        return self.labels[-1]

    def read_all(self, step: int = 240) -> None:
        """Reads the whole image once, in order."""
        total = len(self.image) // self.length
        for lba in range(0, total, step):
            self.read(lba, min(step, total - lba))

    def write_differences(self, after: bytes, order: int = 1) -> None:
        """Writes what differs between the image and ``after``, block by block, forward or (-1) backward."""
        size = self.length
        changed = [
            lba for lba in range(len(after) // size)
            if after[lba * size : (lba + 1) * size] != self.image[lba * size : (lba + 1) * size]
        ]  # fmt: skip
        for lba in changed[::order]:
            self.write(lba, bytes(after[lba * size : (lba + 1) * size]))

    def paths(self) -> dict[str, int]:
        """Path and size of every file and directory of the first volume with files."""
        for volume in self.tracker.volumes():
            if volume.files is not None:
                nodes = volume.files.root.walk()
                return {n.path: n.entry.size for n in nodes if n.entry.kind in ("file", "directory")}
        return {}
