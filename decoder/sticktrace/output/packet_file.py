"""Packets written as pcapng, one interface a bus, a clock in nanoseconds; the section says that they are rendered."""

from __future__ import annotations

import struct
from collections import Counter
from typing import Any, BinaryIO

from sticktrace.capture.packets import RENDERED, SPEEDS
from sticktrace.output.packets import Packet, Renderer


def write(reading: Any, out: BinaryIO, speed: str, wanted: set[int] | None = None) -> tuple[int, Counter[str]]:
    """Write a pass not begun as packets, pcapng with a clock in nanoseconds and one interface a bus; only transfers
    with a record number in ``wanted``, if given. Returns how many packets, and what was left out."""
    renderer = Renderer(reading.reader, speed)
    link_type = next(link_type for link_type, name in SPEEDS.items() if name == speed)
    file = _file(out, link_type)
    written = 0
    for bus, time_ns, one in renderer.packets(wanted):
        file.put(bus, (reading.reader.origin_ns or 0) + time_ns, one)
        written += 1
    return written, renderer.left_out


def _file(out: BinaryIO, link_type: int) -> Any:
    """A pcapng file by scapy, whose own clock counts microseconds and which writes no words of the section."""
    from scapy.utils import RawPcapNgWriter

    class File(RawPcapNgWriter):
        def __init__(self) -> None:
            self.f, self.endian, self.endian_magic, self.tsresol = out, "<", b"\x4d\x3c\x2b\x1a", 1
            self.buses: dict[int, int] = {}
            words = RENDERED.encode()
            section = self.endian_magic + struct.pack("<HHq", 1, 0, -1)
            out.write(self.build_block(b"\x0a\x0d\x0d\x0a", section, _options((1, words))))

        def put(self, bus: int, time_ns: int, one: Packet) -> None:
            if bus not in self.buses:
                self.buses[bus] = len(self.buses)
                named = _options((2, f"bus {bus}".encode()), (9, b"\x09"))
                out.write(self.build_block(struct.pack("<I", 1), struct.pack("<HHI", link_type, 0, 0), named))
            self._write_block_epb(one.data, self.buses[bus], time_ns, len(one.data), one.size)

    return File()


def _options(*options: tuple[int, bytes]) -> bytes:
    """Options of a pcapng block (3.5 of the draft)."""
    parts = [struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4) for code, value in options]
    return b"".join(parts) + struct.pack("<HH", 0, 0)
