"""The forms in which a recording is written: pcap with link type 189, 220 or 249, usbmon text, console hex text.

Sources: the kernel's usbmon documentation (text lines and the 64-byte binary record); the Internet draft on pcap and
its link types. The container is written by scapy, so that it comes from another hand than the reader under test.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from workshop.recorder import Half

_CONTROL, _INTERRUPT = 2, 1
_PRESENT, _NO_SETUP = 0, ord("-")
_LETTERS = "ZICB"
"""Transfer kinds 0-3 in the text form."""

WINDOWS = 249
_CONTROL_TRANSFER, _BULK_OR_INTERRUPT, _CLEAR_STALL = 0x0008, 0x0009, 0x001E
_USBD = {
    0: 0, -121: 0, -32: 0xC0000004, -71: 0xC0000011, -75: 0xC000000C, -108: 0xC0000005, -104: 0xC0010000,
    -2: 0xC0010000, -110: 0xC0010000,
}  # fmt: skip
"""Transfer status -> what a Windows host's driver calls it (its public header, from memory)."""


def carries_data(half: Half) -> bool:
    """Payload rides on OUT submissions and IN completions."""
    return (half.event == "S") != incoming(half)


def incoming(half: Half) -> bool:
    """Direction from the endpoint address; bit 7 is set for control transfers too when data goes to the host."""
    return bool(half.endpoint & 0x80)


def _data_flag(half: Half) -> int:
    if half.event == "E":
        return ord("E")
    if carries_data(half):
        return _PRESENT
    return ord("<") if incoming(half) else ord(">")


def record(half: Half, link_type: int, order: str, event_limit: int) -> tuple[bytes, int]:
    """One record, and the length that it would have had whole."""
    kept = half.data[:event_limit]
    has_setup = half.kind == _CONTROL and half.event == "S" and len(half.setup) == 8
    microseconds = half.time_ns // 1000
    header = struct.pack(
        order + "QcBBBHBBqiiII8s",
        half.id,
        half.event.encode(),
        half.kind,
        half.endpoint,
        half.address,
        half.bus,
        _PRESENT if has_setup else _NO_SETUP,
        _data_flag(half),
        microseconds // 1_000_000,
        microseconds % 1_000_000,
        half.status,
        half.length,
        len(kept),
        half.setup if has_setup else bytes(8),
    )
    if link_type == 220:
        header += struct.pack(order + "iiII", half.interval, 0, half.flags, 0)
    whole = bytearray(header + kept)
    for offset, mask in half.flips:
        if offset < len(whole):
            whole[offset] ^= mask
    return bytes(whole), len(header) + len(half.data)


def windows_record(half: Half) -> tuple[bytes, int]:
    """One record of link type 249, always little-endian. A halt is cleared by a driver function that shows no setup
    packet; other requests show theirs. The length of an IN request is not told, nor what an OUT transfer moved."""
    submitted = half.event == "S"
    data, transfer, stage = half.data, half.kind, b""
    function = _CONTROL_TRANSFER if half.kind == _CONTROL else _BULK_OR_INTERRUPT
    endpoint = half.endpoint
    if half.kind == _CONTROL and half.setup[:3] == b"\x02\x01\x00":
        function, transfer, endpoint = _CLEAR_STALL, 0xFF, half.setup[4]
    elif half.kind == _CONTROL:
        stage = b"\0" if submitted else b"\3"
        data = half.setup + data if submitted else data
    header = struct.pack(
        "<HQIHBHHBBI", 27 + len(stage), half.id, 0 if submitted else _USBD[half.status], function, not submitted,
        half.bus, half.address, endpoint, transfer, len(data),
    )  # fmt: skip
    whole = bytearray(header + stage + data)
    for offset, mask in half.flips:
        if offset < len(whole):
            whole[offset] ^= mask
    return bytes(whole), len(whole)


def pcap(
    halves: Iterable[Half], link_type: int, order: str, nanosecond: bool, snap_length: int, event_limit: int
) -> bytes:
    """A pcap file."""
    from scapy.utils import RawPcapWriter

    out = io.BytesIO()
    writer = RawPcapWriter(out, linktype=link_type, endianness=order, nano=nanosecond, snaplen=snap_length)
    writer.write_header(None)
    for half in halves:
        data, length = windows_record(half) if link_type == WINDOWS else record(half, link_type, order, event_limit)
        data = data[:snap_length]
        seconds, rest = divmod(half.time_ns, 1_000_000_000)
        fraction = rest if nanosecond else rest // 1000
        writer.write_packet(data, sec=seconds, usec=fraction, caplen=len(data), wirelen=length)
    return out.getvalue()


def usbmon_text(halves: Iterable[Half], bus_numbers: bool = True) -> str:
    """Lines of the text form; its clock counts microseconds and wraps every 4096 seconds, its data ends at 32 bytes."""
    return "".join(_usbmon_line(half, bus_numbers) + "\n" for half in halves)


def _usbmon_line(half: Half, bus_numbers: bool) -> str:
    microseconds = half.time_ns // 1000 % (4096 * 1_000_000)
    kind = _LETTERS[half.kind] + ("i" if incoming(half) else "o")
    number = half.endpoint & 0x7F
    place = f"{half.bus}:{half.address:03}:{number}" if bus_numbers else f"{half.address:03}:{number:02}"
    words = [f"{half.id:x}", str(microseconds), half.event, f"{kind}:{place}"]
    if half.kind == _CONTROL and half.event == "S" and len(half.setup) == 8:
        request_type, request, value, index, length = struct.unpack("<BBHHH", half.setup)
        words += ["s", f"{request_type:02x}", f"{request:02x}", f"{value:04x}", f"{index:04x}", f"{length:04x}"]
    elif half.kind == _INTERRUPT:
        words.append(f"{half.status}:{half.interval}")
    else:
        words.append(str(half.status))
    words.append(str(half.length))
    if half.length:
        words += _usbmon_data(half)
    return " ".join(words)


def _usbmon_data(half: Half) -> list[str]:
    if not carries_data(half):
        return ["<" if incoming(half) else ">"]
    shown = half.data[:32].hex()
    return ["=", *(shown[at : at + 8] for at in range(0, len(shown), 8))]


def hex_text(halves: Iterable[Half]) -> str:
    """One line per bulk transfer that moved data: seconds since the start, direction, bytes."""
    lines, origin = [], None
    for half in halves:
        origin = half.time_ns if origin is None else origin
        if half.kind == 3 and carries_data(half) and half.data:
            word = "IN " if incoming(half) else "OUT"
            lines.append(f"[{(half.time_ns - origin) / 1e9:11.6f}] {word} {half.data.hex(' ')}\n")
    return "".join(lines)
