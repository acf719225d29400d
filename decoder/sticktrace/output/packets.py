"""What a host recorded, rendered as the packets that would have carried it (USB 2.0 chapter 8): a teaching aid.

Rendered is not recorded. A host sees transfers; how often a device answered NAK, which packets were damaged and
repeated, when each went over, is not in its recording and is not made up: a transfer is asked for once and answered NAK
at the time when the host submitted it, and goes over packet by packet up to the time when it completed. No frames are
rendered. A transfer that failed ends the way its status says: STALL, three attempts without an answer, damaged data,
more than fits. Bytes that the source does not hold are packets cut after their PID, as a recorder with a short snap
length leaves them.

The file says of itself that it is rendered, and sticktrace says so when it reads it.
"""

from __future__ import annotations

import heapq
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from enum import Enum
from typing import Any, NamedTuple

from sticktrace.bus.requests import is_request
from sticktrace.capture.packets.told import LARGEST, Endpoints
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, STALL, Transfer
from sticktrace.codes import pids
from sticktrace.grammar.checks import crc5, crc16

_AHEAD = 10_000
"""Halves kept back to be rendered in their first order; a transfer that takes longer than so many comes out later."""

_BIT_NS = {"low": 667, "full": 83, "high": 2}
_BETWEEN_BITS = 20
"""SYNC, end of packet and turn-around together, about."""

_SHORT = -121
_NO_ANSWER = frozenset((-62, -71, -19, -108))
_DAMAGED, _TOO_LONG = -84, -75
_LONGEST, _LAST_ADDRESS = 1024, 127
_MOST_UNSEEN = 1 << 20
"""Bytes of a transfer that were not recorded and are rendered all the same: what is made does not grow with what a
damaged length claims."""

_GET_CONFIGURATION, _SET_INTERFACE, _SET_CONFIGURATION = b"\x80\x06", b"\x01\x0b", b"\x00\x09"


class Packet(NamedTuple):
    """A packet: its bytes as far as they are known, and how many it has."""

    data: bytes
    size: int


def packet(data: bytes) -> Packet:
    """A packet of which every byte is known."""
    return Packet(data, len(data))


def token(pid: int, address: int, endpoint: int) -> Packet:
    """IN, OUT, SETUP, PING (8.4.1)."""
    value = address & 0x7F | (endpoint & 0x0F) << 7
    return packet(bytes((pid,)) + (value | crc5(value, 11) << 11).to_bytes(2, "little"))


def data_packet(pid: int, payload: bytes, size: int) -> Packet:
    """Data of ``size`` bytes, of which the first ones are known (8.4.4)."""
    if len(payload) < size:
        return Packet(bytes((pid,)) + payload, size + 3)
    return packet(bytes((pid,)) + payload + crc16(payload).to_bytes(2, "little"))


def handshake(pid: int) -> Packet:
    """ACK, NAK, STALL (8.4.5)."""
    return packet(bytes((pid,)))


class Half(Enum):
    """What of a transfer is rendered: that the host asks, how it ended, or that it waits when the recording ends."""

    SUBMITTED, COMPLETED, WAITING = range(3)


class Pipes:
    """Which toggle comes next on each pipe, and how large a full packet is there."""

    def __init__(self, speed: str) -> None:
        self.speed = speed
        self._toggles: dict[tuple[int, int, int], int] = {}
        self._endpoints: dict[tuple[int, int], Endpoints] = {}

    def toggle(self, transfer: Transfer) -> int:
        """The PID of the next data packet, counted on."""
        key = (transfer.bus, transfer.address, transfer.endpoint)
        pid = self._toggles.get(key, pids.DATA0)
        self._toggles[key] = pid ^ pids.DATA0 ^ pids.DATA1
        return pid

    def peek(self, transfer: Transfer) -> int:
        """The same without counting on."""
        return self._toggles.get((transfer.bus, transfer.address, transfer.endpoint), pids.DATA0)

    def size(self, transfer: Transfer) -> int:
        """Bytes of a full packet, as the descriptors and the speed allow. A report of an interrupt pipe is one
        packet."""
        if transfer.kind == CONTROL:
            return LARGEST[self.speed, CONTROL]
        if transfer.kind == INTERRUPT:
            return _LONGEST
        limit = LARGEST[self.speed, BULK]
        known = self._endpoints.get((transfer.bus, transfer.address), Endpoints()).known.get(transfer.endpoint)
        return min(known.size, limit) if known is not None and known.size else limit

    def learn(self, transfer: Transfer, data: bytes) -> None:
        """What a control request that was done does to the pipes (9.1.1.5, 9.4.5, 9.4.10)."""
        setup, device = transfer.setup, (transfer.bus, transfer.address)
        if transfer.status != 0 or len(setup) != 8:
            return
        if setup[:2] == _GET_CONFIGURATION and setup[3] == 2:
            self._endpoints.setdefault(device, Endpoints()).learn(data)
        elif setup[:2] == _SET_CONFIGURATION:
            self._restart(key for key in self._toggles if key[:2] == device)
        elif setup[:2] == _SET_INTERFACE:
            chosen = self._endpoints.setdefault(device, Endpoints()).choose(setup[4], setup[2])
            self._restart((*device, endpoint) for endpoint in chosen)
        elif setup[:4] == b"\x02\x01\x00\x00":
            self._restart([(*device, setup[4] & 0x8F)])

    def _restart(self, keys: Iterable[tuple[int, int, int]]) -> None:
        for key in list(keys):
            self._toggles.pop(key, None)


class Renderer:
    """Turns the halves of transfers into packets. ``left_out`` counts transfers that cannot be rendered, by reason."""

    def __init__(self, reader: Any, speed: str) -> None:
        self.reader, self.speed = reader, speed
        self.pipes = Pipes(speed)
        self.left_out: Counter[str] = Counter()
        self._now_ns = 0

    def packets(self, wanted: set[int] | None = None) -> Iterator[tuple[int, int, Packet]]:
        """(bus, time in ns since the first record, packet) of all transfers, or of those with a record in
        ``wanted``."""
        for time_ns, half, transfer in _in_order(self._halves(wanted)):
            if half is Half.COMPLETED:
                yield from self._spread(transfer, time_ns, list(self._completed(transfer)))
                continue
            self._now_ns = max(self._now_ns, time_ns)
            some = self._submitted(transfer) if half is Half.SUBMITTED else self._not_now(transfer)
            yield from ((transfer.bus, self._now_ns, one) for one in some)

    def _halves(self, wanted: set[int] | None) -> Iterator[tuple[int, int, Half, Transfer]]:
        """(record number, time, which half, transfer)."""
        for transfer in self.reader.traffic():
            if wanted is not None and wanted.isdisjoint(transfer.records):
                continue
            reason = _why_not(transfer)
            if reason:
                self.left_out[reason] += 1
                continue
            if transfer.submitted_ns >= 0:
                yield transfer.records[0], transfer.submitted_ns, Half.SUBMITTED, transfer
            if transfer.completed_ns >= 0 and transfer.status is not None:
                yield transfer.records[-1], transfer.completed_ns, Half.COMPLETED, transfer
            elif transfer.waited_ns >= 0:
                yield sys.maxsize, transfer.submitted_ns + transfer.waited_ns, Half.WAITING, transfer

    def _spread(self, transfer: Transfer, end_ns: int, some: list[Packet]) -> Iterator[tuple[int, int, Packet]]:
        """Packets one after the other, the last one at a time; never before what was rendered already."""
        lengths = [(8 * one.size + _BETWEEN_BITS) * _BIT_NS[self.speed] for one in some]
        left = sum(lengths)
        for one, length in zip(some, lengths, strict=True):
            left -= length
            self._now_ns = max(self._now_ns, end_ns - left)
            yield transfer.bus, self._now_ns, one

    # -- halves --------------------------------------------------------------------------------------------------

    def _submitted(self, transfer: Transfer) -> Iterator[Packet]:
        """The host begins: SETUP, or a token that is answered NAK."""
        if transfer.kind == CONTROL:
            if transfer.setup:
                yield token(pids.SETUP, transfer.address, 0)
                yield data_packet(pids.DATA0, transfer.setup, 8)
                yield handshake(pids.ACK)
            return
        yield from self._not_now(transfer)

    def _not_now(self, transfer: Transfer) -> Iterator[Packet]:
        """A device that is not ready. Data that it does not take goes over all the same (8.5.2)."""
        if transfer.incoming or transfer.kind == CONTROL:
            yield token(pids.IN, transfer.address, transfer.endpoint)
        else:
            size = min(self.pipes.size(transfer), max(transfer.requested, transfer.actual, 0))
            yield token(pids.OUT, transfer.address, transfer.endpoint)
            yield data_packet(self.pipes.peek(transfer), self._payload(transfer)[:size], size)
        yield handshake(pids.NAK)

    def _completed(self, transfer: Transfer) -> Iterator[Packet]:
        status = 0 if transfer.status == _SHORT else transfer.status
        data = self._payload(transfer)
        if transfer.kind == CONTROL and transfer.submitted_ns < 0:
            yield from self._submitted(transfer)
        yield from self._moved(transfer, data, whole=status == 0)
        if status == 0:
            if transfer.kind == CONTROL:
                yield from self._status_stage(transfer)
        elif status == STALL:
            yield from self._attempt(transfer, data, pids.STALL)
        elif status in _NO_ANSWER or (status == _DAMAGED and not transfer.incoming):
            for _ in range(3):
                yield from self._attempt(transfer, data, 0)
        elif status == _DAMAGED:
            for _ in range(3):
                yield token(pids.IN, transfer.address, transfer.endpoint)
                yield _damaged(data_packet(self.pipes.peek(transfer), b"\0", 1))
        elif status == _TOO_LONG and transfer.incoming:
            yield token(pids.IN, transfer.address, transfer.endpoint)
            yield data_packet(self.pipes.peek(transfer), bytes(_LONGEST + 1), _LONGEST + 1)
        else:
            yield from self._not_now(transfer)
        self.pipes.learn(transfer, data)

    def _payload(self, transfer: Transfer) -> bytes:
        at = transfer.data_at
        return bytes(self.reader.payload[at : at + transfer.captured]) if transfer.captured else b""

    # -- transactions ----------------------------------------------------------------------------------------------

    def _moved(self, transfer: Transfer, data: bytes, whole: bool) -> Iterator[Packet]:
        """What went over, packet by packet; a packet of no bytes where that shows the end (5.8.3)."""
        size, actual = self.pipes.size(transfer), transfer.actual
        pid = pids.DATA1
        for at in range(0, actual, size):
            if transfer.kind != CONTROL:
                pid = self.pipes.toggle(transfer)
            yield from self._transaction(transfer, pid, data[at : min(at + size, actual)], min(size, actual - at))
            pid ^= pids.DATA0 ^ pids.DATA1
        ends_full = actual % size == 0 and (not actual or (transfer.incoming and 0 <= actual < transfer.requested))
        if whole and ends_full and transfer.kind != CONTROL:
            yield from self._transaction(transfer, self.pipes.toggle(transfer), b"", 0)

    def _transaction(self, transfer: Transfer, pid: int, data: bytes, size: int) -> Iterator[Packet]:
        yield token(pids.IN if transfer.incoming else pids.OUT, transfer.address, transfer.endpoint)
        yield data_packet(pid, data, size)
        yield handshake(pids.ACK)

    def _status_stage(self, transfer: Transfer) -> Iterator[Packet]:
        """A packet of no bytes against the data, IN where there is none (8.5.3)."""
        out = transfer.incoming and (not transfer.setup or transfer.setup[6:8] != b"\0\0")
        yield token(pids.OUT if out else pids.IN, transfer.address, 0)
        yield data_packet(pids.DATA1, b"", 0)
        yield handshake(pids.ACK)

    def _attempt(self, transfer: Transfer, data: bytes, answer: int) -> Iterator[Packet]:
        """An attempt that is answered by STALL, or by nothing."""
        if transfer.incoming or transfer.kind == CONTROL:
            yield token(pids.IN, transfer.address, transfer.endpoint)
        else:
            size = max(0, min(self.pipes.size(transfer), transfer.requested - transfer.actual))
            yield token(pids.OUT, transfer.address, transfer.endpoint)
            yield data_packet(self.pipes.peek(transfer), data[transfer.actual :][:size], size)
        if answer:
            yield handshake(answer)


def _damaged(one: Packet) -> Packet:
    return packet(one.data[:-1] + bytes((one.data[-1] ^ 0xFF,)))


def _why_not(transfer: Transfer) -> str:
    """Why a transfer cannot be rendered, "" if it can."""
    if transfer.kind == ISOCHRONOUS:
        return "isochronous transfers"
    if is_request(transfer) and (transfer.kind != CONTROL or (transfer.function >= 0 and not transfer.setup)):
        return "requests recorded without their setup packet"
    if transfer.actual - transfer.captured > _MOST_UNSEEN:
        return f"transfers that claim more than {_MOST_UNSEEN:,} bytes beyond those recorded"
    return "" if transfer.records and transfer.address <= _LAST_ADDRESS else "transfers of an address beyond 127"


def _in_order(found: Iterable[tuple[int, int, Half, Transfer]]) -> Iterator[tuple[int, Half, Transfer]]:
    """Transfers come when they complete; their halves go back to the order in which they were recorded."""
    kept: list[tuple[int, int, int, Half, Transfer]] = []
    for count, (number, time_ns, half, transfer) in enumerate(found):
        heapq.heappush(kept, (number, count, time_ns, half, transfer))
        if len(kept) > _AHEAD:
            yield heapq.heappop(kept)[2:]
    while kept:
        yield heapq.heappop(kept)[2:]
