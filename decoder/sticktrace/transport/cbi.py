"""Control/Bulk/Interrupt transport (USB MSC CBI 1.1), as floppy drives speak it: commands by a class request on
endpoint 0 (ADSC), data on the bulk pipes, status on the interrupt pipe or by the end of the data.

There is no wrapper, no tag and no residue. An exchange opens with each ADSC. With protocol 00h the two bytes of the
interrupt pipe close it: for UFI they are ASC and ASCQ (UFI 1.0 3.5, from memory for the section), for other command
sets a type of 0 and a status in the low two bits (CBI 1.1 3.4.3.1, from memory). With protocol 01h the next command
closes it, and a STALL is the only way to fail.
"""

from __future__ import annotations

from sticktrace.capture.transfer import STALL, Piece, Transfer
from sticktrace.transport.bot import Read
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import FAILED, MISSING, PASSED, PHASE_ERROR, Exchange, Sense
from sticktrace.transport.sense import boil
from sticktrace.transport.sequence import Sequence

_UFI = 0x04  # bInterfaceSubClass, MSC Overview 1.4 Table 1
_REQUEST_SENSE = 0x03
_RESET_BLOCK = b"\x1d\x04"  # CBI 1.1 2.2: the Command Block Reset is a SEND DIAGNOSTIC of FFh bytes


class CbiLane:
    """One CBI interface. ``interrupt`` tells that status comes on the interrupt pipe (protocol 00h)."""

    def __init__(self, bus: int, address: int, subclass: int, interrupt: bool, out: Sequence, read: Read) -> None:
        self.bus, self.address = bus, address
        self._ufi, self._interrupt = subclass == _UFI, interrupt
        self._out, self._read = out, read
        self._open: Exchange | None = None
        self._records: list[int] = []
        self._pieces: list[Piece] = []
        self._notes: list[str] = []
        self._stalled: list[str] = []
        self._unexplained: Exchange | None = None

    def command(self, transfer: Transfer) -> None:
        """Take an ADSC request; its data is the command block."""
        self._close_by_data()
        block = self._read(transfer.data_at, min(16, transfer.captured))
        exchange = Exchange(
            0, transfer.start_ns, self.bus, self.address, block[1] >> 5 if self._ufi and len(block) > 1 else 0, 0,
            block, "none", 0, transport="CBI",
        )  # fmt: skip
        exchange.command_at = transfer.piece
        exchange.command_ns = exchange.end_ns = transfer.end_ns
        self._open = exchange
        self._records = list(transfer.records)
        self._pieces, self._notes, self._stalled = [], [], []
        self._out.begin(exchange)
        if block[:2] == _RESET_BLOCK:
            self._notes.append("Command Block Reset (CBI 1.1 2.2)")
        if transfer.status == STALL:
            self._stalled.append("command")
            self._close(FAILED)

    def feed(self, transfer: Transfer) -> None:
        """Take a transfer of the bulk pipes or of the interrupt pipe."""
        if transfer.kind == 1:
            self._status(transfer)
            return
        exchange = self._open
        if exchange is None:
            self._out.add(
                Stray(
                    transfer.start_ns, self.bus, self.address, transfer.endpoint, "stray data",
                    f"{transfer.actual} bytes of data outside any exchange", transfer.piece, transfer.records,
                )
            )  # fmt: skip
            return
        exchange.direction = "in" if transfer.endpoint & 0x80 else "out"
        exchange.expected += max(transfer.requested, transfer.actual)
        exchange.moved += transfer.actual
        exchange.data_ns = exchange.end_ns = transfer.end_ns
        exchange.truncated |= transfer.captured < transfer.actual
        self._pieces.append(transfer.piece)
        self._records += transfer.records
        if transfer.status == STALL:
            self._stalled.append("data")
        elif transfer.status and transfer.status != -121:
            self._notes.append(f"a data transfer ended with status {transfer.status}")

    def control(self, signal: str, transfer: Transfer | None = None, why: str = "") -> bool:
        """A reset ends the open exchange; a cleared halt belongs to it."""
        if self._open is None:
            return False
        if signal != "RESET":
            if transfer is not None:
                self._records += transfer.records
            return transfer is not None
        self._notes.append(f"no status: {why or 'a reset ended it'}")
        self._close(MISSING)
        return False

    def end(self, why: str = "the capture ends here") -> None:
        """No more transfers will come."""
        if not self._interrupt:
            self._close_by_data()
        self.control("RESET", None, why)
        self._settle()

    def _status(self, transfer: Transfer) -> None:
        data = self._read(transfer.data_at, min(2, transfer.captured))
        exchange = self._open
        if exchange is None or len(data) < 2:
            self._out.add(
                Stray(
                    transfer.start_ns, self.bus, self.address, transfer.endpoint, "stray status",
                    "an interrupt that ends no command", transfer.piece, transfer.records,
                )
            )  # fmt: skip
            return
        exchange.end_ns = transfer.end_ns
        exchange.status_at = transfer.piece
        self._records += transfer.records
        if self._ufi:
            if data != b"\0\0":
                self._notes.append(f"the interrupt says ASC {data[0]:02X}h, ASCQ {data[1]:02X}h")
            self._close(PASSED if data == b"\0\0" else FAILED)
        else:
            self._close((PASSED, FAILED, PHASE_ERROR, FAILED)[data[1] & 3])

    def _close_by_data(self) -> None:
        if self._open is not None:
            if self._interrupt:
                self._notes.append("no status: the host sent the next command")
                self._close(MISSING)
            else:
                self._close(FAILED if self._stalled else PASSED)

    def _close(self, status: str) -> None:
        exchange = self._open
        assert exchange is not None
        self._open = None
        exchange.status = status
        exchange.records = tuple(sorted(self._records))
        exchange.pieces = tuple(self._pieces)
        exchange.notes = tuple(self._notes)
        exchange.stalled = tuple(dict.fromkeys(self._stalled))
        if exchange.opcode == _REQUEST_SENSE and self._unexplained is not None and exchange.pieces:
            first = exchange.pieces[0]
            found = boil(self._read(first.at, min(first.captured, 252)))
            if found is not None:
                self._unexplained.sense = Sense(*found, exchange.number, first)
        self._settle()
        if status == FAILED and exchange.opcode != _REQUEST_SENSE:
            self._unexplained = exchange
        else:
            self._out.done(exchange)

    def _settle(self) -> None:
        if self._unexplained is not None:
            self._out.done(self._unexplained)
            self._unexplained = None
