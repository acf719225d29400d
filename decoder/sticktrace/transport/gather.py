"""What the lanes of all transports share: gathering an open exchange, and the sense that explains a failed one."""

from __future__ import annotations

from collections.abc import Callable

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import NO_DATA, STALL, Piece, Transfer
from sticktrace.capture.wire import together
from sticktrace.transport.items import FAILED, PASSED, Exchange, Field, Sense, Status, Stray, StrayKind
from sticktrace.transport.remarks import Remark, Said
from sticktrace.transport.sense import boil
from sticktrace.transport.sequence import Place, Sequence

SHORT_READ = -121
"""EREMOTEIO: data ended early. The emulator's recording also writes it for a stall."""

MOST_REMARKS = 20
"""Remarks kept of one exchange; a thousand failed polls say no more than twenty."""

_REQUEST_SENSE = 0x03
_INQUIRY_CODE = 0x12
_new = tuple.__new__  # see transport/bot.py
_LONGEST_SENSE = 252  # SPC-3 4.5.1


class Gathering(Place):
    """An exchange that is still open, with what was gathered for it; it is its own place in the sequence."""

    __slots__ = ("_more", "exchange", "pieces", "records", "remarks", "short", "stalled", "wire")

    def __init__(self, exchange: Exchange, transfer: Transfer, out: Sequence) -> None:
        self.item = self.exchange = exchange
        self.done = False
        self.explained_by = None
        self.records = list(transfer.records)
        self.wire = transfer.wire
        self.pieces: list[Piece] = []
        self.remarks: list[Remark] = []
        self.stalled: list[str] = []
        self.short = False
        self._more = 0
        out.begin(self)

    def note(self, kind: Said, *numbers: int) -> None:
        """Keep a remark, once, up to a limit."""
        remark = Remark(kind, numbers)
        if remark in self.remarks:
            return
        if len(self.remarks) < MOST_REMARKS:
            self.remarks.append(remark)
        else:
            self._more += 1

    def touch(self, transfer: Transfer) -> None:
        """A transfer belongs here, though it moved nothing that counts as data."""
        self.records += transfer.records
        if transfer.wire is not None:
            self.wire = together(self.wire, transfer.wire)
        end = transfer.completed_ns
        self.exchange.end_ns = end if end >= 0 else transfer.submitted_ns

    def take(self, transfer: Transfer) -> None:
        """A data transfer."""
        if transfer.status is None and transfer.waited_ns >= 0:
            self.touch(transfer)
            self.wait(transfer)
            return
        exchange = self.exchange
        actual, captured = transfer.actual, transfer.captured
        exchange.moved += actual
        end = transfer.completed_ns
        exchange.data_ns = exchange.end_ns = end if end >= 0 else transfer.submitted_ns
        self.pieces.append(_new(Piece, (transfer.data_at, captured if captured < actual else actual, actual)))
        self.records += transfer.records
        if transfer.wire is not None:
            self.wire = together(self.wire, transfer.wire)
        if captured < actual:
            exchange.truncated = True
        self.short = actual < transfer.requested or (transfer.wire is not None and transfer.wire.short)
        status = transfer.status
        if status is None:
            exchange.truncated = True
            self.note(Said.DATA_END_LOST)
        elif status == STALL:
            self.stalled.append("data")
        elif status and status != SHORT_READ:
            self.note(Said.DATA_FAILED, actual, status)

    def wait(self, transfer: Transfer) -> None:
        """A transfer that still waits when the capture ends: nothing is known to have moved."""
        self.exchange.end_ns = transfer.submitted_ns + transfer.waited_ns
        self.note(Said.STILL_WAITING, transfer.waited_ns)

    def missed(self, transfer: Transfer) -> None:
        """A read whose completion the recording lost."""
        self.records += transfer.records
        self.wire = together(self.wire, transfer.wire)
        self.note(Said.READ_END_LOST)

    def seal(self, status: Status) -> Exchange:
        """Write what was gathered into the exchange."""
        exchange = self.exchange
        exchange.status = status
        self.records.sort()
        exchange.records = tuple(self.records)
        exchange.wire = self.wire
        if self.pieces:
            exchange.pieces = tuple(self.pieces)
        if self._more:
            self.remarks.append(Remark(Said.MORE, (self._more,)))
        if self.remarks:
            exchange.remarks = tuple(self.remarks)
        if self.stalled:
            exchange.stalled = tuple(dict.fromkeys(self.stalled))
        return exchange


class Unexplained:
    """Failed exchanges that wait for the sense which the next command on their unit may fetch (SPC-4 6.39)."""

    __slots__ = ("_out", "_waiting")

    def __init__(self, out: Sequence) -> None:
        self._out = out
        self._waiting: dict[int, Gathering] = {}

    def __bool__(self) -> bool:
        return bool(self._waiting)

    def closed(self, gathering: Gathering, read: Callable[[int, int], bytes]) -> None:
        """An exchange was closed. What waited on its unit is settled; if it failed itself, it waits in turn."""
        exchange = gathering.exchange
        if exchange.cdb and exchange.cdb[0] == _INQUIRY_CODE:
            learn_type(exchange, read)
        if exchange.status is not FAILED and not self._waiting:
            self._out.done(gathering)
            return
        waiting = self._waiting.pop(exchange.lun, None)
        if waiting is not None:
            if exchange.opcode == _REQUEST_SENSE and exchange.pieces:
                self._explain(waiting, gathering, read)
            self._out.done(waiting)
        if exchange.status is FAILED and exchange.opcode != _REQUEST_SENSE and exchange.sense is None:
            self._waiting[exchange.lun] = gathering
        else:
            self._out.done(gathering)

    @staticmethod
    def _explain(waiting: Gathering, gathering: Gathering, read: Callable[[int, int], bytes]) -> None:
        exchange = gathering.exchange
        at, counts = exchange.pieces[0].at, _sense_span(exchange)
        found = boil(read(at, counts))
        if found is None:
            return
        whole = Field.SENSE_REST not in exchange.not_printed
        waiting.exchange.sense = Sense(*found, 0, Piece(at, counts, counts) if whole else NO_DATA)
        waiting.explained_by = gathering
        if exchange.residue and exchange.residue >= exchange.expected:
            waiting.note(Said.SENSE_DOUBTED)
            waiting.exchange.remarks = tuple(waiting.remarks)

    def let_go(self, remark: Remark | None = None) -> None:
        """Nothing more will come; the remark says why, if it is not the end."""
        for waiting in self._waiting.values():
            if remark is not None:
                waiting.exchange.remarks += (remark,)
            self._out.done(waiting)
        self._waiting.clear()


def _sense_span(exchange: Exchange) -> int:
    """How many bytes at the start of a REQUEST SENSE's data count as sense."""
    counts = min(exchange.pieces[0].captured, _LONGEST_SENSE)
    residue = exchange.residue
    if residue and residue < exchange.expected:
        # A residue of the whole length would mean that no sense came; sticks that lie so send good sense all the same.
        counts = min(counts, exchange.expected - residue)
    return counts


def learn_type(exchange: Exchange, read: Callable[[int, int], bytes]) -> None:
    """Standard INQUIRY data begin with the PERIPHERAL DEVICE TYPE of the unit (SPC-3 6.4.2); it decides what some
    operation codes mean."""
    cdb = exchange.cdb
    if exchange.status is PASSED and exchange.pieces and len(cdb) > 1 and not cdb[1] & 3:
        head = read(exchange.pieces[0].at, min(1, exchange.pieces[0].captured))
        if head:
            exchange.device.unit_types[exchange.lun] = head[0] & 0x1F


def stray(device: Device, transfer: Transfer, kind: StrayKind, said: Said, *numbers: int) -> Stray:
    """A transfer of a storage pipe of the device that belongs to no exchange."""
    return Stray(
        transfer.start_ns, transfer.bus, transfer.address, transfer.endpoint, device, kind, Remark(said, numbers),
        transfer.piece if transfer.actual else NO_DATA, transfer.records, transfer.wire,
    )  # fmt: skip
