"""USB Attached SCSI (INCITS 471, T10 2095-D): information units on four pipes, paired by tag into exchanges.

Several commands may be open at once. At high speed a Read Ready or Write Ready unit names the tag whose data follows;
at SuperSpeed streams do that, which host captures do not record, so data is given to the oldest open command that
waits for data in that direction and says so in a note when more than one could be meant.
"""

from __future__ import annotations

from sticktrace.capture.transfer import STALL, Piece, Transfer
from sticktrace.codes.scsi import cdb_length
from sticktrace.transport.bot import Overdue, Read
from sticktrace.transport.cases import intent
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import FAILED, MISSING, PASSED, Exchange, Sense
from sticktrace.transport.sense import boil
from sticktrace.transport.sequence import Sequence

COMMAND, SENSE, RESPONSE, TASK_MANAGEMENT, READ_READY, WRITE_READY = 0x01, 0x03, 0x04, 0x05, 0x06, 0x07
"""IU identifiers (INCITS 471 Table 10, from memory for the table number)."""

_STATUS_UNITS = (SENSE, RESPONSE, READ_READY, WRITE_READY)
_GOOD, _CHECK_CONDITION = 0x00, 0x02
_RESPONSES = {0x02: "invalid IU", 0x04: "task management not supported", 0x05: "task management failed",
              0x09: "incorrect LUN", 0x0A: "overlapped tag"}  # fmt: skip


class _Command:
    """An open command and what was gathered for it."""

    __slots__ = ("exchange", "notes", "pieces", "records", "stalled")

    def __init__(self, exchange: Exchange, records: tuple[int, ...]) -> None:
        self.exchange = exchange
        self.records = list(records)
        self.pieces: list[Piece] = []
        self.notes: list[str] = []
        self.stalled: list[str] = []


class UasLane:
    """The four pipes of one UAS interface, told apart by their usage: "command", "status", "data in", "data out"."""

    def __init__(
        self, bus: int, address: int, usage: dict[int, str], out: Sequence, read: Read, overdue: Overdue
    ) -> None:
        self.bus, self.address = bus, address
        self._usage = usage
        self._out, self._read, self._overdue = out, read, overdue
        self._open: dict[int, _Command] = {}
        self._ready: dict[str, int] = {}
        self._settling: tuple[_Command, str] | None = None
        self.inferred = not usage

    @staticmethod
    def looks_like_command(read: Read, transfer: Transfer) -> bool:
        """Whether a transfer of an unknown pipe is a command IU: OUT, 32 bytes, its id, reserved bytes zero, no longer
        CDB announced, a LUN below 256 and a tag (INCITS 471, COMMAND IU)."""
        if transfer.endpoint & 0x80 or transfer.actual != 32 or transfer.captured < 17:
            return False
        unit = read(transfer.data_at, 17)
        return unit[:2] == b"\x01\x00" and unit[2:4] != b"\0\0" and unit[5:9] == bytes(4) and unit[10:16] == bytes(6)

    def wants(self, transfer: Transfer) -> bool:
        """For a lane inferred from a command IU: whether this transfer of an unknown pipe belongs to it. If so its
        endpoint is given the usage that its content shows."""
        if self.looks_like_command(self._read, transfer):
            usage = "command"
        elif transfer.endpoint & 0x80:
            unit = self._read(transfer.data_at, min(transfer.captured, 4))
            fits = len(unit) == 4 and unit[0] in _STATUS_UNITS and self._tag(unit) in self._open
            usage = "status" if fits else "data in"
        else:
            usage = "data out"
        if usage in self._usage.values() or (not self._open and usage != "command"):
            return False
        self._usage[transfer.endpoint] = usage
        return True

    def feed(self, transfer: Transfer) -> None:
        """Take one bulk transfer."""
        usage = self._usage.get(transfer.endpoint, "")
        if self._settling is not None and not usage.startswith("data"):
            self._close(*self._settling)
        if usage == "command":
            self._command(transfer)
            return
        for late in self._overdue(self.bus, self.address, transfer.end_ns) if self._early(usage, transfer) else ():
            self.feed(late)
        if usage == "status":
            self._status(transfer)
        else:
            self._data(transfer, usage)

    def control(self, signal: str, transfer: Transfer | None = None, why: str = "") -> bool:
        """A reset ends every open command; clearing a halt changes nothing here."""
        if signal == "RESET":
            if self._settling is not None:
                self._close(*self._settling)
            for command in list(self._open.values()):
                command.notes.append(f"no sense IU: {why or 'a reset ended it'}")
                self._close(command, MISSING)
        return False

    def end(self, why: str = "the capture ends here") -> None:
        """No more transfers will come."""
        self.control("RESET", None, why)

    def _early(self, usage: str, transfer: Transfer) -> bool:
        """Whether this answers a command that has not been seen."""
        if usage != "status" or transfer.captured < 4:
            return False
        return self._tag(self._read(transfer.data_at, 4)) not in self._open

    @staticmethod
    def _tag(unit: bytes) -> int:
        return int.from_bytes(unit[2:4], "big")

    def _command(self, transfer: Transfer) -> None:
        unit = self._read(transfer.data_at, min(transfer.captured, 32))
        if len(unit) < 17 or unit[0] != COMMAND:
            kind = "task management" if unit[:1] == bytes([TASK_MANAGEMENT]) else "invalid command"
            self._stray(transfer, kind, f"{transfer.actual} bytes on the command pipe that are no command IU")
            return
        tag = self._tag(unit)
        if tag in self._open:
            self._open[tag].notes.append("no sense IU: its tag was used again")
            self._close(self._open[tag], MISSING)
        cdb = unit[16 : 16 + (cdb_length(unit[16]) or 16)]
        # A command IU announces no length; `expected` grows with what the host asks of the data pipes.
        exchange = Exchange(
            0, transfer.start_ns, self.bus, self.address, _lun(unit[8:16]), tag, cdb, "none", 0, transport="UAS"
        )
        exchange.command_at = transfer.piece
        exchange.command_ns = exchange.end_ns = transfer.end_ns
        self._open[tag] = _Command(exchange, transfer.records)
        self._out.begin(exchange)
        if transfer.status:
            self._open[tag].notes.append(f"the command transfer ended with status {transfer.status}")

    def _status(self, transfer: Transfer) -> None:
        unit = self._read(transfer.data_at, min(transfer.captured, 16 + 252))
        command = self._open.get(self._tag(unit)) if len(unit) >= 4 else None
        if command is None:
            kind = "stray stall" if transfer.status == STALL else "stray error" if transfer.status else "stray status"
            self._stray(transfer, kind, f"status pipe: {transfer.actual} bytes that answer no open command")
            return
        command.records += transfer.records
        command.exchange.end_ns = transfer.end_ns
        identifier = unit[0]
        if identifier in (READ_READY, WRITE_READY):
            self._ready["data in" if identifier == READ_READY else "data out"] = command.exchange.tag
        elif identifier == SENSE and len(unit) >= 7:
            self._sense(command, unit, transfer)
        elif identifier == RESPONSE and len(unit) >= 8:
            command.notes.append(f"response IU {unit[7]:02X}h: {_RESPONSES.get(unit[7], 'see INCITS 471')}")
            self._close(command, FAILED)
        else:
            command.notes.append(f"an IU {identifier:02X}h on the status pipe that is not understood")

    def _sense(self, command: _Command, unit: bytes, transfer: Transfer) -> None:
        exchange = command.exchange
        exchange.status_at = transfer.piece
        status = unit[6]
        length = int.from_bytes(unit[14:16], "big")
        found = boil(unit[16 : 16 + length])
        if status == _CHECK_CONDITION and found is not None:
            at = Piece(transfer.data_at + 16, min(length, max(0, transfer.captured - 16)), length)
            exchange.sense = Sense(*found, 0, at)
        elif status != _GOOD and status != _CHECK_CONDITION:
            command.notes.append(f"SCSI status {status:02X}h")
        outcome = PASSED if status == _GOOD else FAILED
        if exchange.tag in self._ready.values() and not command.pieces:
            self._settling = command, outcome  # the host may see the sense IU before the end of the data transfer
        else:
            self._close(command, outcome)

    def _data(self, transfer: Transfer, usage: str) -> None:
        command = self._owner(usage, transfer)
        if command is None:
            self._stray(transfer, "stray data", f"{transfer.actual} bytes of data while no command waits for them")
            return
        exchange = command.exchange
        exchange.direction = "in" if usage == "data in" else "out"
        exchange.expected += max(transfer.requested, transfer.actual)
        exchange.moved += transfer.actual
        exchange.data_ns = exchange.end_ns = transfer.end_ns
        command.records += transfer.records
        command.pieces.append(transfer.piece)
        if transfer.captured < transfer.actual:
            exchange.truncated = True
        if transfer.status == STALL:
            command.stalled.append("data")
        elif transfer.status and transfer.status != -121:
            command.notes.append(f"a data transfer ended with status {transfer.status}")
        if self._settling is not None and self._settling[0] is command:
            self._close(*self._settling)

    def _owner(self, usage: str, transfer: Transfer) -> _Command | None:
        ready = self._open.get(self._ready.get(usage, -1))
        if ready is not None:
            return ready
        wish = "in" if usage == "data in" else "out"
        waiting = [c for c in self._open.values() if intent(c.exchange.cdb) in (wish, "") and not c.pieces]
        before = [c for c in waiting if c.exchange.time_ns <= transfer.start_ns] or waiting
        if len(before) > 1:
            before[0].notes.append("several commands waited for data; the oldest is taken as its owner")
        return before[0] if before else None

    def _close(self, command: _Command, status: str) -> None:
        exchange = command.exchange
        exchange.status = status
        if status in (PASSED, FAILED):
            exchange.residue = max(0, exchange.expected - exchange.moved)
        if self._settling is not None and self._settling[0] is command:
            self._settling = None
        exchange.records = tuple(sorted(command.records))
        exchange.pieces = tuple(command.pieces)
        exchange.notes = tuple(command.notes)
        exchange.stalled = tuple(command.stalled)
        self._open.pop(exchange.tag, None)
        for usage in [name for name, tag in self._ready.items() if tag == exchange.tag]:
            del self._ready[usage]
        self._out.done(exchange)

    def _stray(self, transfer: Transfer, kind: str, reason: str) -> None:
        self._out.add(
            Stray(
                transfer.start_ns, self.bus, self.address, transfer.endpoint, kind, reason,
                transfer.piece, transfer.records,
            )
        )  # fmt: skip


def _lun(field: bytes) -> int:
    """The first level of an 8-byte LUN in single-level form (SAM-4 4.6): peripheral or flat addressing."""
    return int.from_bytes(field[:2], "big") & 0x3FFF if len(field) >= 2 else 0
