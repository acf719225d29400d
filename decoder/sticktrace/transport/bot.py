"""Bulk-Only Transport as a machine without I/O: transfers of one pair of pipes in, exchanges out.

Theory of operation. A lane is one interface's bulk-IN and bulk-OUT pipe. Each transfer, and each control request that
touches the pipes, becomes a *signal*; `TABLE` says for each state and signal what to do and which state comes next,
and cites the clause of "USB Mass Storage Class, Bulk-Only Transport" 1.0 that it rests on. Signals:

    CBW IN, CBW OUT, CBW NONE   a valid CBW, by the data phase that it announces
    BAD CBW                     31 bytes without the signature, or the signature in another length (6.2.1)
    IN, IN LAST, OUT, OUT LAST  data; LAST brings the data phase to the announced length
    CSW                         13 bytes with the signature and the tag of the open exchange (6.3.1)
    OTHER CSW                   the same with another tag
    BAD CSW                     what comes where a CSW is due and is none; EMPTY is a zero-length packet there
    STALL IN, STALL OUT         the pipe answered STALL
    ERROR IN, ERROR OUT         the transfer failed in another way (timeout, cancelled, bus error, device gone)
    CLEARED IN, CLEARED OUT     CLEAR_FEATURE(ENDPOINT_HALT) on the pipe
    RESET                       Bulk-Only Mass Storage Reset, port reset, new configuration, device gone

A tag identifies nothing but the exchange now open: hosts reuse tags, and some use one tag for ever.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sticktrace.capture.transfer import STALL, Piece, Transfer
from sticktrace.codes.scsi import cdb_length
from sticktrace.grammar.bot import CBW_FAST, CBW_SIZE, CSW_FAST, CSW_SIZE
from sticktrace.transport.cases import case_of
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, Exchange, Sense
from sticktrace.transport.sense import boil
from sticktrace.transport.sequence import Sequence

_CBW_SIGNATURE, _CSW_SIGNATURE = b"USBC", b"USBS"
_CDB_LENGTHS = [cdb_length(opcode) for opcode in range(256)]
_SHORT_READ = -121  # EREMOTEIO: data ended early; the emulator's recording also writes it for a stall
_REQUEST_SENSE = 0x03

# The fast form of the same layouts that explain the wrappers.
_read_cbw, _read_csw = CBW_FAST.unpack_from, CSW_FAST.unpack_from

IDLE, DATA_IN, DATA_OUT, STATUS, LOST = "idle", "data in", "data out", "status", "invalid command"

TABLE: dict[tuple[str, str], tuple[str, str]] = {
    # state, signal: (action, next state)                              clause of BOT 1.0
    (IDLE, "CBW IN"): ("open", DATA_IN),                             # 5.1, 5.3.2
    (IDLE, "CBW OUT"): ("open", DATA_OUT),                           # 5.1, 5.3.2
    (IDLE, "CBW NONE"): ("open", STATUS),                            # 5.1: length zero, no data phase
    (IDLE, "BAD CBW"): ("open_invalid", LOST),                       # 6.2.1, 6.6.1
    (IDLE, "IN"): ("stray_data", IDLE),                              # 3.3: nothing moves before a CBW
    (IDLE, "OUT"): ("stray_data", IDLE),                             # 3.3
    (IDLE, "OTHER CSW"): ("stray_status", IDLE),                     # 3.3: without an open exchange no tag is right
    (IDLE, "STALL IN"): ("stray_stall", IDLE),                       # 6.6.1
    (IDLE, "STALL OUT"): ("stray_stall", IDLE),                      # 6.6.1
    (IDLE, "ERROR IN"): ("stray_error", IDLE),                       # an error of the bus, below BOT
    (IDLE, "ERROR OUT"): ("stray_error", IDLE),                      # an error of the bus, below BOT

    (DATA_IN, "IN"): ("take", DATA_IN),                              # 5.3.2
    (DATA_IN, "IN LAST"): ("take", STATUS),                          # 5.3.2: announced length reached
    (DATA_IN, "CSW"): ("close", IDLE),                               # 6.7.2: short data phase, status follows
    (DATA_IN, "OTHER CSW"): ("other_status", DATA_IN),               # 6.3.1
    (DATA_IN, "OUT"): ("wrong_way", DATA_IN),                        # 3.5: no bidirectional commands
    (DATA_IN, "STALL IN"): ("stall_data", STATUS),                   # 6.7.2: clear the pipe, then read the CSW
    (DATA_IN, "STALL OUT"): ("stall_data", DATA_IN),                 # 6.6.1: halted with the command
    (DATA_IN, "ERROR IN"): ("error", DATA_IN),                       # an error of the bus, below BOT
    (DATA_IN, "ERROR OUT"): ("error", DATA_IN),                      # an error of the bus, below BOT
    (DATA_IN, "CLEARED IN"): ("cleared_after_data", STATUS),         # 6.7.2; a stall may show only as a short read

    (DATA_OUT, "OUT"): ("take", DATA_OUT),                           # 5.3.2
    (DATA_OUT, "OUT LAST"): ("take", STATUS),                        # 5.3.2
    (DATA_OUT, "CSW"): ("close", IDLE),                              # 6.7.3: the device may end the phase early
    (DATA_OUT, "OTHER CSW"): ("other_status", DATA_OUT),             # 6.3.1
    (DATA_OUT, "IN"): ("wrong_way", DATA_OUT),                       # 3.5
    (DATA_OUT, "STALL OUT"): ("stall_data", STATUS),                 # 6.7.3
    (DATA_OUT, "STALL IN"): ("stall_status", STATUS),                # 6.7.3
    (DATA_OUT, "ERROR IN"): ("error", DATA_OUT),                     # an error of the bus, below BOT
    (DATA_OUT, "ERROR OUT"): ("error", DATA_OUT),                    # an error of the bus, below BOT
    (DATA_OUT, "CLEARED OUT"): ("cleared_after_data", STATUS),       # 6.7.3

    (STATUS, "CSW"): ("close", IDLE),                                # 5.3.3
    (STATUS, "OTHER CSW"): ("other_status", STATUS),                 # 6.3.1
    (STATUS, "BAD CSW"): ("bad_status", STATUS),                     # 6.3.1
    (STATUS, "EMPTY"): ("empty_status", STATUS),                     # common practice: a zero-length packet in between
    (STATUS, "OUT"): ("too_much", STATUS),                           # 5.1: more than dCBWDataTransferLength
    (STATUS, "STALL IN"): ("stall_status", STATUS),                  # 5.3.3: clear the pipe, read the CSW once more
    (STATUS, "STALL OUT"): ("stall_status", STATUS),                 # 6.7.3
    (STATUS, "ERROR IN"): ("error", STATUS),                         # an error of the bus, below BOT
    (STATUS, "ERROR OUT"): ("error", STATUS),                        # an error of the bus, below BOT
    (STATUS, "CLEARED IN"): ("cleared", STATUS),                     # 5.3.3
    (STATUS, "CLEARED OUT"): ("cleared", STATUS),                    # 6.7.3

    (LOST, "CSW"): ("close", IDLE),                                  # not due (6.6.1), but then it was taken for a CBW
    (LOST, "STALL IN"): ("stall_data", LOST),                        # 6.6.1: stays so until reset recovery
    (LOST, "STALL OUT"): ("stall_data", LOST),                       # 6.6.1
    (LOST, "ERROR IN"): ("error", LOST),                             # an error of the bus, below BOT
    (LOST, "ERROR OUT"): ("error", LOST),                            # an error of the bus, below BOT
    (LOST, "CLEARED IN"): ("cleared", LOST),                         # 6.6.1: a clear alone must not cure it
    (LOST, "CLEARED OUT"): ("cleared", LOST),                        # 6.6.1
    (LOST, "IN"): ("stray_data", LOST),                              # 6.6.1: moved against the rule
    (LOST, "OUT"): ("stray_data", LOST),                             # 6.6.1: moved against the rule
    (LOST, "OTHER CSW"): ("stray_status", LOST),                     # 6.3.1

    # A CBW before the CSW is not valid (6.2.1), but hosts send it when they have given up waiting.
    **{(state, "RESET"): ("abandon", IDLE) for state in (DATA_IN, DATA_OUT, STATUS, LOST)},       # 5.3.4
    **{(state, "CBW IN"): ("reopen", DATA_IN) for state in (DATA_IN, DATA_OUT, STATUS, LOST)},    # 6.2.1
    **{(state, "CBW OUT"): ("reopen", DATA_OUT) for state in (DATA_IN, DATA_OUT, STATUS, LOST)},  # 6.2.1
    **{(state, "CBW NONE"): ("reopen", STATUS) for state in (DATA_IN, DATA_OUT, STATUS, LOST)},   # 6.2.1
    (LOST, "BAD CBW"): ("reopen_invalid", LOST),                     # 6.6.1
}  # fmt: skip

Read = Callable[[int, int], bytes]
"""Payload bytes by offset and length."""

Overdue = Callable[[int, int, int], list[Transfer]]
"""Bulk-OUT submissions of (bus, address) made before a time that still wait for a completion; each is given once."""

_EARLY = {IDLE: ("IN", "OUT", "OTHER CSW"), DATA_OUT: ("CSW", "OTHER CSW"), DATA_IN: ("OTHER CSW",),
          STATUS: ("OUT", "OTHER CSW", "BAD CSW"), LOST: ("IN", "OUT", "OTHER CSW")}  # fmt: skip
"""Signals that may show that a completion before them was lost from the recording."""


class Lane:
    """One pair of bulk pipes and the exchange now open on it.

    ``out`` receives strays and finished exchanges in order; ``read`` gives payload bytes.
    """

    def __init__(
        self, bus: int, address: int, out: Sequence, read: Read, overdue: Overdue, inferred: bool = False
    ) -> None:
        self.bus, self.address, self.inferred = bus, address, inferred
        self.state = IDLE
        self._out, self._read, self._overdue = out, read, overdue
        self._open: Exchange | None = None
        self._records: list[int] = []
        self._pieces: list[Piece] = []
        self._notes: list[str] = []
        self._stalled: list[str] = []
        self._invalid_status = False
        self._short = False
        self._raw = b""
        self._wrapper: tuple[int, int, int, int, int, int, bytes] = (0, 0, 0, 0, 0, 0, b"")
        self._status: tuple[int, int, int, int] = (0, 0, 0, 0)
        self._left_open: Exchange | None = None
        self._unexplained: dict[int, Exchange] = {}

    @staticmethod
    def looks_like_command(read: Read, transfer: Transfer) -> bool:
        """Whether a transfer of an unknown pipe is a CBW: OUT, 31 bytes, the signature (BOT 1.0 6.2.1)."""
        return (
            not transfer.endpoint & 0x80
            and transfer.actual == CBW_SIZE
            and transfer.captured >= 15
            and read(transfer.data_at, 4) == _CBW_SIGNATURE
        )

    def wants(self, transfer: Transfer) -> bool:
        """For a lane inferred from a CBW: whether this transfer of an unknown pipe is a CBW or what is waited for."""
        if not transfer.endpoint & 0x80:
            return self.looks_like_command(self._read, transfer)
        if self._signal_in(transfer) == "CSW":
            return True
        return self.state is DATA_IN and self._open is not None and transfer.actual <= self._open.expected

    # -- signals -----------------------------------------------------------------------------------------------

    def feed(self, transfer: Transfer) -> None:
        """Take one bulk transfer."""
        read_signal = self._signal_in if transfer.endpoint & 0x80 else self._signal_out
        signal = read_signal(transfer)
        if signal in _EARLY[self.state] and self._catch_up(transfer):
            signal = read_signal(transfer)
        self._step(signal, transfer)

    def _catch_up(self, transfer: Transfer) -> bool:
        """What comes now follows something that the host has sent, but the recording lost the completion of that: take
        the submission as done. Returns whether there was any."""
        late = self._overdue(self.bus, self.address, transfer.end_ns)
        for sent in late:
            self._step(self._signal_out(sent), sent)
        return bool(late)

    def control(self, signal: str, transfer: Transfer | None = None, why: str = "") -> bool:
        """Take a control request that touches the pipes: "CLEARED IN", "CLEARED OUT" or "RESET". Returns whether it
        became part of an exchange."""
        if (self.state, signal) not in TABLE:
            return False
        action, following = TABLE[self.state, signal]
        self.state = following
        if action == "abandon":
            self._abandon(why or "a reset ended it")
            return False
        _ACTIONS[action](self, transfer)
        if transfer is not None:
            self._records += transfer.records
        return True

    def _step(self, signal: str, transfer: Transfer) -> None:
        action, self.state = TABLE[self.state, signal]
        _ACTIONS[action](self, transfer)

    def _signal_out(self, transfer: Transfer) -> str:
        status = transfer.status
        if status:
            if status == STALL:
                return "STALL OUT"
            if status != _SHORT_READ and not self._is_cbw(transfer):
                return "ERROR OUT"
        actual = transfer.actual
        if actual == CBW_SIZE and self._is_cbw(transfer):
            wrapper = self._wrapper = _read_cbw(self._raw)
            if not wrapper[2]:
                return "CBW NONE"
            return "CBW IN" if wrapper[3] & 0x80 else "CBW OUT"
        if self.state is DATA_OUT:
            exchange = self._open
            if status == _SHORT_READ:
                return "STALL OUT"
            return "OUT LAST" if exchange is None or exchange.moved + actual >= exchange.expected else "OUT"
        if self.state is IDLE or self.state is LOST:
            return "BAD CBW" if (actual == CBW_SIZE and transfer.captured) or self._is_cbw(transfer) else "OUT"
        return "OUT"

    def _signal_in(self, transfer: Transfer) -> str:
        status, actual = transfer.status, transfer.actual
        if status and not actual:
            if status == STALL:
                return "STALL IN"
            if status != _SHORT_READ:
                return "ERROR IN"
        if actual == CSW_SIZE and transfer.captured >= 12:
            raw = self._read(transfer.data_at, transfer.captured)
            if raw[:4] == _CSW_SIGNATURE:
                exchange = self._open
                self._status = _read_csw(raw if len(raw) == CSW_SIZE else raw + b"\xff")
                return "CSW" if exchange is not None and self._status[1] == exchange.tag else "OTHER CSW"
        if self.state is STATUS:
            if actual:
                return "BAD CSW"
            # The emulator shows a stalled status read as an empty short read.
            return "STALL IN" if status == _SHORT_READ else "EMPTY"
        exchange = self._open
        if self.state is DATA_IN and exchange is not None and exchange.moved + actual >= exchange.expected:
            return "IN LAST"
        return "IN"

    def _is_cbw(self, transfer: Transfer) -> bool:
        """Whether it begins as a CBW; what was captured of it is then in ``_raw``, filled up to the full size."""
        captured = transfer.captured
        if captured < 15:
            return False
        raw = self._read(transfer.data_at, captured if captured < CBW_SIZE else CBW_SIZE)
        self._raw = raw if len(raw) == CBW_SIZE else raw.ljust(CBW_SIZE, b"\0")
        return raw[:4] == _CBW_SIGNATURE

    # -- actions ----------------------------------------------------------------------------------------------

    def _begin(self, transfer: Transfer) -> None:
        _, tag, length, flags, lun, cdb_size, block = self._wrapper
        size = cdb_size & 0x1F
        captured = max(0, min(size, 16, transfer.captured - 15))
        exchange = Exchange(
            0, transfer.start_ns, self.bus, self.address, lun & 0x0F, tag, block[:captured],
            "none" if not length else "in" if flags & 0x80 else "out", length,
        )  # fmt: skip
        exchange.command_at = Piece(transfer.data_at, transfer.captured, transfer.actual)
        exchange.command_ns = exchange.end_ns = transfer.end_ns
        self._open = exchange
        self._records = list(transfer.records)
        self._pieces, self._notes, self._stalled = [], [], []
        self._short = False
        self._invalid_status = False
        if flags & 0x7F or lun & 0xF0 or cdb_size & 0xE0:
            self._notes.append("reserved bits of the CBW are set (BOT 6.2.2)")
        if not 1 <= size <= 16:
            self._notes.append(f"bCBWCBLength is {size}, legal are 1 to 16 (BOT 5.1)")
        elif _CDB_LENGTHS[block[0]] not in (size, None):
            self._notes.append(f"bCBWCBLength is {size}, the opcode's group has {_CDB_LENGTHS[block[0]]}")
        if transfer.status is None:
            self._notes.append("the completion of the command transfer was not recorded")
        elif transfer.submitted_ns < 0:
            self._notes.append("the submission of the command transfer was not recorded")
        elif transfer.status:
            self._notes.append(f"the command transfer ended with status {transfer.status}")
        self._out.begin(exchange)

    def _take(self, transfer: Transfer) -> None:
        exchange = self._open
        assert exchange is not None
        exchange.moved += transfer.actual
        exchange.data_ns = exchange.end_ns = transfer.end_ns
        self._pieces.append(Piece(transfer.data_at, transfer.captured, transfer.actual))
        self._records += transfer.records
        if transfer.captured < transfer.actual:
            exchange.truncated = True
        self._short = transfer.actual < transfer.requested
        status = transfer.status
        if status:
            self._after_data(transfer, status)
        elif status is None:
            self._notes.append("the completion of a data transfer was not recorded")

    def _after_data(self, transfer: Transfer, status: int) -> None:
        """Data that came with an error: bytes moved, then something happened."""
        if status == STALL:
            self._stalled.append("data")
            self.state = STATUS
        elif status != _SHORT_READ:
            self._notes.append(f"a data transfer ended with status {status} after {transfer.actual} bytes")

    def _close(self, transfer: Transfer) -> None:
        exchange = self._open
        assert exchange is not None
        _, _, residue, status = self._status
        exchange.residue = residue
        exchange.status = (PASSED, FAILED, PHASE_ERROR)[status] if status < 3 else INVALID
        if transfer.captured < CSW_SIZE:
            exchange.status = MISSING
            self._notes.append("the status byte of the CSW is beyond what was captured")
        elif status >= 3:
            self._notes.append(f"bCSWStatus {status:02X}h is reserved (BOT Table 5.3)")
        elif residue > exchange.expected and status < 2:
            self._notes.append("dCSWDataResidue is larger than dCBWDataTransferLength (BOT 6.3.2)")
        if transfer.submitted_ns < 0:
            self._notes.append("the submission of the status transfer was not recorded")
        if exchange.moved > exchange.expected:
            self._notes.append(f"{exchange.moved - exchange.expected} bytes more than announced were moved")
        exchange.status_at = Piece(transfer.data_at, transfer.captured, transfer.actual)
        exchange.end_ns = transfer.end_ns
        exchange.case = case_of(
            exchange.cdb, exchange.direction, exchange.expected, exchange.moved, residue, exchange.status
        )
        self._records += transfer.records
        self._finish(exchange)

    def _finish(self, exchange: Exchange) -> None:
        """Fill in what was gathered, then settle the sense of the exchange before it on the same LUN."""
        self._records.sort()
        exchange.records = tuple(self._records)
        if self._pieces:
            exchange.pieces = tuple(self._pieces)
        if self._notes:
            exchange.notes = tuple(self._notes)
        if self._stalled:
            exchange.stalled = tuple(dict.fromkeys(self._stalled))
        self._open = None
        waiting = self._unexplained.pop(exchange.lun, None) if self._unexplained else None
        if waiting is not None:
            self._explain(waiting, exchange)
        self._release_left_open()
        if exchange.status is FAILED and exchange.opcode != _REQUEST_SENSE:
            self._unexplained[exchange.lun] = exchange
        else:
            self._out.done(exchange)

    def _explain(self, waiting: Exchange, exchange: Exchange) -> None:
        """SPC-4 6.39: REQUEST SENSE right after a failed command fetches its sense."""
        if exchange.opcode == _REQUEST_SENSE and exchange.pieces:
            first = exchange.pieces[0]
            counts = min(first.captured, 252)
            if exchange.residue is not None and exchange.residue <= exchange.expected:
                counts = min(counts, exchange.expected - exchange.residue) or counts
            found = boil(self._read(first.at, counts))
            if found is not None:
                waiting.sense = Sense(*found, exchange.number, Piece(first.at, counts, counts))
        self._out.done(waiting)

    def _release_left_open(self) -> None:
        if self._left_open is not None:
            self._out.done(self._left_open)
            self._left_open = None

    def _abandon(self, why: str) -> None:
        """The open exchange gets no status. It stays within reach for one more, since a CSW may come late."""
        exchange = self._open
        if exchange is None:
            return
        exchange.status = INVALID if self._invalid_status else MISSING
        self._notes.append(f"no valid CSW: {why}" if self._invalid_status else f"no CSW: {why}")
        if exchange.command_at.actual != CBW_SIZE or not self._signed(exchange):
            self._withdraw(exchange)
            return
        self._records.sort()
        exchange.records = tuple(self._records)
        exchange.pieces = tuple(self._pieces)
        exchange.notes = tuple(self._notes)
        exchange.stalled = tuple(dict.fromkeys(self._stalled))
        self._open = None
        self._release_left_open()
        self._left_open = exchange

    def _signed(self, exchange: Exchange) -> bool:
        return self._read(exchange.command_at.at, 4) == _CBW_SIGNATURE

    def _withdraw(self, exchange: Exchange) -> None:
        """An invalid command that no CSW answered: not an exchange, but not nothing either (BOT 6.6.1)."""
        size = exchange.command_at.actual
        what = f"{size} bytes instead of 31" if size != CBW_SIZE else "the signature is not 43425355h"
        stalls = f"; the device stalled {' and '.join(dict.fromkeys(self._stalled))}" if self._stalled else ""
        stray = Stray(
            exchange.time_ns, self.bus, self.address, 0, "invalid command",
            f"a CBW that is not valid (BOT 6.2.1): {what}{stalls}", exchange.command_at, tuple(sorted(self._records)),
        )  # fmt: skip
        self._open = None
        self._out.withdraw(exchange, stray)

    def _open_invalid(self, transfer: Transfer) -> None:
        raw = self._read(transfer.data_at, min(CBW_SIZE, transfer.captured))
        self._wrapper = _read_cbw(raw.ljust(CBW_SIZE, b"\0"))
        self._begin(transfer)
        what = f"{transfer.actual} bytes" if transfer.actual != CBW_SIZE else "wrong signature"
        self._notes = [f"the CBW is not valid: {what} (BOT 6.2.1)"]

    def _reopen(self, transfer: Transfer) -> None:
        self._abandon("the host sent the next command instead of reading it")
        self._begin(transfer)

    def _reopen_invalid(self, transfer: Transfer) -> None:
        self._abandon("another transfer took its place")
        self._open_invalid(transfer)

    def _other_status(self, transfer: Transfer) -> None:
        """A CSW whose tag is not the open exchange's: late, or the device lost count (BOT 6.3.1)."""
        _, tag, residue, status = self._status
        self._records += transfer.records
        self._invalid_status = True
        late = self._left_open
        if late is not None and late.tag == tag:
            self._notes.append(f"the late CSW of exchange {late.number} came here")
            late.residue, late.status = residue, (PASSED, FAILED, PHASE_ERROR)[status] if status < 3 else INVALID
            late.notes += ("its CSW came late, after the next command",)
        else:
            self._notes.append(f"a CSW with tag {tag:08X}h came, {self._tag():08X}h was due (BOT 6.3.1)")

    def _tag(self) -> int:
        return self._open.tag if self._open is not None else 0

    def _bad_status(self, transfer: Transfer) -> None:
        self._records += transfer.records
        self._invalid_status = True
        size = transfer.actual
        what = f"{size} bytes" if size != CSW_SIZE else "wrong signature"
        self._notes.append(f"what came as CSW is not valid: {what} (BOT 6.3.1)")

    def _empty_status(self, transfer: Transfer) -> None:
        self._records += transfer.records
        self._pieces.append(Piece(transfer.data_at, 0, 0))
        if transfer.status is None:
            self._notes.append("the completion of a read was not recorded")
        else:
            self._notes.append("a zero-length packet came before the CSW")

    def _wrong_way(self, transfer: Transfer) -> None:
        self._records += transfer.records
        self._notes.append(f"{transfer.actual} bytes went against the announced direction")

    def _too_much(self, transfer: Transfer) -> None:
        exchange = self._open
        assert exchange is not None
        exchange.moved += transfer.actual
        self._pieces.append(transfer.piece)
        self._records += transfer.records
        self._notes.append(f"{transfer.actual} bytes were sent beyond dCBWDataTransferLength")

    def _stall_data(self, transfer: Transfer) -> None:
        self._records += transfer.records
        # After a short packet the host reads the CSW: there the STALL that ends the data phase shows (6.7.2).
        in_status = self._short or (transfer.endpoint & 0x80 and transfer.requested == CSW_SIZE)
        self._stalled.append("command" if self.state is LOST else "status" if in_status else "data")
        self._touch(transfer)

    def _stall_status(self, transfer: Transfer) -> None:
        self._records += transfer.records
        self._stalled.append("status" if transfer.endpoint & 0x80 else "data")
        self._touch(transfer)

    def _touch(self, transfer: Transfer) -> None:
        """A transfer that failed belongs here all the same, with the bytes that it moved before."""
        exchange = self._open
        if exchange is None:
            return
        exchange.end_ns = transfer.end_ns
        if transfer.actual:
            exchange.moved += transfer.actual
            exchange.truncated = exchange.truncated or transfer.captured < transfer.actual
            self._pieces.append(transfer.piece)

    def _error(self, transfer: Transfer) -> None:
        self._records += transfer.records
        self._touch(transfer)
        if transfer.status is not None:
            self._notes.append(f"a transfer ended with status {transfer.status}")

    def _cleared(self, transfer: Transfer | None) -> None:
        """Nothing to do but keep the records: CLEAR_FEATURE(ENDPOINT_HALT) is part of the exchange."""

    def _cleared_after_data(self, transfer: Transfer | None) -> None:
        """A host clears a pipe only after a stall, so one happened, though a short read is all that showed."""
        if "data" not in self._stalled:
            self._stalled.append("data")
            self._notes.append("the stall of the data phase shows only by the clearing that followed")

    def _stray_data(self, transfer: Transfer) -> None:
        self._stray(transfer, "stray data", f"{transfer.actual} bytes of data outside any exchange")

    def _stray_status(self, transfer: Transfer) -> None:
        _, tag, _, status = self._status
        self._stray(transfer, "stray status", f"a CSW with tag {tag:08X}h, status {status}, answers no command")

    def _stray_stall(self, transfer: Transfer) -> None:
        self._stray(transfer, "stray stall", "a STALL outside any exchange")

    def _stray_error(self, transfer: Transfer) -> None:
        self._stray(transfer, "stray error", f"a transfer ended with status {transfer.status} outside any exchange")

    def _stray(self, transfer: Transfer, kind: str, reason: str) -> None:
        self._out.add(
            Stray(
                transfer.start_ns, self.bus, self.address, transfer.endpoint, kind, reason,
                transfer.piece, transfer.records,
            )
        )  # fmt: skip

    def end(self, why: str = "the capture ends here") -> None:
        """No more transfers will come: let everything go that waits."""
        if self.state is not IDLE:
            self.control("RESET", None, why)
        for exchange in self._unexplained.values():
            self._out.done(exchange)
        self._unexplained.clear()
        self._release_left_open()


_ACTIONS: dict[str, Callable[[Lane, Any], None]] = {
    "open": Lane._begin, "open_invalid": Lane._open_invalid, "reopen": Lane._reopen,
    "reopen_invalid": Lane._reopen_invalid, "take": Lane._take, "close": Lane._close,
    "other_status": Lane._other_status, "bad_status": Lane._bad_status, "empty_status": Lane._empty_status,
    "wrong_way": Lane._wrong_way, "too_much": Lane._too_much, "stall_data": Lane._stall_data,
    "stall_status": Lane._stall_status, "error": Lane._error, "cleared": Lane._cleared,
    "cleared_after_data": Lane._cleared_after_data, "stray_data": Lane._stray_data,
    "stray_status": Lane._stray_status, "stray_stall": Lane._stray_stall, "stray_error": Lane._stray_error,
}  # fmt: skip
