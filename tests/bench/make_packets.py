"""Writes a large recording of packets for measuring: link type 295 or 294, a short bring-up, then READ(10) after
READ(10).

    python tests/bench/make_packets.py OUT --packets 10000000
    python tests/bench/make_packets.py OUT --packets 10000000 --speed full --blocks 128 --naks 2

A stretch of some hundred commands is built by the workshop, with start-of-frame packets as time passes; then it is
copied with its clock and frame numbers counted up."""

from __future__ import annotations

import argparse
import struct
import sys
from pathlib import Path
from typing import BinaryIO

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "traces"), str(ROOT / "tests"), str(ROOT / "decoder")]

from probe import command, enumerate_stick, read10  # noqa: E402
from workshop.bus import FRAME_NS, LINK_TYPES, SOF, START_NS, Bus, frame  # noqa: E402

HEADER = 16
COMMANDS = 200
CYCLE = {"high": 8 * 2048, "full": 2048}
"""Frames until their numbers begin anew."""


def stretch(speed: str, blocks: int, naks: int, gap_ns: int) -> tuple[Bus, int, int]:
    """Bring-up and commands on one bus; the number of packets of the bring-up, and of all in the end."""
    bus = Bus(speed, naks=naks)
    enumerate_stick(bus)
    while (bus.now_ns - START_NS) // FRAME_NS[speed] % CYCLE[speed]:
        bus.wait(FRAME_NS[speed])
    first = len(bus.packets)
    payload = bytes(n * 37 & 0xFF for n in range(512)) * blocks
    for tag in range(COMMANDS):
        command(bus, tag, read10(tag * blocks, blocks), payload)
        bus.wait(gap_ns)
    return bus, first, len(bus.packets)


def records(bus: Bus, first: int, last: int) -> tuple[bytearray, list[int]]:
    """Packets as pcap records, and where those of frames begin."""
    out, frames = bytearray(), []
    for time_ns, packet in bus.packets[first:last]:
        if packet[0] == SOF:
            frames.append(len(out))
        out += struct.pack("<IIII", *divmod(time_ns, 10**9), len(packet), len(packet)) + packet
    return out, frames


def write(out: BinaryIO, options: argparse.Namespace) -> int:
    """The whole recording; how many packets."""
    bus, first, last = stretch(options.speed, options.blocks, options.naks, options.gap * 1000)
    out.write(struct.pack("<IHHIIII", 0xA1B23C4D, 2, 4, 0, 0, 65_535, LINK_TYPES[options.speed]))
    out.write(records(bus, 0, first)[0])
    block, frames = records(bus, first, last)
    raw = np.frombuffer(bytes(block), np.uint8).copy()
    starts, at = [], 0
    while at < len(block):
        starts.append(at)
        at += HEADER + struct.unpack_from("<I", block, at + 8)[0]
    starts_at = np.array(starts)
    times = np.array([time_ns for time_ns, _ in bus.packets[first:last]], np.int64)
    per_frame = 8 if options.speed == "high" else 1
    words = np.array([list(frame(number)[1:]) for number in range(2048)], np.uint8)
    span, written = len(frames) * FRAME_NS[options.speed], first
    for copy in range(-(-(options.packets - first) // (last - first))):
        moved = times + copy * span
        for place, column in ((0, moved // 10**9), (4, moved % 10**9)):
            raw[starts_at[:, None] + place + np.arange(4)] = column.astype("<u4").view(np.uint8).reshape(-1, 4)
        number = (np.arange(len(frames)) + copy * len(frames)) // per_frame & 0x7FF
        raw[np.array(frames)[:, None] + HEADER + 1 + np.arange(2)] = words[number]
        out.write(raw.tobytes())
        written += last - first
    return written


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--packets", type=int, default=1_000_000, help="at least so many")
    parser.add_argument("--speed", choices=["high", "full"], default="high")
    parser.add_argument("--blocks", type=int, default=8, help="blocks of 512 bytes for each command")
    parser.add_argument("--naks", type=int, default=60, help="answers NAK before each piece of data and each status")
    parser.add_argument("--gap", type=int, default=300, help="microseconds between commands")
    options = parser.parse_args()
    with options.out.open("wb") as out:
        count = write(out, options)
    print(f"{options.out}: {count} packets, {options.out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
