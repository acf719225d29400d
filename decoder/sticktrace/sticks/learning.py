"""What the account learns from requests and from exchanges looked at closely: identity, readiness, capacity."""

from __future__ import annotations

from typing import Protocol

from sticktrace.bus.requests import Request
from sticktrace.codes.usb_requests import GET_DESCRIPTOR
from sticktrace.sticks.subject import Subject, Unit
from sticktrace.storage.words import Capacity, Inquiry
from sticktrace.transport.exchange import FAILED, PASSED, Exchange


class Source(Protocol):
    """Who can show the data of an exchange."""

    def data(self, exchange: Exchange, limit: int = 4096) -> bytes:
        """The captured data up to a limit."""


_REQUESTS = {
    (0x00, 0x05): "address", (0x00, 0x09): "configuration", (0x01, 0x0B): "interface", (0xA1, 0xFE): "max lun",
    (0x21, 0xFF): "class reset", (0x02, 0x01): "clear halt", (0xA0, 0x06): "hub", (0xA0, 0x00): "hub",
    (0xA3, 0x00): "hub", (0x23, 0x03): "hub", (0x23, 0x01): "hub",
}  # fmt: skip
_DESCRIPTORS = {
    1: "device descriptor", 2: "configuration descriptor", 3: "string", 6: "device qualifier", 15: "BOS descriptor",
}  # fmt: skip

READS = frozenset((0x08, 0x28, 0xA8, 0x88))
WRITES = frozenset((0x0A, 0x2A, 0xAA, 0x8A, 0x2E, 0xAE, 0x8E))
SYNCHRONIZE = frozenset((0x35, 0x91))
TEST_UNIT_READY, REQUEST_SENSE, INQUIRY, START_STOP = 0x00, 0x03, 0x12, 0x1B
READ_CAPACITY_10, SERVICE_ACTION_IN, READ_CAPACITY_16 = 0x25, 0x9E, 0x10
NOT_READY, ILLEGAL_REQUEST, UNIT_ATTENTION = 0x2, 0x5, 0x6


def ask_kind(request: Request) -> str:
    """What kind of request it is, in the words that `Subject.ask` uses."""
    if (request.request_type, request.request) == (0x80, GET_DESCRIPTOR):
        return _DESCRIPTORS.get(request.value >> 8, "other descriptor")
    return _REQUESTS.get((request.request_type, request.request), "other")


def request(item: Request, subject: Subject) -> None:
    """Count a control request."""
    asks = subject.ask(ask_kind(item))
    if subject.first_ns < 0:
        subject.first_ns = item.time_ns
    if item.done:
        asks.done.add(item.end_ns, records=item.records)
        asks.largest = max(asks.largest, item.requested)
    elif item.result != "not seen":
        asks.failed.add(item.end_ns, records=item.records)


def exchange(account: Source, item: Exchange, unit: Unit) -> None:
    """Learn from an exchange what it shows about its unit."""
    opcode, passed = item.opcode, item.status == PASSED
    if opcode in READS or opcode in WRITES:
        _access(item, unit, passed)
    elif opcode == INQUIRY and not (len(item.cdb) > 1 and item.cdb[1] & 3):
        _identity(account, item, unit, passed)
    elif opcode == READ_CAPACITY_10 or (opcode == SERVICE_ACTION_IN and item.cdb[1:2] == bytes((READ_CAPACITY_16,))):
        _capacity(account, item, unit, passed)
    elif opcode == TEST_UNIT_READY and passed:
        _ready(item, unit)
    elif opcode == START_STOP and len(item.cdb) > 4 and item.cdb[4] & 1:
        unit.start_asked = True
    elif opcode in SYNCHRONIZE and passed:
        unit.written, unit.written_ns = 0, -1
    if item.status == FAILED:
        _failed(item, unit)
    if len(item.notes) == 1 and opcode in READS | WRITES and "the opcode's group has" in item.notes[0]:
        unit.habit = item.notes
    if any("several commands waited for" in note for note in item.notes):
        unit.unsure = True


def _access(item: Exchange, unit: Unit, passed: bool) -> None:
    if not passed:
        return
    _ready(item, unit)
    if item.opcode in READS:
        unit.reads += 1
        unit.largest_in = max(unit.largest_in, item.moved)
    else:
        unit.writes += 1
        unit.largest_out = max(unit.largest_out, item.moved)
        unit.written, unit.written_ns = item.number, item.end_ns


def _ready(item: Exchange, unit: Unit) -> None:
    if unit.ready_ns < 0:
        unit.ready_ns, unit.ready_at = item.end_ns, item.number


def _identity(account: Source, item: Exchange, unit: Unit, passed: bool) -> None:
    data = account.data(item, 96) if passed else b""
    found = Inquiry.from_data(data)
    if found is not None:
        unit.identity, unit.identity_at, unit.identity_data = found, item.number, data
    elif not passed:
        unit.identity_bad.add(item.time_ns, item.number, item.records)
    elif not unit.identity_at:
        unit.identity_at = item.number


def _capacity(account: Source, item: Exchange, unit: Unit, passed: bool) -> None:
    if not passed:
        # A refused READ CAPACITY(16) says nothing: the older command follows (SPC-3 Table 27, ILLEGAL REQUEST).
        if item.opcode == READ_CAPACITY_10 or item.sense is None or item.sense.key != ILLEGAL_REQUEST:
            unit.capacity_bad.add(item.time_ns, item.number, item.records)
        return
    found = Capacity.from_data(account.data(item, 32), item.opcode == SERVICE_ACTION_IN)
    if not unit.capacity_at or found is not None:
        unit.capacity_at = item.number
    if found is not None:
        unit.capacity, unit.block = found, found.block_length
        _ready(item, unit)


def _failed(item: Exchange, unit: Unit) -> None:
    unit.failed.add(item.time_ns, item.number, item.records)
    key = item.sense.key if item.sense else -1
    if key == NOT_READY and unit.ready_ns < 0:
        unit.refused.add(item.time_ns, item.number, item.records)
        unit.empty = item.sense is not None and item.sense.asc == 0x3A
    elif key == UNIT_ATTENTION:
        unit.attention.add(item.time_ns, item.number, item.records)
