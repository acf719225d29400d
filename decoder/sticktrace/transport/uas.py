"""USB Attached SCSI (INCITS 471, T10 2095-D): information units on four pipes, paired by tag into exchanges.

Several commands may be open at once. At high speed a Read Ready or Write Ready unit names the tag whose data follows;
at SuperSpeed streams do that, which host captures do not record. Data is then given to the open command that it fits
best: the length that its command block asks for, then the nearest submission, as hosts submit a command's data request
and its command unit together. Where several fit alike, or none of several quite, a remark says so. There the host may
see the end of the data before that of its command: a command then counts from its submission, and its completion is
added when it comes.
"""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import STALL, Piece, Transfer
from sticktrace.capture.wire import together
from sticktrace.codes.scsi import cdb_length
from sticktrace.grammar.vocabulary import data_length, direction
from sticktrace.transport.bot import Overdue, Read
from sticktrace.transport.gather import Gathering, learn_type, stray
from sticktrace.transport.items import (
    FAILED,
    MISSING,
    PASSED,
    Direction,
    Exchange,
    Sense,
    Status,
    Stray,
    StrayKind,
    Transport,
)
from sticktrace.transport.remarks import Remark, Said, Why
from sticktrace.transport.sense import boil
from sticktrace.transport.sequence import Sequence

COMMAND, SENSE, RESPONSE, TASK_MANAGEMENT, READ_READY, WRITE_READY = 0x01, 0x03, 0x04, 0x05, 0x06, 0x07
"""IU identifiers (INCITS 471 Table 10, from memory for the table number)."""

_ABOUT_A_TAG = (0x01, 0x80)
"""ABORT TASK and QUERY TASK name the tag of a task (INCITS 471, TASK MANAGEMENT IU)."""
_STATUS_UNITS = (SENSE, RESPONSE, READ_READY, WRITE_READY)
_GOOD, _CHECK_CONDITION = 0x00, 0x02
SMALLEST, LARGEST = 512, 4096
"""Bytes of a logical block, of those in use (common practice)."""

_PATIENCE = 4
"""Commands that may follow before a passed command is closed without the data that it asked for: the host sees the
sense unit and the end of the data in either order."""


class UasLane:
    """The four pipes of one UAS interface, told apart by their usage: "command", "status", "data in", "data out".
    What ``usage`` leaves out the traffic tells (``inferred``), unless it is ``whole``."""

    def __init__(
        self, device: Device, bus: int, address: int, usage: dict[int, str], out: Sequence, read: Read,
        overdue: Overdue, interface: int = -1, *, whole: bool = False,
    ) -> None:  # fmt: skip
        self.device, self.bus, self.address, self.interface = device, bus, address, interface
        self._usage = usage
        self.inferred = not whole
        self._out, self._read, self._overdue = out, read, overdue
        self._open: dict[int, Gathering] = {}
        self._settling: dict[int, tuple[Gathering, Status, int]] = {}
        self._tasks: dict[int, tuple[Transfer, int, int]] = {}
        self._ready: dict[str, int] = {}
        self._names = False
        self._begun: list[Gathering] = []
        self._commands = 0
        self._gone: Why | None = None

    @staticmethod
    def looks_like_command(read: Read, transfer: Transfer) -> bool:
        """Whether a transfer of an unknown pipe is a command IU: OUT, 32 bytes, its id, reserved bytes zero, no longer
        CDB announced, a LUN below 256 and a tag (INCITS 471, COMMAND IU)."""
        if transfer.endpoint & 0x80 or 32 not in (transfer.actual, transfer.requested) or transfer.captured < 17:
            return False
        unit = read(transfer.data_at, 17)
        return unit[:2] == b"\x01\x00" and unit[2:4] != b"\0\0" and unit[5:9] == bytes(4) and unit[10:16] == bytes(6)

    def wants(self, transfer: Transfer) -> bool:
        """For an inferred lane: whether this transfer of a pipe not known yet belongs to it. If so its endpoint is
        given the usage that its content shows."""
        if transfer.endpoint in self._usage:
            return True
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
        if usage == "command":
            self._command(transfer)
            return
        if self._unheard(usage, transfer):
            commands = [endpoint for endpoint, name in self._usage.items() if name == "command"]
            for early in self._overdue(self.bus, self.address, commands, transfer.end_ns):
                self._command(early)
        if usage == "status":
            self._status(transfer)
        else:
            self._data(transfer, usage)

    def control(self, signal: str, transfer: Transfer | None = None, why: Why = Why.RESET) -> bool:
        """A reset ends every open command; clearing a halt changes nothing here. What is open across a place where
        transfers are missing may lack them."""
        if signal == "GONE":
            self._gone = why
        elif signal == "GAP":
            for gathering in self._open.values():
                gathering.note(Said.TRANSFERS_MISSING)
        elif signal == "RESET":
            self._settle(0)
            self._look_for_lost(0 if transfer is None else transfer.start_ns)
            for gathering in list(self._open.values()):
                gathering.note(Said.NO_STATUS, self._gone or why)
                self._close(gathering, MISSING)
            for request, function, about in self._tasks.values():
                self._out.add(stray(self.device, request, StrayKind.TASK, Said.TASK, function, about, -1))
            self._tasks.clear()
        return False

    def end(self, why: Why = Why.CAPTURE_ENDS) -> None:
        """No more transfers will come."""
        self.control("RESET", None, why)

    def _unheard(self, usage: str, transfer: Transfer) -> bool:
        """Whether this may answer a command whose completion has not been seen."""
        if usage != "status":
            return not self._names
        if transfer.captured < 4:
            return False
        tag = self._tag(self._read(transfer.data_at, 4))
        return tag not in self._open and tag not in self._tasks

    @staticmethod
    def _tag(unit: bytes) -> int:
        return int.from_bytes(unit[2:4], "big")

    # -- command pipe -----------------------------------------------------------------------------------------

    def _command(self, transfer: Transfer) -> None:
        if self._begun and transfer.submitted_ns < 0 and not transfer.captured:
            self._command_ended(transfer)
            return
        unit = self._read(transfer.data_at, min(transfer.captured, 32))
        if unit[:1] == bytes([TASK_MANAGEMENT]) and len(unit) >= 8:
            about = int.from_bytes(unit[6:8], "big") if unit[4] in _ABOUT_A_TAG else -1
            self._tasks[self._tag(unit)] = transfer, unit[4], about
            return
        if len(unit) < 17 or unit[0] != COMMAND:
            said = Said.COMMAND_UNIT_CUT if len(unit) < min(17, transfer.actual) else Said.NO_COMMAND_UNIT
            self._out.add(stray(self.device, transfer, StrayKind.INVALID_COMMAND, said, transfer.actual))
            return
        self._commands += 1
        self._settle(self._commands - _PATIENCE)
        tag = self._tag(unit)
        if tag in self._settling:
            self._settle_one(tag)
        if tag in self._open:
            self._look_for_lost(transfer.start_ns)
            self._open[tag].note(Said.TAG_REUSED)
            self._close(self._open[tag], MISSING)
        cdb = unit[16 : 16 + (cdb_length(unit[16]) or 16)]
        # A command IU announces no length; `expected` grows with what the host asks of the data pipes.
        exchange = Exchange(
            0, transfer.start_ns, self.bus, self.address, _lun(unit[8:16]), tag, cdb, Direction.NONE, 0, self.device,
            transport=Transport.UAS,
        )  # fmt: skip
        exchange.command_at = Piece(transfer.data_at, transfer.captured, max(transfer.requested, transfer.actual))
        exchange.command_ns = exchange.end_ns = transfer.end_ns
        gathering = self._open[tag] = Gathering(exchange, transfer, self._out)
        if transfer.status == STALL:
            gathering.stalled.append("command")
        elif transfer.status:
            gathering.note(Said.COMMAND_NOT_SENT, transfer.status)
        elif transfer.waited_ns >= 0:
            gathering.wait(transfer)
        elif transfer.status is None:
            gathering.note(Said.COMMAND_END_LOST)
            self._begun.append(gathering)

    def _command_ended(self, transfer: Transfer) -> None:
        """The completion of a command that counts since its submission."""
        gathering = self._begun.pop(0)
        exchange = gathering.exchange
        gathering.remarks.remove(Remark(Said.COMMAND_END_LOST))
        exchange.command_ns = transfer.completed_ns
        gathering.touch(transfer)
        if transfer.status == STALL:
            gathering.stalled.append("command")
        elif transfer.status:
            gathering.note(Said.COMMAND_NOT_SENT, transfer.status)
        if exchange.tag in self._settling and not self._awaits(gathering):
            self._settle_one(exchange.tag)

    # -- status pipe ------------------------------------------------------------------------------------------

    def _status(self, transfer: Transfer) -> None:
        unit = self._read(transfer.data_at, min(transfer.captured, 16 + 252))
        tag = self._tag(unit) if len(unit) >= 4 else -1
        if tag in self._tasks and unit[:1] == bytes([RESPONSE]) and len(unit) >= 8:
            self._task_done(tag, unit[7], transfer)
            return
        gathering = self._open.get(tag)
        if gathering is None and transfer.status is None and len(self._open) == 1:
            (gathering,) = self._open.values()  # whose else could it be
            (gathering.take if transfer.waited_ns >= 0 else gathering.missed)(transfer)
            return
        if gathering is None:
            self._out.add(self._stray_status(transfer))
            return
        gathering.touch(transfer)
        identifier = unit[0]
        if identifier in (READ_READY, WRITE_READY):
            self._ready["data in" if identifier == READ_READY else "data out"] = tag
            self._names = True
        elif identifier == SENSE and len(unit) >= 7:
            self._sense(gathering, unit, transfer)
        elif identifier == RESPONSE and len(unit) >= 8:
            gathering.exchange.status_at = transfer.piece
            gathering.note(Said.RESPONSE_UNIT, unit[7])
            self._close(gathering, FAILED)
        else:
            gathering.note(Said.UNKNOWN_UNIT, identifier)

    def _stray_status(self, transfer: Transfer) -> Stray:
        """What comes on the status pipe while no command waits for it."""
        if transfer.waited_ns >= 0:
            return stray(self.device, transfer, StrayKind.STATUS, Said.STILL_WAITING, transfer.waited_ns)
        if transfer.status == STALL:
            return stray(self.device, transfer, StrayKind.STALL, Said.STRAY_STALL)
        if transfer.status:
            return stray(self.device, transfer, StrayKind.ERROR, Said.STRAY_FAILURE, transfer.status)
        return stray(self.device, transfer, StrayKind.STATUS, Said.STATUS_PIPE_BYTES, transfer.actual)

    def _task_done(self, tag: int, code: int, transfer: Transfer) -> None:
        request, function, about = self._tasks.pop(tag)
        item = stray(self.device, request, StrayKind.TASK, Said.TASK, function, about, code)
        item.records += transfer.records
        item.wire = together(item.wire, transfer.wire)
        self._out.add(item)

    def _sense(self, gathering: Gathering, unit: bytes, transfer: Transfer) -> None:
        exchange = gathering.exchange
        exchange.status_at = transfer.piece
        status = unit[6]
        length = int.from_bytes(unit[14:16], "big")
        found = boil(unit[16 : 16 + length])
        if status == _CHECK_CONDITION and found is not None:
            at = Piece(transfer.data_at + 16, min(length, max(0, transfer.captured - 16)), length)
            exchange.sense = Sense(*found, 0, at)
        elif status not in (_GOOD, _CHECK_CONDITION):
            gathering.note(Said.SCSI_STATUS, status)
        outcome = PASSED if status == _GOOD else FAILED
        named = not gathering.pieces and exchange.tag in self._ready.values()
        if named or gathering in self._begun or (self._awaits(gathering) and (outcome is PASSED or not self._names)):
            self._settling[exchange.tag] = gathering, outcome, self._commands
        else:
            self._close(gathering, outcome)

    def _look_for_lost(self, before_ns: int) -> None:
        """Commands are given up: reads that still wait by then have ended, and the recording lost how. They are put
        down to the command open longest."""
        if not self._open:
            return
        oldest = next(iter(self._open.values()))
        ends = [endpoint for endpoint in self._usage if endpoint & 0x80]
        for lost in self._overdue(self.bus, self.address, ends, before_ns):
            oldest.missed(lost)

    @staticmethod
    def _awaits(gathering: Gathering) -> bool:
        """Whether data is still due. On streams that holds for a failed command too: its request ends empty, and may be
        seen to end last."""
        return not gathering.pieces and any(data_length(gathering.exchange.cdb) or ())

    # -- data pipes -------------------------------------------------------------------------------------------

    def _data(self, transfer: Transfer, usage: str) -> None:
        gathering = self._owner(usage, transfer)
        if gathering is None:
            self._out.add(stray(self.device, transfer, StrayKind.DATA, Said.UNASKED_DATA, transfer.actual))
            return
        exchange = gathering.exchange
        exchange.direction = Direction.IN if usage == "data in" else Direction.OUT
        exchange.expected += max(transfer.requested, transfer.actual)
        gathering.take(transfer)
        if exchange.tag in self._settling and gathering not in self._begun:
            self._settle_one(exchange.tag)

    def _owner(self, usage: str, transfer: Transfer) -> Gathering | None:
        ready = self._open.get(self._ready.get(usage, -1))
        if ready is not None:
            return ready
        wish = "in" if usage == "data in" else "out"
        asking = [g for g in self._open.values() if direction(g.exchange.cdb) in (wish, None)]
        waiting = [g for g in asking if not _served(g, LARGEST)]
        if not waiting:
            return None
        length = max(transfer.requested, transfer.actual)

        def fit(gathering: Gathering) -> tuple[bool, bool, int]:
            exchange = gathering.exchange
            near = abs(exchange.time_ns - transfer.start_ns)
            return _served(gathering, SMALLEST), not _asks(exchange.cdb, length, exchange.expected), near

        waiting.sort(key=fit)
        if len(waiting) > 1 and (fit(waiting[0]) == fit(waiting[1]) or (transfer.actual and fit(waiting[0])[1])):
            waiting[0].note(Said.OWNER_UNSURE)
        return waiting[0]

    # -- ends -------------------------------------------------------------------------------------------------

    def _settle(self, before: int) -> None:
        """Close the commands whose sense unit came when at most ``before`` commands had been sent; all for 0."""
        for tag in [t for t, (_, _, at) in self._settling.items() if not before or at <= before]:
            self._settle_one(tag)

    def _settle_one(self, tag: int) -> None:
        gathering, outcome, _ = self._settling.pop(tag)
        self._close(gathering, outcome)

    def _close(self, gathering: Gathering, status: Status) -> None:
        exchange = gathering.exchange
        if status in (PASSED, FAILED):
            exchange.residue = max(0, exchange.expected - exchange.moved)
        if gathering in self._begun:
            self._begun.remove(gathering)
        gathering.seal(status)
        if exchange.cdb[:1] == b"\x12":
            learn_type(exchange, self._read)
        if self._open.get(exchange.tag) is gathering:
            del self._open[exchange.tag]
        for usage in [name for name, tag in self._ready.items() if tag == exchange.tag]:
            del self._ready[usage]
        self._out.done(gathering)


def _served(gathering: Gathering, block: int) -> bool:
    """Whether the host has asked for all the data of the command, were a block that long; a command of unknown length
    is served by one transfer."""
    if not gathering.pieces:
        return False
    blocks, size = data_length(gathering.exchange.cdb) or (0, 0)
    return gathering.exchange.expected >= (blocks * block or size)


def _asks(cdb: bytes, length: int, asked: int) -> bool:
    """Whether that many bytes, after those that the host has asked for, are all that a command block wants: blocks of a
    length in use, or an allocation length."""
    wanted = data_length(cdb)
    if wanted is None:
        return False
    blocks, size = wanted
    if blocks:
        return any(length + asked == blocks * block for block in (SMALLEST, 1024, 2048, LARGEST))
    return length + asked == size


def _lun(field: bytes) -> int:
    """The first level of an 8-byte LUN in single-level form (SAM-4 4.6): peripheral or flat addressing."""
    return int.from_bytes(field[:2], "big") & 0x3FFF if len(field) >= 2 else 0
