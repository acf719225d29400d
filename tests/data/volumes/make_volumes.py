"""Makes the sample volumes in this folder with general-purpose tools: mkfs.fat, mkfs.exfat, sfdisk, sgdisk, mtools.

    python tests/data/volumes/make_volumes.py

The samples are kept compressed, so that the tests run where those tools are not installed. exFAT has no tool that
writes files without mounting, so its files are entered here by hand, after the exFAT specification, clauses 6 and 7.
"""

from __future__ import annotations

import lzma
import os
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
MIB = 1 << 20
LEVELS = "\r\n".join(f"2031-04-{day:02},{(day * 37) % 400 - 120}" for day in range(1, 31)).encode() * 40
FILES = {
    "STATION.TXT": b"SKERRY TIDE LOGGER\r\nstation PIER 4\r\n",
    "LEVELS/2031-04.CSV": LEVELS,
    "LEVELS/Harbour datum and levelling notes 2031.txt": b"datum 4.20 m below the pier bolt\r\n" * 9,
    "EMPTY.LOG": b"",
}


def run(*command: object) -> None:
    """Runs a tool quietly; raises when it fails."""
    words = [str(word) for word in command]
    subprocess.run(words, check=True, capture_output=True, env={**os.environ, "MTOOLS_SKIP_CHECK": "1"})


def fill(image: Path, at: int = 0) -> None:
    """Copies FILES into the FAT volume that begins ``at`` bytes into the image."""
    place = f"{image}@@{at}"
    with tempfile.TemporaryDirectory() as folder:
        run("mmd", "-i", place, "::LEVELS")
        for name, data in FILES.items():
            source = Path(folder) / "x"
            source.write_bytes(data)
            os.utime(source, (1934323200, 1934323200))
            run("mcopy", "-m", "-i", place, source, f"::{name}")
        gone = Path(folder) / "gone"
        gone.write_bytes(b"old readings" * 100)
        run("mcopy", "-i", place, gone, "::OLDLOG.TXT")
        run("mdel", "-i", place, "::OLDLOG.TXT")


def fat(image: Path, size: int, kind: int, *options: object) -> None:
    """A FAT volume without partitions."""
    image.write_bytes(b"")
    os.truncate(image, size)
    run("mkfs.fat", "-F", kind, "-i", "20310417", "-n", "TIDEPIER", *options, image)
    fill(image)


def partitioned(image: Path, tool: str) -> None:
    """A 48 MiB medium with a FAT16 partition of 16 MiB at LBA 2048."""
    image.write_bytes(b"")
    os.truncate(image, 48 * MIB)
    if tool == "sfdisk":
        table = (
            "label: dos\nlabel-id: 0x20310417\nstart=2048,size=32768,type=e,bootable\nstart=40960,type=5\n"
            "start=43008,size=4096,type=83\nstart=49152,size=4096,type=6\n"
        )
        subprocess.run(["sfdisk", str(image)], input=table.encode(), check=True, capture_output=True)
    else:
        first = ("-n", "1:2048:34815", "-t", "1:0700", "-c", "1:TIDEPIER")
        run("sgdisk", *first, "-n", "2:40960:45055", "-t", "2:8300", image)
    with tempfile.TemporaryDirectory() as folder:
        part = Path(folder) / "part"
        part.write_bytes(b"")
        os.truncate(part, 16 * MIB)
        run("mkfs.fat", "-F", 16, "-h", 2048, "-i", "20310417", "-n", "TIDEPIER", part)
        fill(part)
        with image.open("r+b") as out:
            out.seek(2048 * 512)
            out.write(part.read_bytes())


def exfat(image: Path) -> None:
    """An 8 MiB exFAT volume with files entered by hand."""
    image.write_bytes(b"")
    os.truncate(image, 8 * MIB)
    run("mkfs.exfat", "-L", "TIDEPIER", image)
    data = bytearray(image.read_bytes())
    ExfatWriter(data).fill()
    image.write_bytes(data)


class ExfatWriter:
    """Enters files into a freshly made exFAT volume."""

    def __init__(self, data: bytearray) -> None:
        self.data = data
        self.fat, _, self.heap, self.count, self.root = struct.unpack_from("<5I", data, 80)
        self.sector, self.cluster = 1 << data[108], 1 << data[108] + data[109]
        root = self.at(self.root)
        bitmap = next(i for i in range(0, self.cluster, 32) if data[root + i] == 0x81)
        self.bitmap = self.at(struct.unpack_from("<I", data, root + bitmap + 20)[0])
        self.free = next(c for c in range(self.count) if not data[self.bitmap + c // 8] >> c % 8 & 1) + 2
        self.slots = {self.root: next(i for i in range(0, self.cluster, 32) if data[root + i] == 0)}

    def at(self, cluster: int) -> int:
        """Byte offset of a cluster."""
        return self.heap * self.sector + (cluster - 2) * self.cluster

    def allocate(self, clusters: int, gap: bool) -> list[int]:
        """Clusters for a file; with a gap in the middle when asked, so that the FAT is needed."""
        found = []
        for index in range(clusters):
            if gap and index == 1:
                self.free += 3
            while self.data[self.bitmap + (self.free - 2) // 8] >> (self.free - 2) % 8 & 1:
                self.free += 1
            found.append(self.free)
            self.data[self.bitmap + (self.free - 2) // 8] |= 1 << (self.free - 2) % 8
            self.free += 1
        return found

    def enter(self, folder: int, name: str, body: bytes, directory: bool = False, gap: bool = False) -> int:
        """Writes one file or directory; returns its first cluster."""
        chain = self.allocate(-(-len(body) // self.cluster), gap)
        for place, cluster in enumerate(chain):
            piece = body[place * self.cluster : (place + 1) * self.cluster]
            self.data[self.at(cluster) : self.at(cluster) + len(piece)] = piece
            if gap:
                following = chain[place + 1] if place + 1 < len(chain) else 0xFFFFFFFF
                struct.pack_into("<I", self.data, self.fat * self.sector + 4 * cluster, following)
        text = name.encode("utf-16-le")
        names = [text[i : i + 30].ljust(30, b"\0") for i in range(0, len(text), 30)]
        stamp = (2031 - 1980 << 25) | 4 << 21 | 17 << 16 | 12 << 11 | 30 << 5
        attributes = 0x10 if directory else 0x20
        head = struct.pack("<BBHHHIII12x", 0x85, 1 + len(names), 0, attributes, 0, stamp, stamp, stamp)
        flags = 1 | (0 if gap else 2) if chain else 1
        first = chain[0] if chain else 0
        stream = struct.pack("<BBxBHHQIIQ", 0xC0, flags, len(name), name_hash(name), 0, len(body), 0, first, len(body))
        entries = bytearray(head + stream + b"".join(b"\xc1\0" + part for part in names))
        struct.pack_into("<H", entries, 2, rotate(entries, 16, (2, 3)))
        place = self.at(folder) + self.slots[folder]
        self.data[place : place + len(entries)] = entries
        self.slots[folder] += len(entries)
        return first

    def fill(self) -> None:
        """Enters FILES; the longest file gets a fragmented chain."""
        levels = self.enter(self.root, "LEVELS", bytes(self.cluster), directory=True)
        self.slots[levels] = 0
        for name, body in FILES.items():
            folder, _, base = name.rpartition("/")
            self.enter(levels if folder else self.root, base, body, gap=len(body) > self.cluster)


def rotate(data: bytes, bits: int, skip: tuple[int, ...] = ()) -> int:
    """The rotating sum of the exFAT specification."""
    total = 0
    for index, byte in enumerate(data):
        if index not in skip:
            total = ((total & 1) << bits - 1) + (total >> 1) + byte & (1 << bits) - 1
    return total


def name_hash(name: str) -> int:
    """Hash of a name in upper case; ASCII is enough here."""
    return rotate(name.upper().encode("utf-16-le"), 16)


def main() -> None:
    """Makes all samples."""
    with tempfile.TemporaryDirectory() as folder:
        image = Path(folder) / "image"
        makers = {
            "fat12": lambda: fat(image, 2 * MIB, 12),
            "fat16": lambda: fat(image, 16 * MIB, 16),
            "fat32": lambda: fat(image, 36 * MIB, 32, "-s", 1),
            "exfat": lambda: exfat(image),
            "mbr": lambda: partitioned(image, "sfdisk"),
            "gpt": lambda: partitioned(image, "sgdisk"),
        }
        for name in sys.argv[1:] or makers:
            makers[name]()
            (HERE / f"{name}.img.xz").write_bytes(lzma.compress(image.read_bytes(), preset=9))


if __name__ == "__main__":
    main()
