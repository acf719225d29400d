"""What the tests of packet captures share: a stick on a bus under a probe, and reading back what was recorded."""

from __future__ import annotations

import struct
from collections import Counter
from typing import Any

from sticktrace.capture import Transfer, reader_of
from workshop.bus import DATA0, Bus
from workshop.identity import Alternate, Identity

STICK, BULK_IN, BULK_OUT = 2, 1, 2
"""Address of the stick and numbers of its endpoints."""

GET_DEVICE, GET_CONFIGURATION = bytes.fromhex("8006000100001200"), bytes.fromhex("800600020000ff00")
SET_ADDRESS, SET_CONFIGURATION = bytes.fromhex("0005020000000000"), bytes.fromhex("0009010000000000")
GET_MAX_LUN = bytes.fromhex("a1fe000000000100")
"""Setup packets (USB 2.0 Table 9-3; BOT 1.0 3.2)."""


def clear_halt(endpoint: int) -> bytes:
    """CLEAR_FEATURE(ENDPOINT_HALT)."""
    return bytes((2, 1, 0, 0, endpoint, 0, 0, 0))


def cbw(tag: int, length: int, cdb: bytes, inward: bool = True) -> bytes:
    """A command block wrapper (BOT 1.0 5.1)."""
    return struct.pack("<4sIIBBB16s", b"USBC", tag, length, inward << 7, 0, len(cdb), cdb)


def csw(tag: int, residue: int = 0, status: int = 0) -> bytes:
    """A command status wrapper (BOT 1.0 5.2)."""
    return struct.pack("<4sIIB", b"USBS", tag, residue, status)


def read10(lba: int, blocks: int) -> bytes:
    return struct.pack(">BBIBHB", 0x28, 0, lba, 0, blocks, 0)


def write10(lba: int, blocks: int) -> bytes:
    return struct.pack(">BBIBHB", 0x2A, 0, lba, 0, blocks, 0)


def enumerate_stick(bus: Bus, address: int = STICK, size: int = 0) -> None:
    """From address 0 to configured; ``size`` is the largest bulk packet, 0 for the usual one of the bus's speed."""
    size = size or bus.pipe(address, BULK_IN, True).size
    ends = ((0x80 | BULK_IN, 2, size, 0), (BULK_OUT, 2, size, 0))
    identity = Identity(alternates=(Alternate(endpoints=ends),))
    if address in bus.behind:
        bus.behind[0] = bus.behind[address]
    set_address = b"\0\5" + bytes((address,)) + bytes(5)
    bus.control(0, GET_DEVICE, identity.device())
    bus.control(0, set_address)
    bus.behind.pop(0, None)
    bus.wait(3_000_000)
    bus.control(address, GET_DEVICE, identity.device())
    bus.control(address, GET_CONFIGURATION, identity.configuration())
    bus.control(address, SET_CONFIGURATION)
    for inward, number in ((True, BULK_IN), (False, BULK_OUT)):
        pipe = bus.pipe(address, number, inward)
        pipe.toggle, pipe.size = DATA0, size


def command(bus: Bus, tag: int, cdb: bytes, payload: bytes = b"", *, inward: bool = True, expected: int = -1,
            status: int = 0, address: int = STICK) -> None:  # fmt: skip
    """One command over Bulk-Only Transport."""
    length = len(payload) if expected < 0 else expected
    bus.bulk_out(address, BULK_OUT, cbw(tag, length, cdb, inward))
    if length and inward:
        bus.bulk_in(address, BULK_IN, payload)
    elif length:
        bus.bulk_out(address, BULK_OUT, payload, naks=bus.naks)
    bus.bulk_in(address, BULK_IN, csw(tag, length - len(payload), status))


def transfers_of(recording: bytes) -> tuple[list[Transfer], Any]:
    """All transfers of a recording, and its reader. Every packet is in a transfer or has a place."""
    reader = reader_of("probe", recording)
    found = [*reader.transfers(), *reader.finish()]
    counted = sum((reader.places + reader.skipped).values()) + sum(t.weight for t in found)
    assert counted == reader.records
    return found, reader


def payload_of(reader: Any, transfer: Transfer) -> bytes:
    """The captured bytes of a transfer."""
    return bytes(reader.payload[transfer.data_at : transfer.data_at + transfer.captured])


def kinds(reader: Any) -> Counter[str]:
    """How many wire events there were of each kind."""
    found: Counter[str] = Counter()
    for (kind, *_), count in reader.wire_events.counts.items():
        found[kind] += count
    return found
