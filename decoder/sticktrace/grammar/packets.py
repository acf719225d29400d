"""The packets of a bus at low, full and high speed: USB 2.0 8.3 and 8.4, and link power management (its ECN).

A packet is laid out from its PID on; what goes before and behind (SYNC, end of packet) is no data. Fields go least
significant bit first, so a token's two bytes are one little-endian number.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from construct import Construct, GreedyBytes, Int16ul, stream_read, stream_write

from sticktrace.codes import pids
from sticktrace.grammar.checks import crc5, crc16
from sticktrace.grammar.layout import Bits, Explanation, Layout, Part, bits, field, part, spare

TRANSFER_TYPES = {0: "control", 1: "isochronous", 2: "bulk", 3: "interrupt"}
"""ET of a SPLIT, numbered as in endpoint descriptors (8.4.2.1, Table 8-3)."""

LINK_STATES = {1: "L1 (sleep)"}
"""bLinkState of an LPM transaction; all others are reserved (LPM ECN 4.1)."""


class AllBut(Construct):  # type: ignore[misc]
    """Bytes up to so many before the end."""

    def __init__(self, behind: int) -> None:
        super().__init__()
        self.behind = behind

    def _parse(self, stream: Any, context: Any, path: str) -> bytes:
        start = stream.tell()
        left = len(stream.read())
        stream.seek(start)
        taken: bytes = stream_read(stream, max(0, left - self.behind), path)
        return taken

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        return stream_write(stream, obj or b"", len(obj or b""), path)


def _complement(value: int, seen: Mapping[str, Any]) -> str:
    return "the complement of PID" if value ^ 0x0F == seen["PID"] else "wrong: not the complement of PID"


def _name(value: int, seen: Mapping[str, Any]) -> str:
    known = pids.PIDS[value | (value ^ 0x0F) << 4]
    return f"{known.name}: {known.text}"


def _pid(name: Callable[[int, Mapping[str, Any]], str] = _name) -> Bits:
    return bits(1, part("PID check", 4, "the four bits of PID inverted", "USB 2.0 8.3.1", meaning=_complement),
                part("PID", 4, "which packet this is", "USB 2.0 8.3.1 Table 8-1", meaning=name))  # fmt: skip


def _fits5(*fields: tuple[str, int]) -> Callable[[int, Mapping[str, Any]], str]:
    """What the CRC5 over these fields (name, width), the first one lowest, says of itself."""

    def say(value: int, seen: Mapping[str, Any]) -> str:
        whole = place = 0
        for name, width in fields:
            whole |= seen[name] << place
            place += width
        return _verdict(value, crc5(whole, place), 5)

    return say


def _verdict(value: int, right: int, width: int) -> str:
    if value == right:
        return f"fits ({value:0{width}b}b is {f'{value:0{width}b}'[::-1]} in the order of the wire)"
    return f"wrong: {right:0{width}b}b would fit"


def _fits16(value: int, seen: Mapping[str, Any]) -> str:
    right = crc16(seen["DATA"])
    return "fits" if value == right else f"wrong: {right:04X}h would fit"


def _check5(meaning: Callable[[int, Mapping[str, Any]], str]) -> Part:
    return part("CRC5", 5, "check over the fields before it", "USB 2.0 8.3.5.1", meaning=meaning)


_ADDRESS = part("ADDR", 7, "address of the device", "USB 2.0 8.3.2.1")
_ENDPOINT = part("ENDP", 4, "number of the endpoint; the PID gives the direction", "USB 2.0 8.3.2.2")
_TOKEN_FITS = _fits5(("ADDR", 7), ("ENDP", 4))

TOKEN = Layout(
    "Token packet", "USB 2.0 8.4.1",
    _pid(), bits(2, _check5(_TOKEN_FITS), _ENDPOINT, _ADDRESS, order="little"),
)  # fmt: skip

FRAME = Layout(
    "Start-of-frame packet", "USB 2.0 8.4.3",
    _pid(),
    bits(2, _check5(_fits5(("Frame Number", 11))), part("Frame Number", 11, "counts milliseconds, up to 2047",
                                                        "USB 2.0 8.3.3"), order="little"),
)  # fmt: skip

SPLIT = Layout(
    "Split transaction token", "USB 2.0 8.4.2",
    _pid(),
    bits(
        3,
        _check5(_fits5(("Hub Addr", 7), ("SC", 1), ("Port", 7), ("S", 1), ("E", 1), ("ET", 2))),
        part("ET", 2, "transfer type of the endpoint", "USB 2.0 8.4.2.1", meaning=TRANSFER_TYPES),
        part("E", 1, "isochronous OUT: end of a piece; else U, zero", "USB 2.0 8.4.2.2"),
        part("S", 1, "speed of the device; isochronous OUT: start of a piece", "USB 2.0 8.4.2.2",
             meaning={0: "full speed", 1: "low speed"}),
        part("Port", 7, "port of the hub that the device hangs on", "USB 2.0 8.4.2.2"),
        part("SC", 1, "start or complete", "USB 2.0 8.4.2.2", meaning={0: "start split", 1: "complete split"}),
        part("Hub Addr", 7, "address of the hub whose translator is meant", "USB 2.0 8.4.2.2"),
        order="little",
    ),
)  # fmt: skip

DATA = Layout(
    "Data packet", "USB 2.0 8.4.4",
    _pid(), field("DATA", AllBut(2), "up to 1024 bytes", "USB 2.0 8.3.4"),
    field("CRC16", Int16ul, "check over DATA", "USB 2.0 8.3.5.2", meaning=_fits16),
)  # fmt: skip

HANDSHAKE = Layout("Handshake packet", "USB 2.0 8.4.5", _pid())

PREAMBLE = Layout("PRE or ERR packet", "USB 2.0 8.4.5, 8.6.5", _pid())

UNKNOWN = Layout(
    "Packet whose PID is none", "USB 2.0 8.3.1",
    _pid(), field("unexplained", GreedyBytes, "without a PID nothing says what this is"),
)  # fmt: skip

EXTENDED = Layout(
    "Extended token packet", "LPM ECN 4.1",
    _pid(), bits(2, _check5(_TOKEN_FITS), _ENDPOINT, _ADDRESS, order="little"),
)  # fmt: skip

LINK_POWER = Layout(
    "Link power management token, behind EXT", "LPM ECN 4.1",
    _pid(lambda value, seen: "LPM" if value == 3 else "no SubPID that is assigned"),
    bits(
        2,
        _check5(_fits5(("bLinkState", 4), ("HIRD", 4), ("bRemoteWake", 1), ("reserved", 2))),
        spare(2),
        part("bRemoteWake", 1, "whether the device may wake the host", "LPM ECN 4.1"),
        part("HIRD", 4, "how long the host will drive resume", "LPM ECN 4.1"),
        part("bLinkState", 4, "state to go to", "LPM ECN 4.1", meaning=LINK_STATES),
        order="little",
    ),
)  # fmt: skip

_LAYOUTS = {
    **dict.fromkeys((pids.OUT, pids.IN, pids.SETUP, pids.PING), TOKEN), pids.SOF: FRAME, pids.SPLIT: SPLIT,
    pids.EXT: EXTENDED, pids.PRE: PREAMBLE, **dict.fromkeys((pids.ACK, pids.NAK, pids.STALL, pids.NYET), HANDSHAKE),
    **dict.fromkeys((pids.DATA0, pids.DATA1, pids.DATA2, pids.MDATA), DATA),
}  # fmt: skip

LONGEST = 3 + 1024
"""The longest packet (8.4.4)."""

_SIZES = {id(TOKEN): 3, id(FRAME): 3, id(SPLIT): 4, id(EXTENDED): 3, id(HANDSHAKE): 1, id(PREAMBLE): 1}


def layout_of(data: bytes) -> Layout | None:
    """The layout that a packet's PID asks for, None if the first byte is no PID."""
    return _LAYOUTS.get(data[0]) if data else None


def holds(data: bytes) -> bool:
    """Whether one whole packet is right: PID, length, check."""
    layout = layout_of(data)
    if layout is None:
        return False
    if layout is DATA:
        return 3 <= len(data) <= LONGEST and crc16(data[1:-2]) == int.from_bytes(data[-2:], "little")
    if len(data) != _SIZES[id(layout)]:
        return False
    return len(data) == 1 or _holds5(data)


def _holds5(data: bytes) -> bool:
    width = 8 * (len(data) - 1) - 5
    word = int.from_bytes(data[1:], "little")
    return word >> width == crc5(word & (1 << width) - 1, width)


def all_hold(parts: list[bytes]) -> bool:
    """Whether packets one behind the other are right; the one behind EXT is a token whatever its SubPID looks like."""
    extension = [before[:1] == bytes((pids.EXT,)) for before in [b"", *parts]]
    return all(_holds5(one) if extended else holds(one) for one, extended in zip(parts, extension, strict=False))


def split(data: bytes) -> list[bytes]:
    """Packets that stand one behind the other, as those of a transaction; empty where they do not come out even. Data
    goes on to the end, but for a handshake behind it."""
    found: list[bytes] = []
    while 0 < len(data) <= LONGEST + 8:
        layout = layout_of(data)
        if layout is None:
            return []
        size = _SIZES.get(id(layout), 0)
        if layout is DATA:
            behind = len(data) > 3 and not holds(data) and layout_of(data[-1:]) is HANDSHAKE
            size = 3 if found and found[-1][0] == pids.EXT else len(data) - behind
        found.append(data[:size])
        data = data[size:]
    return [] if data else found


def explain(data: bytes) -> list[Explanation]:
    """Packets one behind the other, each laid out; a first byte that is no PID is laid out as one that is wrong."""
    parts = split(data) or [data]
    found = []
    for before, packet in zip([b"", *parts], parts, strict=False):
        layout = layout_of(packet) or UNKNOWN
        found.append((LINK_POWER if before[:1] == bytes((pids.EXT,)) else layout).explain(packet))
    return found
