"""A capture of any form as pcap with link type 220 (kernel documentation, usbmon: the 64-byte header).

Text and Windows host captures become files that other readers of that link type take; a selection of exchanges becomes
a small file to attach to a report. What the source does not hold stays out: a lost half is not written, a payload cut
off is written as far as captured with its true length.
"""

from __future__ import annotations

import heapq
import struct
from collections.abc import Callable, Iterable, Iterator
from typing import Any, BinaryIO

from sticktrace.capture.transfer import CONTROL, Transfer

LINK_TYPE = 220
_HEADER = struct.Struct("<QcBBBHBBqiiII8s16x")
_FILE, _RECORD = struct.Struct("<IHHIIII"), struct.Struct("<IIII")
"""Headers of the file, with times in nanoseconds, and of a record (draft-ietf-opsawg-pcap 4 and 5)."""
_LONGEST = 1 << 24
_NO_SETUP, _NO_DATA_IN, _NO_DATA_OUT = ord("-"), ord("<"), ord(">")
_PENDING = -115
_AHEAD = 10_000
"""Records kept back to be written in their first order; a transfer that takes longer than so many comes out later."""

_STEP = 1 << 10
"""Transfers between two looks at how far the reading is, which gives back what has been passed."""

Half = tuple[int, int, bytes]
"""Record number in the source, time in ns since its first record, the record."""


def halves(transfer: Transfer, ident: int, read: Callable[[int, int], bytes]) -> Iterator[Half]:
    """The submission and the completion of a transfer, as far as the source has them."""
    incoming = transfer.incoming
    endpoint = transfer.endpoint & 0x7F | (0x80 if incoming else 0)
    data = read(transfer.data_at, transfer.captured) if transfer.captured else b""
    numbers = list(transfer.records)
    if transfer.submitted_ns >= 0 and numbers:
        number, length = numbers.pop(0), transfer.actual if transfer.requested < 0 else transfer.requested
        sent = b"" if incoming else data
        yield number, transfer.submitted_ns, _record(ident, b"S", transfer, endpoint, _PENDING, length, sent)
    if transfer.completed_ns >= 0 and transfer.status is not None:
        number = numbers[-1] if numbers else transfer.records[-1]
        came = data if incoming else b""
        yield (
            number,
            transfer.completed_ns,
            _record(ident, b"C", transfer, endpoint, transfer.status, transfer.actual, came),
        )


def _record(
    ident: int, event: bytes, transfer: Transfer, endpoint: int, status: int, length: int, data: bytes
) -> bytes:
    setup = transfer.setup if transfer.kind == CONTROL and event == b"S" and len(transfer.setup) == 8 else b""
    no_data = _NO_DATA_IN if endpoint & 0x80 else _NO_DATA_OUT
    at = transfer.submitted_ns if event == b"S" else transfer.completed_ns
    return (
        _HEADER.pack(
            ident, event, transfer.kind & 3, endpoint, transfer.address & 0xFF, _bus(transfer),
            0 if setup else _NO_SETUP, 0 if data else no_data, at // 1_000_000_000, at % 1_000_000_000 // 1000,
            max(-(1 << 31), status), min(length, 0xFFFFFFFF), len(data), setup.ljust(8, b"\0"),
        )
        + data
    )  # fmt: skip


def _bus(transfer: Transfer) -> int:
    """The number of the bus. Some forms count devices beyond what the header's byte holds; the rest of such an address
    goes with the bus, so that no device comes to stand for another."""
    return transfer.bus & 0xFFFF ^ (transfer.address >> 8) << 8 & 0xFF00


def write(reading: Any, out: BinaryIO, wanted: set[int] | None = None) -> int:
    """Write the transfers of a pass not begun to a file; only those with a record number in ``wanted``, if given.

    Returns the number of records written.
    """
    written = origin = 0
    out.write(_FILE.pack(0xA1B23C4D, 2, 4, 0, 0, _LONGEST, LINK_TYPE))
    for _, time_ns, record in _in_order(_chosen(reading, wanted)):
        origin = origin or reading.reader.origin_ns or 0
        seconds, fraction = divmod(origin + time_ns, 1_000_000_000)
        out.write(_RECORD.pack(seconds & 0xFFFFFFFF, fraction, len(record), len(record)) + record)
        written += 1
    return written


def _chosen(reading: Any, wanted: set[int] | None) -> Iterator[Half]:
    reader = reading.reader

    def read(at: int, length: int) -> bytes:
        return bytes(reader.payload[at : at + length])

    for ident, transfer in enumerate(reader.traffic(), 1):
        if not ident % _STEP and not reader.passed():
            return  # cut short meanwhile
        if wanted is None or not wanted.isdisjoint(transfer.records):
            yield from halves(transfer, ident, read)


def _in_order(found: Iterable[Half]) -> Iterator[Half]:
    """Transfers come when they complete; their records go back to the order in which they were recorded."""
    kept: list[tuple[int, int, int, bytes]] = []
    for count, (number, time_ns, record) in enumerate(found):
        heapq.heappush(kept, (number, count, time_ns, record))
        if len(kept) > _AHEAD:
            number, _, time_ns, record = heapq.heappop(kept)
            yield number, time_ns, record
    while kept:
        number, _, time_ns, record = heapq.heappop(kept)
        yield number, time_ns, record
