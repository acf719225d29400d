"""What requests, events and exchanges tell about a stick: identity, readiness, capacity, protection."""

from __future__ import annotations

from collections.abc import Callable

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.capture.transfer import Piece
from sticktrace.codes.usb_requests import GET_DESCRIPTOR
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.storage.words import Capacity, Inquiry, write_protected
from sticktrace.transport.items import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, UNTOLD, Exchange
from sticktrace.transport.remarks import BY_RECORDING, LOST, Said, reason
from sticktrace.transport.run import Run

Read = Callable[[Piece], bytes]

_REQUESTS = {
    (0x00, 0x05): "address", (0x00, 0x09): "configuration", (0x01, 0x0B): "interface", (0xA1, 0xFE): "max lun",
    (0x21, 0xFF): "class reset", (0x02, 0x01): "clear halt", (0xA0, 0x06): "hub", (0xA0, 0x00): "hub",
    (0xA3, 0x00): "hub", (0x23, 0x03): "hub", (0x23, 0x01): "hub",
}  # fmt: skip
_DESCRIPTORS = {
    1: "device descriptor", 2: "configuration descriptor", 3: "string", 6: "device qualifier", 15: "BOS descriptor",
}  # fmt: skip
_OS_STRING = 0x03EE
"""String index EEh: hosts probe every device there for a vendor extension, and a STALL is the usual answer (common
practice)."""
_HEADER = 9
"""Bytes of a configuration descriptor before its first interface (USB 2.0 Table 9-10)."""

READS = frozenset((0x08, 0x28, 0xA8, 0x88))
WRITES = frozenset((0x0A, 0x2A, 0xAA, 0x8A, 0x2E, 0xAE, 0x8E))
ACCESSES = READS | WRITES
SYNCHRONIZE = frozenset((0x35, 0x91))
TEST_UNIT_READY, REQUEST_SENSE, INQUIRY, START_STOP = 0x00, 0x03, 0x12, 0x1B
READ_CAPACITY_10, SERVICE_ACTION_IN, READ_CAPACITY_16 = 0x25, 0x9E, 0x10
MODE_SENSE = frozenset((0x1A, 0x5A))
NOT_READY, ILLEGAL_REQUEST, UNIT_ATTENTION = 0x2, 0x5, 0x6
BROKEN = frozenset((MISSING, INVALID, PHASE_ERROR))
"""Statuses of a command that went wrong on the transport."""

_EVENT_STAGES = {
    Happening.ATTACHED: Stage.ATTACH, Happening.ADDRESS: Stage.ADDRESS, Happening.CONFIGURED: Stage.CONFIGURATION,
}  # fmt: skip


def ask_kind(request: Request) -> str:
    """What kind of request it is, in the words that `Stick.ask` uses."""
    if (request.request_type, request.request) == (0x80, GET_DESCRIPTOR):
        if request.value & 0xFFFF == _OS_STRING:
            return "other descriptor"
        return _DESCRIPTORS.get(request.value >> 8, "other descriptor")
    return _REQUESTS.get((request.request_type, request.request), "other")


def cut_short(exchange: Exchange) -> bool:
    """Whether the recording, not the bus, is why an exchange is incomplete."""
    return reason(exchange.remarks) in BY_RECORDING or any(remark.kind in LOST for remark in exchange.remarks)


def request(item: Request, stick: Stick) -> None:
    """Count a control request."""
    kind = ask_kind(item)
    asks = stick.ask(kind)
    if item.done:
        asks.done.add(item.end_ns, records=item.records)
        asks.largest = max(asks.largest, item.requested)
        if kind == "configuration descriptor" and item.actual > _HEADER:
            stick.reach(Stage.DESCRIPTORS, item.end_ns, 0, item.records)
    elif item.result != "not seen":
        asks.failed.add(item.end_ns, records=item.records)
    stick.last_request, stick.last_was_exchange = item, False


def event(item: BusEvent, stick: Stick) -> None:
    """Take note of a bus event."""
    stick.happened(item.kind).add(item.time_ns, records=item.records)
    stage = _EVENT_STAGES.get(item.kind)
    if stage is not None and item.done:
        stick.reach(stage, item.time_ns, 0, item.records)
    if item.kind is Happening.DETACHED:
        stick.detached = item


def exchange(item: Exchange, unit: Unit, read: Read) -> None:
    """Learn from an exchange what it shows about its unit and its stick."""
    opcode, passed, stick = item.opcode, item.status is PASSED, unit.stick
    stick.transports.add(item.transport)
    stick.first_exchange = stick.first_exchange or item
    unit.first = unit.first or item.number
    stick.cut_short = item.status is MISSING and cut_short(item)
    stick.transport_bad += item.status in BROKEN
    if stick.cut_short:
        return
    stick.failures += not item.went_well and item.status is not UNTOLD
    if passed or item.status is FAILED:
        stick.reach(Stage.TRANSPORT, item.end_ns, item.number)
    if passed:
        _passed(item, opcode, unit, read)
    elif item.went_well:
        return
    elif opcode == INQUIRY and not _vital(item):
        unit.identity_bad.add(item.time_ns, item.number, item.records)
    elif _asks_capacity(item) and not _refuses_the_long_form(item):
        unit.capacity_bad.add(item.time_ns, item.number, item.records)
    if item.status is FAILED:
        _failed(item, unit)
    if any(remark.kind is Said.OWNER_UNSURE for remark in item.remarks):
        unit.unsure = True


def access(item: Exchange, unit: Unit) -> None:
    """A READ or WRITE that passed."""
    if unit.ready_ns < 0:
        _ready(item, unit)
    unit.accessed, unit.accessed_ns = item.number, item.end_ns
    if item.opcode in READS:
        unit.reads += 1
        unit.busy_ns += item.end_ns - item.time_ns
        if item.moved > unit.largest_in:
            unit.largest_in = item.moved
    else:
        unit.writes += 1
        unit.busy_ns += item.end_ns - item.time_ns
        unit.written, unit.written_ns = item.number, item.end_ns
        if item.moved > unit.largest_out:
            unit.largest_out = item.moved


def accesses(run: Run, unit: Unit) -> bool:
    """READs and WRITEs that passed, all at once; False, and nothing learned, where there is another command among
    them. See `access`."""
    import numpy as np

    columns = run.columns
    reads, writes = (np.isin(run.opcodes, list(opcodes)) for opcodes in (READS, WRITES))
    if not (reads | writes).all():
        return False
    unit.accessed, unit.accessed_ns = run.number + len(run) - 1, int(columns.end_ns[-1])
    unit.busy_ns += int((columns.end_ns - columns.time_ns).sum())
    unit.reads += int(reads.sum())
    unit.writes += int(writes.sum())
    if reads.any():
        unit.largest_in = max(unit.largest_in, int(columns.expected[reads].max()))
    if writes.any():
        last = int(np.flatnonzero(writes)[-1])
        unit.written, unit.written_ns = run.number + last, int(columns.end_ns[last])
        unit.largest_out = max(unit.largest_out, int(columns.expected[writes].max()))
    return True


def _passed(item: Exchange, opcode: int, unit: Unit, read: Read) -> None:
    if opcode in ACCESSES:
        access(item, unit)
    elif opcode == INQUIRY and not _vital(item):
        _identity(item, unit, read)
    elif _asks_capacity(item):
        _capacity(item, unit, read)
    elif opcode == TEST_UNIT_READY:
        _ready(item, unit)
    elif opcode == START_STOP and len(item.cdb) > 4 and item.cdb[4] & 1:
        unit.start_asked = True
    elif opcode in SYNCHRONIZE:
        unit.written, unit.written_ns = 0, -1
    elif opcode in MODE_SENSE:
        told = write_protected(opcode, _data(item, read))
        unit.write_protected = unit.write_protected if told is None else told


def _data(item: Exchange, read: Read, limit: int = 96) -> bytes:
    """The first bytes of an answer, as far as they lie together in the capture; b"" without any."""
    found = b""
    for piece in item.pieces:
        found += read(piece._replace(captured=min(piece.captured, limit - len(found))))
        if piece.captured < piece.actual or len(found) >= limit:
            break
    return found


def _vital(item: Exchange) -> bool:
    """Whether an INQUIRY asks for vital product data or command support (EVPD, CMDDT; SPC-3 6.4.1)."""
    return len(item.cdb) > 1 and bool(item.cdb[1] & 3)


def _asks_capacity(item: Exchange) -> bool:
    if item.opcode == READ_CAPACITY_10:
        return True
    return item.opcode == SERVICE_ACTION_IN and len(item.cdb) > 1 and item.cdb[1] & 0x1F == READ_CAPACITY_16


def _refuses_the_long_form(item: Exchange) -> bool:
    """A refused READ CAPACITY(16) says nothing: the older command follows (SPC-3 Table 27, ILLEGAL REQUEST)."""
    return item.opcode != READ_CAPACITY_10 and item.sense is not None and item.sense.key == ILLEGAL_REQUEST


def _ready(item: Exchange, unit: Unit) -> None:
    if unit.ready_ns < 0:
        unit.ready_ns, unit.ready_at = item.end_ns, item.number
        unit.reach(Stage.READY, item)


def _identity(item: Exchange, unit: Unit, read: Read) -> None:
    unit.identity_at = unit.identity_at or item.number
    unit.reach(Stage.IDENTITY, item)
    data = _data(item, read)
    found = Inquiry.from_data(data)
    if found is None:
        return
    unit.tell(found, item)
    if len(data) >= len(unit.identity_data) or (found.vendor and found.product):
        unit.identity, unit.identity_data, unit.identity_at = found, data, item.number


def _capacity(item: Exchange, unit: Unit, read: Read) -> None:
    unit.capacity_at = unit.capacity_at or item.number
    found = Capacity.from_data(_data(item, read), item.opcode == SERVICE_ACTION_IN)
    if found is None or found.beyond:
        unit.beyond = unit.beyond or found is not None
        _ready(item, unit)
        unit.reach(Stage.CAPACITY, item)
        return
    unit.tell(found, item)
    unit.capacity, unit.block, unit.capacity_at = found, found.block_length, item.number
    _ready(item, unit)
    unit.reach(Stage.CAPACITY, item)


def _failed(item: Exchange, unit: Unit) -> None:
    unit.failed.add(item.time_ns, item.number, item.records)
    key = item.sense.key if item.sense else -1
    if key == NOT_READY and unit.ready_ns < 0:
        unit.refused.add(item.time_ns, item.number, item.records)
        unit.empty = item.sense is not None and item.sense.asc == 0x3A
    elif key == UNIT_ATTENTION:
        unit.attention.add(item.time_ns, item.number, item.records)
