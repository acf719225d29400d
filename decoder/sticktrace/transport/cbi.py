"""Control/Bulk/Interrupt transport (USB MSC CBI 1.1), as floppy drives speak it: commands by a class request on
endpoint 0 (ADSC), data on the bulk pipes, status on the interrupt pipe or by the end of the data.

There is no wrapper, no tag and no residue. An exchange opens with each ADSC. With protocol 00h the two bytes of the
interrupt pipe close it: for UFI they are ASC and ASCQ (UFI 1.0 3.5, from memory for the section), for other command
sets a type of 0 and a status in the low two bits (CBI 1.1 3.4.3.1, from memory). With protocol 01h the next command
closes it, and a STALL is the only way to fail.
"""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import INTERRUPT, STALL, Transfer
from sticktrace.transport.bot import Read
from sticktrace.transport.gather import Gathering, Unexplained, stray
from sticktrace.transport.items import (
    FAILED,
    MISSING,
    PASSED,
    PHASE_ERROR,
    Direction,
    Exchange,
    Status,
    StrayKind,
    Transport,
)
from sticktrace.transport.remarks import Said, Why
from sticktrace.transport.sequence import Sequence

_UFI = 0x04  # bInterfaceSubClass, MSC Overview 1.4 Table 1
_RESET_BLOCK = b"\x1d\x04"  # CBI 1.1 2.2: the Command Block Reset is a SEND DIAGNOSTIC of FFh bytes


class CbiLane:
    """One CBI interface. ``with_interrupt`` tells that status comes on the interrupt pipe (protocol 00h)."""

    def __init__(
        self, device: Device, bus: int, address: int, subclass: int, with_interrupt: bool, out: Sequence, read: Read,
        interface: int,
    ) -> None:  # fmt: skip
        self.device, self.bus, self.address, self.interface = device, bus, address, interface
        self.inferred = False
        self._ufi, self._with_interrupt = subclass == _UFI, with_interrupt
        self._out, self._read = out, read
        self._open: Gathering | None = None
        self._unexplained = Unexplained(out)
        self._gone: Why | None = None

    def command(self, transfer: Transfer) -> None:
        """Take an ADSC request; its data is the command block."""
        self._close_by_data()
        block = self._read(transfer.data_at, min(16, transfer.captured))
        exchange = Exchange(
            0, transfer.start_ns, self.bus, self.address, block[1] >> 5 if self._ufi and len(block) > 1 else 0, 0,
            block, Direction.NONE, 0, self.device, transport=Transport.CBI,
        )  # fmt: skip
        exchange.command_at = transfer.piece
        exchange.command_ns = exchange.end_ns = transfer.end_ns
        gathering = self._open = Gathering(exchange, transfer, self._out)
        if block[:2] == _RESET_BLOCK:
            gathering.note(Said.BLOCK_RESET)
        if transfer.status == STALL:
            gathering.stalled.append("command")
            self._close(FAILED)

    def feed(self, transfer: Transfer) -> None:
        """Take a transfer of the bulk pipes or of the interrupt pipe."""
        if transfer.kind == INTERRUPT:
            self._status(transfer)
        elif self._open is None:
            self._out.add(stray(self.device, transfer, StrayKind.DATA, Said.STRAY_BYTES, transfer.actual))
        else:
            exchange = self._open.exchange
            exchange.direction = Direction.IN if transfer.endpoint & 0x80 else Direction.OUT
            exchange.expected += max(transfer.requested, transfer.actual)
            self._open.take(transfer)

    def control(self, signal: str, transfer: Transfer | None = None, why: Why = Why.RESET) -> bool:
        """A reset ends the open exchange; a cleared halt belongs to it; it may lack transfers that are missing."""
        if signal == "GONE":
            self._gone = why
            return False
        if self._open is None:
            return False
        if signal == "GAP":
            self._open.note(Said.TRANSFERS_MISSING)
            return False
        if signal == "RESET":
            self._open.note(Said.NO_STATUS, self._gone or why)
            self._close(MISSING)
            return False
        if transfer is not None:
            self._open.touch(transfer)
        return transfer is not None

    def end(self, why: Why = Why.CAPTURE_ENDS) -> None:
        """No more transfers will come."""
        if not self._with_interrupt:
            self._close_by_data()
        self.control("RESET", None, why)
        self._unexplained.let_go()

    def _status(self, transfer: Transfer) -> None:
        data = self._read(transfer.data_at, min(2, transfer.captured))
        gathering = self._open
        if gathering is None:
            self._out.add(stray(self.device, transfer, StrayKind.STATUS, Said.INTERRUPT_ENDS_NOTHING))
            return
        if transfer.waited_ns >= 0:
            gathering.take(transfer)
            return
        if len(data) < 2:
            if transfer.status:
                item = stray(self.device, transfer, StrayKind.ERROR, Said.STATUS_NOT_READ, transfer.status)
            else:
                item = stray(self.device, transfer, StrayKind.STATUS, Said.INTERRUPT_SIZE, transfer.actual)
            self._out.add(item)
            return
        gathering.touch(transfer)
        gathering.exchange.status_at = transfer.piece
        if self._ufi:
            if data != b"\0\0":
                gathering.note(Said.INTERRUPT_SENSE, data[0], data[1])
            self._close(PASSED if data == b"\0\0" else FAILED)
        else:
            self._close((PASSED, FAILED, PHASE_ERROR, FAILED)[data[1] & 3])

    def _close_by_data(self) -> None:
        gathering = self._open
        if gathering is None:
            return
        if any(remark.kind is Said.STILL_WAITING for remark in gathering.remarks):
            return
        if self._with_interrupt:
            gathering.note(Said.NO_STATUS, Why.NEXT_COMMAND)
            self._close(MISSING)
        else:
            self._close(FAILED if gathering.stalled else PASSED)

    def _close(self, status: Status) -> None:
        gathering = self._open
        assert gathering is not None
        self._open = None
        gathering.seal(status)
        self._unexplained.closed(gathering, self._read)
