"""Writes a large capture for measuring: link type 220, a short bring-up, then READ(10) after READ(10).

    python tests/bench/make_big.py OUT --exchanges 200000 --bytes 512
    python tests/bench/make_big.py OUT --bytes 122880 --gib 0.69

One exchange is built by the workshop, header fields as the Linux kernel writes them; then its six records are copied
with clock, tag and LBA counted up. The payload is the same throughout: only its amount matters.
"""

from __future__ import annotations

import argparse
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "traces"))

from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

STEP_US = 700
"""Microseconds from one command to the next."""
PCAP_RECORD, HEADER = 16, 64
BLOCK_BYTES = 32 << 20
"""About how much is built in memory at a time."""


def bring_up() -> Recorder:
    """Enumeration, INQUIRY, TEST UNIT READY and READ CAPACITY of a stick of 2 TiB less one block."""
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(0xFFFFFFFF))], short="pad"))
    host.enumerate()
    for cdb in (wire.inquiry(), wire.test_unit_ready(), wire.read_capacity10()):
        host.execute(cdb)
    return host.recorder


def template(size: int) -> tuple[bytes, int]:
    """The six pcap records of one READ(10) and the time of its first, in microseconds."""
    host = Host(Recorder(), Stick(Identity(), [Unit()]))
    host.stick.address = 2
    payload = bytes(n * 37 & 0xFF for n in range(512)) * (size // 512)
    host.command(wire.read10(0, size // 512), data_in=payload)
    recorder = host.recorder
    return recorder.pcap()[24:], recorder.halves[0].time_ns // 1000


def walk(records: bytes) -> Iterator[int]:
    """Offsets of the records of a template."""
    at = 0
    while at < len(records):
        yield at
        at += PCAP_RECORD + struct.unpack_from("<I", records, at + 8)[0]


def put(block: np.ndarray, at: int, values: np.ndarray) -> None:
    """Stores one number per row at a byte offset of each row."""
    width = values.dtype.itemsize
    block[:, at : at + width] = values.view(np.uint8).reshape(-1, width)


def fill(records: bytes, first: int, count: int, start_us: int, base_us: int, size: int) -> np.ndarray:
    """``count`` exchanges from number ``first`` on; tags go on after the bring-up's."""
    block = np.tile(np.frombuffer(records, np.uint8), (count, 1))
    numbers = np.arange(first, first + count, dtype=np.int64)
    places = list(walk(records))
    for at in places:
        own = struct.unpack_from("<II", records, at)
        times = start_us + numbers * STEP_US + own[0] * 1_000_000 + own[1] - base_us
        seconds, micros = times // 1_000_000, (times % 1_000_000).astype("<u4")
        put(block, at, seconds.astype("<u4"))
        put(block, at + 4, micros)
        put(block, at + PCAP_RECORD + 16, seconds.astype("<i8"))
        put(block, at + PCAP_RECORD + 24, micros)
    tags = ((numbers + 4) & 0xFFFFFFFF).astype("<u4")
    command, status = places[0] + PCAP_RECORD + HEADER, places[5] + PCAP_RECORD + HEADER
    put(block, command + 4, tags)
    put(block, status + 4, tags)
    put(block, command + 15 + 2, (numbers * (size // 512) % 0xFFFF_0000).astype(">u4"))
    return block


def write_big(out: BinaryIO, exchanges: int, size: int) -> None:
    """The whole capture."""
    opening = bring_up()
    out.write(opening.pcap())
    records, base_us = template(size)
    start_us = opening.now_ns // 1000 + 1000
    at_once = max(1, BLOCK_BYTES // len(records))
    for first in range(0, exchanges, at_once):
        block = fill(records, first, min(at_once, exchanges - first), start_us, base_us, size)
        out.write(block.data)


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--exchanges", type=int, default=200_000)
    parser.add_argument("--bytes", type=int, default=512, help="data of one exchange, a multiple of 512")
    parser.add_argument("--gib", type=float, help="payload in GiB, in place of --exchanges")
    options = parser.parse_args()
    if options.bytes < 512 or options.bytes % 512 or options.bytes > 245_760:
        parser.error("--bytes must be a multiple of 512 from 512 to 245760")
    exchanges = int(options.gib * (1 << 30) / options.bytes) if options.gib else options.exchanges
    with options.out.open("wb") as out:
        write_big(out, exchanges, options.bytes)
    print(f"{options.out}: {exchanges} exchanges of {options.bytes} bytes, {options.out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
