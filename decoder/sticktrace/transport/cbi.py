"""Control/Bulk/Interrupt transport (USB MSC CBI 1.1), as floppy drives speak it: commands by a class request on
endpoint 0 (ADSC), data on the bulk pipes, status on the interrupt pipe or by the end of the data.

There is no wrapper, no tag and no residue. An exchange opens with each ADSC. With protocol 00h the two bytes of the
interrupt pipe close it: for UFI they are ASC and ASCQ (UFI 1.0 3.5, from memory for the section), for other command
sets a type of 0 and a status in the low two bits (CBI 1.1 3.4.3.1, from memory). With protocol 01h the next command
closes it, and a STALL is the only way to fail.
"""

from __future__ import annotations

from sticktrace.capture.transfer import INTERRUPT, STALL, Transfer
from sticktrace.codes.status import in_words
from sticktrace.text import count_of
from sticktrace.transport.bot import Read
from sticktrace.transport.exchange import FAILED, MISSING, PASSED, PHASE_ERROR, Exchange
from sticktrace.transport.gather import Gathering, Unexplained, stray
from sticktrace.transport.sequence import Sequence

_UFI = 0x04  # bInterfaceSubClass, MSC Overview 1.4 Table 1
_RESET_BLOCK = b"\x1d\x04"  # CBI 1.1 2.2: the Command Block Reset is a SEND DIAGNOSTIC of FFh bytes


class CbiLane:
    """One CBI interface. ``with_interrupt`` tells that status comes on the interrupt pipe (protocol 00h)."""

    def __init__(
        self, bus: int, address: int, subclass: int, with_interrupt: bool, out: Sequence, read: Read, interface: int
    ) -> None:
        self.bus, self.address, self.interface = bus, address, interface
        self.inferred = False
        self._ufi, self._with_interrupt = subclass == _UFI, with_interrupt
        self._out, self._read = out, read
        self._open: Gathering | None = None
        self._unexplained = Unexplained(out)
        self._gone = ""

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
        gathering = self._open = Gathering(exchange, transfer, self._out)
        if block[:2] == _RESET_BLOCK:
            gathering.note("Command Block Reset (CBI 1.1 2.2)")
        if transfer.status == STALL:
            gathering.stalled.append("command")
            self._close(FAILED)

    def feed(self, transfer: Transfer) -> None:
        """Take a transfer of the bulk pipes or of the interrupt pipe."""
        if transfer.kind == INTERRUPT:
            self._status(transfer)
        elif self._open is None:
            self._out.add(stray(transfer, "stray data", f"{transfer.actual} bytes of data outside any exchange"))
        else:
            exchange = self._open.exchange
            exchange.direction = "in" if transfer.endpoint & 0x80 else "out"
            exchange.expected += max(transfer.requested, transfer.actual)
            self._open.take(transfer)

    def control(self, signal: str, transfer: Transfer | None = None, why: str = "") -> bool:
        """A reset ends the open exchange; a cleared halt belongs to it."""
        if signal == "GONE":
            self._gone = why
            return False
        if self._open is None:
            return False
        if signal == "RESET":
            self._open.note(f"no status: {self._gone or why or 'the host reset the device'}")
            self._close(MISSING)
            return False
        if transfer is not None:
            self._open.touch(transfer)
        return transfer is not None

    def end(self, why: str = "the capture ends here") -> None:
        """No more transfers will come."""
        if not self._with_interrupt:
            self._close_by_data()
        self.control("RESET", None, why)
        self._unexplained.let_go()

    def _status(self, transfer: Transfer) -> None:
        data = self._read(transfer.data_at, min(2, transfer.captured))
        gathering = self._open
        if gathering is None:
            self._out.add(stray(transfer, "stray status", "an interrupt that ends no command"))
            return
        if len(data) < 2:
            reason = f"an interrupt of {count_of(transfer.actual, 'byte')} instead of 2"
            if transfer.status:
                reason = f"the status was not read: {in_words(transfer.status)}"
            self._out.add(stray(transfer, "stray error" if transfer.status else "stray status", reason))
            return
        gathering.touch(transfer)
        gathering.exchange.status_at = transfer.piece
        if self._ufi:
            if data != b"\0\0":
                gathering.note(f"the interrupt says ASC {data[0]:02X}h, ASCQ {data[1]:02X}h")
            self._close(PASSED if data == b"\0\0" else FAILED)
        else:
            self._close((PASSED, FAILED, PHASE_ERROR, FAILED)[data[1] & 3])

    def _close_by_data(self) -> None:
        gathering = self._open
        if gathering is None:
            return
        if self._with_interrupt:
            gathering.note("no status: the next command came before it")
            self._close(MISSING)
        else:
            self._close(FAILED if gathering.stalled else PASSED)

    def _close(self, status: str) -> None:
        gathering = self._open
        assert gathering is not None
        self._open = None
        gathering.seal(status)
        self._unexplained.closed(gathering, self._read)
