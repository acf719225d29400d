"""Bulk-Only Transport as a machine without I/O: transfers of one pair of pipes in, exchanges out.

Theory of operation. A lane is one interface's bulk-IN and bulk-OUT pipe. Each transfer, and each control request that
touches the pipes, becomes a signal; the table in `bot_table` says for each state and signal what to do and which state
comes next. A tag identifies nothing but the exchange now open: hosts reuse tags, and some use one tag for ever.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import NO_DATA, STALL, Piece, Transfer
from sticktrace.codes.scsi import cdb_length
from sticktrace.grammar.bot import CBW_FAST, CBW_MAGIC, CBW_SIZE, CSW_FAST, CSW_MAGIC, CSW_SIZE
from sticktrace.transport.agreeing import Agreed
from sticktrace.transport.bot_table import DATA_IN, DATA_OUT, EARLY, IDLE, LOST, STATUS, TABLE
from sticktrace.transport.cases import case_of
from sticktrace.transport.gather import SHORT_READ, Gathering, Unexplained, stray
from sticktrace.transport.items import (
    FAILED,
    INVALID,
    MISSING,
    PASSED,
    PHASE_ERROR,
    UNTOLD,
    Direction,
    Exchange,
    Field,
    Status,
    Stray,
    StrayKind,
)
from sticktrace.transport.remarks import PHASES, Remark, Said, Why
from sticktrace.transport.sequence import Sequence
from sticktrace.transport.tags import TagCounter

_CDB_LENGTHS = [cdb_length(opcode) for opcode in range(256)]
_NONE, _IN, _OUT = Direction  # a look-up in an enumeration takes longer than one in the module
_STATUSES = (PASSED, FAILED, PHASE_ERROR)  # BOT 1.0 Table 5.3; the rest is reserved

# The fast form of the same layouts that explain the wrappers.
_read_cbw, _read_csw = CBW_FAST.unpack_from, CSW_FAST.unpack_from

LENGTH_UNTOLD = 0xFFFFFFFF
"""dCBWDataTransferLength of a command that moves data, where neither a text nor the command says how much."""

_MOST_HELD = 256

_new = tuple.__new__  # a NamedTuple's own constructor takes three times as long, and three are made for each exchange

Read = Callable[[int, int], bytes]
"""Payload bytes by offset and length."""

Overdue = Callable[[int, int, Iterable[int], int], list[Transfer]]
"""Submissions to these endpoints of (bus, address) made before a time that still wait for a completion; each is given
once."""


class Lane:
    """One pair of bulk pipes and the exchange now open on it.

    ``out`` receives strays and finished exchanges in order; ``read`` gives payload bytes. ``bulk_in`` and ``bulk_out``
    are -1 until the traffic shows them, where no descriptor does (``inferred``).
    """

    def __init__(
        self, device: Device, bus: int, address: int, out: Sequence, read: Read, overdue: Overdue, *,
        bulk_in: int = -1, bulk_out: int = -1, interface: int = -1, counters: list[TagCounter] | None = None,
    ) -> None:  # fmt: skip
        self.device, self.bus, self.address, self.interface = device, bus, address, interface
        self.bulk_in, self.bulk_out = bulk_in, bulk_out
        self.inferred = bulk_in < 0 or bulk_out < 0
        self.state = IDLE
        self._tags = TagCounter([] if counters is None else counters)
        self._out, self._read, self._overdue = out, read, overdue
        self._open: Gathering | None = None
        self._invalid_status = False
        self._raw = b""
        self._wrapper: tuple[int, int, int, int, int, int, bytes] = (0, 0, 0, 0, 0, 0, b"")
        self._status: tuple[int, int, int, int] = (0, 0, 0, 0)
        self._length_told = True
        self._left_open: Gathering | None = None
        self._unexplained = Unexplained(out)
        self._gone: Why | None = None
        self._why = Why.RESET
        self.held: list[Transfer] = []

    @staticmethod
    def looks_like_command(read: Read, transfer: Transfer) -> bool:
        """Whether a transfer of an unknown pipe is a CBW: OUT, 31 bytes, the signature (BOT 1.0 6.2.1)."""
        return (
            not transfer.endpoint & 0x80
            and CBW_SIZE in (transfer.actual, transfer.requested)
            and transfer.captured >= 15
            and read(transfer.data_at, 4) == CBW_MAGIC
        )

    def wants(self, transfer: Transfer) -> bool:
        """For an inferred lane: whether this transfer of a pipe not known yet is the lane's. One OUT pipe is, by the
        CBW that came on it, and one IN pipe, by the CSW."""
        endpoint = transfer.endpoint
        if not endpoint & 0x80:
            if self.bulk_out < 0 and self.looks_like_command(self._read, transfer):
                self.bulk_out = endpoint
            return self.bulk_out == endpoint
        if self.bulk_in < 0 and self._open is not None and self._signal_in(transfer) == "CSW":
            self.bulk_in = endpoint
        return self.bulk_in == endpoint

    def may_want(self, transfer: Transfer) -> bool:
        """Whether the transfer might turn out to be the lane's, once a CSW shows which IN pipe is."""
        waits = self.bulk_in < 0 and self._open is not None and transfer.endpoint & 0x80
        return bool(waits) and len(self.held) < _MOST_HELD

    def settle_in(self) -> list[Transfer]:
        """Feed what was held of the IN pipe, now that it is known or has to be guessed; returns the rest. Without a CSW
        the first pipe that brought no more than the command announced is taken."""
        held, self.held = self.held, []
        if self.bulk_in < 0 and self._open is not None:
            expected = self._open.exchange.expected
            fitting = [t for t in held if 0 < max(t.requested, t.actual) <= expected]
            if fitting:
                self.bulk_in = fitting[0].endpoint
        for transfer in held:
            if transfer.endpoint == self.bulk_in:
                self.feed(transfer)
        return [transfer for transfer in held if transfer.endpoint != self.bulk_in]

    def take_all(self, agreed: Agreed) -> int:
        """Take exchanges in which everything agreed, which change nothing but the last tag seen; returns how many, 0
        where something is open that they might belong to."""
        if self.state is not IDLE or self._open or self._left_open or self._unexplained or self.held:
            return 0
        count = self._tags.take_all(agreed.tag, agreed.time_ns)
        if count:
            self._gone, self._invalid_status, self._length_told = None, False, True
        return count

    # -- signals -----------------------------------------------------------------------------------------------

    def feed(self, transfer: Transfer) -> None:
        """Take one bulk transfer."""
        read_signal = self._signal_in if transfer.endpoint & 0x80 else self._signal_out
        signal = read_signal(transfer)
        action, following, early = _STEPS[self.state, signal]
        if early and self._catch_up(transfer):
            action, following, _ = _STEPS[self.state, read_signal(transfer)]
        self.state = following
        action(self, transfer)

    def _catch_up(self, transfer: Transfer) -> bool:
        """What comes now follows something that the host has sent, but the recording lost the completion of that: take
        the submission as done. Returns whether there was any."""
        late = self._overdue(self.bus, self.address, (self.bulk_out,), transfer.end_ns)
        if not late:
            return False
        for sent in late:
            action, self.state, _ = _STEPS[self.state, self._signal_out(sent)]
            action(self, sent)
        return True

    def control(self, signal: str, transfer: Transfer | None = None, why: Why = Why.RESET) -> bool:
        """Take a control request that touches the pipes: "CLEARED IN", "CLEARED OUT", "RESET", or "GONE" when the
        device was unplugged. Returns whether it became part of an exchange."""
        if signal == "GONE":
            self._gone = why  # its last transfers have yet to end
            return False
        step = _STEPS.get((self.state, signal))
        if step is None:
            return False
        action, self.state, _ = step
        self._why = why
        action(self, transfer)
        return signal != "RESET" and transfer is not None

    def _signal_out(self, transfer: Transfer) -> str:
        if (transfer.requested == CBW_SIZE or transfer.actual == CBW_SIZE) and self._is_cbw(transfer):
            wrapper = self._wrapper = _read_cbw(self._raw)
            if not wrapper[2]:
                return "CBW NONE"
            return "CBW IN" if wrapper[3] & 0x80 else "CBW OUT"
        status, actual = transfer.status, transfer.actual
        if status is None and transfer.waited_ns >= 0:
            return "WAITING"
        if status and not actual:
            return "STALL OUT" if status in (STALL, SHORT_READ) else "ERROR OUT"
        if self.state is DATA_OUT and self._open is not None:
            exchange = self._open.exchange
            last = (self._length_told and exchange.moved + actual >= exchange.expected) or status == STALL
            return "OUT LAST" if last else "OUT"
        if self.state is IDLE or self.state is LOST:
            alike = (actual == CBW_SIZE and transfer.captured) or self._is_cbw(transfer)
            return "BAD CBW" if alike else "OUT"
        return "OUT"

    def _signal_in(self, transfer: Transfer) -> str:
        status, actual = transfer.status, transfer.actual
        if status and not actual:
            if status == STALL:
                return "STALL IN"
            if status != SHORT_READ:
                return "ERROR IN"
        gathering = self._open
        if actual == CSW_SIZE and transfer.captured >= 12:
            raw = self._read(transfer.data_at, transfer.captured)
            if raw[:4] == CSW_MAGIC:
                self._status = _read_csw(raw if len(raw) == CSW_SIZE else raw + b"\xff")
                if gathering is not None and self._status[1] == gathering.exchange.tag:
                    return "CSW"
                return "CSW" if gathering is not None and self._tag_fits(gathering) else "OTHER CSW"
        if status is None and transfer.waited_ns >= 0:
            return "WAITING"
        if self.state is STATUS:
            if actual:
                return "BAD CSW"
            # The emulator shows a stalled status read as an empty short read.
            return "STALL IN" if status == SHORT_READ else "EMPTY"
        if self.state is DATA_IN and gathering is not None:
            exchange = gathering.exchange
            enough = self._length_told and exchange.moved + actual >= exchange.expected
            ended = enough or status == STALL or transfer.fell_short
            return "IN LAST" if ended and transfer.status is not None else "IN"
        return "IN"

    def _tag_fits(self, gathering: Gathering) -> bool:
        """A CSW answers the open command where the text did not print that one's tag."""
        exchange = gathering.exchange
        if Field.TAG not in exchange.not_printed:
            return False
        exchange.tag = self._status[1]
        return True

    def _is_cbw(self, transfer: Transfer) -> bool:
        """Whether it begins as a CBW; what was captured of it is then in ``_raw``, filled up to the full size."""
        captured = transfer.captured
        if captured < 15:
            return False
        raw = self._read(transfer.data_at, captured if captured < CBW_SIZE else CBW_SIZE)
        self._raw = raw if len(raw) == CBW_SIZE else raw.ljust(CBW_SIZE, b"\0")
        return raw[:4] == CBW_MAGIC

    # -- actions ----------------------------------------------------------------------------------------------

    def _begin(self, transfer: Transfer) -> None:
        missing = self._tags.take(self._wrapper[1], transfer.submitted_ns)
        if not missing:
            self._gather(transfer)
            return
        self._gap(transfer)
        self._gather(transfer).note(Said.MISSING_BEFORE, missing)

    def _gather(self, transfer: Transfer) -> Gathering:
        _, tag, length, flags, lun, cdb_size, block = self._wrapper
        size = cdb_size & 0x1F
        captured = transfer.captured
        block = block[:size] if captured >= CBW_SIZE else block[: max(0, min(size, captured - 15))]
        start = transfer.submitted_ns
        end = transfer.completed_ns if transfer.completed_ns >= 0 else start
        exchange = Exchange(
            0, start if start >= 0 else end, self.bus, self.address, lun & 0x0F, tag, block,
            _NONE if not length else _IN if flags & 0x80 else _OUT, length, self.device,
        )  # fmt: skip
        size_sent = transfer.requested if transfer.requested >= 0 else transfer.actual
        exchange.command_at = _new(Piece, (transfer.data_at, captured, size_sent))
        exchange.command_ns = exchange.end_ns = end
        gathering = self._open = Gathering(exchange, transfer, self._out)
        self._invalid_status = False
        self._gone = None
        self._length_told = True
        if transfer.not_printed:
            self._note_printed(exchange, transfer)
        if flags & 0x7F or lun & 0xF0 or cdb_size & 0xE0:
            gathering.note(Said.RESERVED_BITS)
        if not block or _CDB_LENGTHS[block[0]] != size:
            self._note_block_length(gathering, transfer, size)
        if transfer.status != 0 or transfer.submitted_ns < 0:
            self._note_command(gathering, transfer)
        return gathering

    @staticmethod
    def _note_block_length(gathering: Gathering, transfer: Transfer, size: int) -> None:
        block = gathering.exchange.cdb
        if Field.BLOCK_LENGTH in transfer.not_printed:
            return  # nothing can be said of it
        if not 1 <= size <= 16:
            gathering.note(Said.BLOCK_LENGTH_ILLEGAL, size)
        elif block and (group := _CDB_LENGTHS[block[0]]) is not None and group != size:
            gathering.note(Said.BLOCK_LENGTH_ODD, size, group)

    def _note_command(self, gathering: Gathering, transfer: Transfer) -> None:
        if transfer.waited_ns >= 0:
            gathering.wait(transfer)
        elif transfer.status is None:
            gathering.note(Said.COMMAND_END_LOST)
        elif transfer.status == STALL:
            gathering.stalled.append("command")
        elif transfer.status:
            gathering.note(Said.COMMAND_NOT_SENT, transfer.status)
        else:
            gathering.note(Said.COMMAND_START_LOST)

    def _note_printed(self, exchange: Exchange, transfer: Transfer) -> None:
        """A wrapper of which a text printed only some fields."""
        exchange.not_printed += transfer.not_printed
        if Field.LENGTH in transfer.not_printed:
            self._length_told = False
            exchange.expected = 0 if exchange.expected == LENGTH_UNTOLD else exchange.expected

    def _close_untold(self, exchange: Exchange, transfer: Transfer, outcome: Status) -> Status:
        """What can be said at the end of an exchange of which not everything was printed. Returns its status."""
        exchange.not_printed += transfer.not_printed
        if not self._length_told:
            exchange.expected = max(exchange.expected, exchange.moved)
        if Field.RESIDUE in transfer.not_printed:
            exchange.residue = None
        return UNTOLD if Field.STATUS in transfer.not_printed else outcome

    def _take(self, transfer: Transfer) -> None:
        gathering = self._open
        assert gathering is not None
        gathering.take(transfer)
        if transfer.not_printed:
            gathering.exchange.not_printed += transfer.not_printed

    def _close(self, transfer: Transfer) -> None:
        gathering = self._open
        assert gathering is not None
        exchange = gathering.exchange
        _, _, residue, status = self._status
        exchange.residue = residue
        outcome = _STATUSES[status] if status < 3 else INVALID
        if transfer.captured < CSW_SIZE:
            outcome = MISSING
            gathering.note(Said.STATUS_CUT)
        elif status >= 3:
            gathering.note(Said.STATUS_RESERVED, status)
        if transfer.submitted_ns < 0:
            gathering.note(Said.STATUS_START_LOST)
        gathering.touch(transfer)
        exchange.status_at = _new(Piece, (transfer.data_at, transfer.captured, transfer.actual))
        if exchange.not_printed or transfer.not_printed:
            outcome = self._close_untold(exchange, transfer, outcome)
            doubtful = bool({Field.LENGTH, Field.RESIDUE, Field.STATUS} & set(exchange.not_printed))
        elif outcome == PHASE_ERROR or (residue == 0 and exchange.moved == exchange.expected):
            doubtful = False
        else:
            doubtful = self._doubts(gathering, residue, transfer)
        if not doubtful:
            exchange.case = case_of(
                exchange.cdb, exchange.direction, exchange.expected, exchange.moved, residue, outcome
            )
        gathering.seal(outcome)
        self._open = None
        self._unexplained.closed(gathering, self._read)
        if self._left_open is not None:
            self._release_left_open()

    def _doubts(self, gathering: Gathering, residue: int, transfer: Transfer) -> bool:
        """Whether length, residue and what moved contradict each other, so that no case can be told."""
        exchange = gathering.exchange
        if Remark(Said.TRANSFERS_MISSING) in gathering.remarks:
            return True
        if residue > exchange.expected:
            gathering.note(Said.RESIDUE_TOO_LARGE)
            return True
        if exchange.moved > exchange.expected:
            gathering.note(Said.MORE_MOVED, exchange.moved - exchange.expected)
            return True
        missing = exchange.expected - residue - exchange.moved
        if missing > 0:
            for lost in self._overdue(self.bus, self.address, (self.bulk_in,), transfer.start_ns):
                gathering.missed(lost)
        if missing > 0 and not gathering.short and not gathering.stalled:
            # The device did not end the phase early, so the bytes did cross the bus; the recording lacks them.
            exchange.truncated = True
            gathering.note(Said.DATA_NOT_CAPTURED, missing)
            return True
        return False

    def _release_left_open(self) -> None:
        if self._left_open is not None:
            self._out.done(self._left_open)
            self._left_open = None

    def _reset(self, transfer: Transfer | None) -> None:
        self._abandon(self._why, 0 if transfer is None else transfer.start_ns)

    def _abandon(self, why: Why, before_ns: int) -> None:
        """The open exchange gets no status. It stays within reach for one more, since a CSW may come late."""
        gathering = self._open
        if gathering is None:
            return
        exchange = gathering.exchange
        for transfer in self._overdue(self.bus, self.address, (self.bulk_in,), before_ns):
            gathering.missed(transfer)
        if exchange.command_at.actual != CBW_SIZE or self._read(exchange.command_at.at, 4) != CBW_MAGIC:
            self._withdraw(gathering)
            return
        gathering.note(Said.NO_VALID_STATUS if self._invalid_status else Said.NO_STATUS, self._gone or why)
        gathering.seal(INVALID if self._invalid_status else MISSING)
        self._open = None
        self._release_left_open()
        self._left_open = gathering

    def _withdraw(self, gathering: Gathering) -> None:
        """An invalid command that no CSW answered: not an exchange, but not nothing either (BOT 6.6.1)."""
        exchange = gathering.exchange
        self._open = None
        self._out.replace(
            gathering,
            Stray(
                exchange.time_ns, self.bus, self.address, max(0, self.bulk_out), self.device,
                StrayKind.INVALID_COMMAND, _not_a_wrapper(exchange.command_at, gathering.stalled), exchange.command_at,
                tuple(sorted(gathering.records)), gathering.wire,
            ),
        )  # fmt: skip

    def _open_invalid(self, transfer: Transfer) -> None:
        raw = self._read(transfer.data_at, min(CBW_SIZE, transfer.captured))
        self._wrapper = _read_cbw(raw.ljust(CBW_SIZE, b"\0"))
        self._tags.skip()
        gathering = self._gather(transfer)
        gathering.exchange.command_at = transfer.piece
        gathering.remarks = [_not_a_wrapper(transfer.piece)]

    def _reopen(self, transfer: Transfer) -> None:
        if self._tags.missing(self._wrapper[1], transfer.submitted_ns):
            self._gap(transfer)
            self._forgive(self._wrapper[1])
            self._abandon(Why.RECORDS_MISSING, transfer.start_ns)
        else:
            self._abandon(Why.NEXT_COMMAND, transfer.start_ns)
        self._begin(transfer)

    def _forgive(self, following: int) -> None:
        """A CSW whose tag lies between the open command's and the next one's is a missing command's."""
        gathering = self._open
        assert gathering is not None
        wrong = [remark for remark in gathering.remarks if remark.kind is Said.OTHER_TAG]
        if wrong and all(due < tag < following for _, (tag, due) in wrong):
            gathering.remarks = [remark for remark in gathering.remarks if remark not in wrong]
            self._invalid_status = False

    def _reopen_invalid(self, transfer: Transfer) -> None:
        self._abandon(Why.OTHER_TRANSFER, transfer.start_ns)
        self._open_invalid(transfer)

    def _other_status(self, transfer: Transfer) -> None:
        """A CSW whose tag is not the open exchange's: late, or the device lost count (BOT 6.3.1)."""
        gathering = self._not_valid(transfer)
        _, tag, residue, status = self._status
        late = self._left_open
        if late is not None and late.exchange.tag == tag:
            gathering.note(Said.LATE_STATUS_HERE, tag)
            late.exchange.residue = residue
            late.exchange.status = _STATUSES[status] if status < 3 else INVALID
            late.exchange.remarks += (Remark(Said.STATUS_LATE),)
        else:
            gathering.note(Said.OTHER_TAG, tag, gathering.exchange.tag)

    def _bad_status(self, transfer: Transfer) -> None:
        gathering = self._not_valid(transfer)
        if transfer.actual == CSW_SIZE:
            gathering.note(Said.STATUS_SIGNATURE)
        else:
            gathering.note(Said.STATUS_SIZE, transfer.actual)

    def _not_valid(self, transfer: Transfer) -> Gathering:
        gathering = self._open
        assert gathering is not None
        gathering.touch(transfer)
        self._invalid_status = True
        if gathering.exchange.status_at is NO_DATA:
            gathering.exchange.status_at = transfer.piece
        return gathering

    def _empty_status(self, transfer: Transfer) -> None:
        gathering = self._open
        assert gathering is not None
        gathering.touch(transfer)
        if transfer.status is None:
            gathering.note(Said.READ_END_LOST)
        else:
            gathering.note(Said.EMPTY_BEFORE_STATUS)

    def _waiting(self, transfer: Transfer) -> None:
        assert self._open is not None
        self._open.take(transfer)

    def _stray_waiting(self, transfer: Transfer) -> None:
        self._out.add(stray(self.device, transfer, StrayKind.DATA, Said.STILL_WAITING, transfer.waited_ns))

    def _wrong_way(self, transfer: Transfer) -> None:
        assert self._open is not None
        self._open.touch(transfer)
        self._open.note(Said.WRONG_WAY, transfer.actual)

    def _too_much(self, transfer: Transfer) -> None:
        assert self._open is not None
        self._open.take(transfer)
        if transfer.actual:
            self._open.note(Said.BEYOND_LENGTH, transfer.actual)
        else:
            self._open.note(Said.EMPTY_AFTER_DATA)

    def _stall_data(self, transfer: Transfer) -> None:
        gathering = self._open
        assert gathering is not None
        gathering.touch(transfer)
        in_status = transfer.endpoint & 0x80 and transfer.requested == CSW_SIZE
        gathering.stalled.append("command" if self.state is LOST else "status" if in_status else "data")

    def _stall_status(self, transfer: Transfer) -> None:
        assert self._open is not None
        self._open.touch(transfer)
        self._open.stalled.append("status" if transfer.endpoint & 0x80 else "data")

    def _error(self, transfer: Transfer) -> None:
        gathering = self._open
        assert gathering is not None
        gathering.touch(transfer)
        if transfer.status is not None:
            gathering.note(Said.TRANSFER_FAILED, transfer.status)

    def _cleared(self, transfer: Transfer | None) -> None:
        """CLEAR_FEATURE(ENDPOINT_HALT) is part of the exchange. A host clears a pipe only after a stall, so one
        happened even if a short read is all that showed."""
        gathering = self._open
        assert gathering is not None
        if transfer is not None:
            gathering.touch(transfer)
        exchange = gathering.exchange
        if not gathering.stalled and exchange.moved < exchange.expected and self.state is STATUS:
            gathering.stalled.append("data")
            gathering.note(Said.STALL_BY_CLEARING)

    def _gap(self, _: Transfer) -> None:
        """Transfers are missing. What was open may have gone on among them, and sense may have been asked for."""
        self._unexplained.let_go(Remark(Said.TRANSFERS_MISSING))
        self._release_left_open()
        if self._open is not None:
            self._open.note(Said.TRANSFERS_MISSING)
            self._open.exchange.truncated = True

    def _unsure(self, transfer: Transfer | None) -> None:
        assert self._open is not None
        if transfer is not None:
            self._open.touch(transfer)

    def _open_behind(self, transfer: Transfer) -> None:
        self._abandon(Why.RECORDS_MISSING, transfer.start_ns)
        self._release_left_open()
        self._begin(transfer)

    def _rest_behind(self, transfer: Transfer) -> None:
        self._abandon(Why.RECORDS_MISSING, transfer.start_ns)
        self._release_left_open()
        self._rest(transfer)

    def _rest(self, transfer: Transfer) -> None:
        self._out.add(stray(self.device, transfer, StrayKind.REST, Said.REST_OF_MISSING, transfer.actual))

    def _stray_data(self, transfer: Transfer) -> None:
        if transfer.actual == CBW_SIZE and not transfer.endpoint & 0x80:
            self._tags.skip()  # a CBW of which nothing was captured, perhaps
        self._out.add(stray(self.device, transfer, StrayKind.DATA, Said.STRAY_BYTES, transfer.actual))

    def _stray_status(self, transfer: Transfer) -> None:
        _, tag, _, status = self._status
        self._out.add(stray(self.device, transfer, StrayKind.STATUS, Said.STRAY_STATUS, tag, status))

    def _stray_stall(self, transfer: Transfer) -> None:
        self._out.add(stray(self.device, transfer, StrayKind.STALL, Said.STRAY_STALL))

    def _stray_error(self, transfer: Transfer) -> None:
        status = transfer.status or 0
        self._out.add(stray(self.device, transfer, StrayKind.ERROR, Said.STRAY_FAILURE, status))

    def end(self, why: Why = Why.CAPTURE_ENDS) -> None:
        """No more transfers will come: let everything go that waits."""
        if self.state is not IDLE:
            self.control("RESET", None, why)
        self._unexplained.let_go()
        self._release_left_open()


def _not_a_wrapper(at: Piece, stalled: Iterable[str] = ()) -> Remark:
    """Why the bytes there are no valid CBW (BOT 1.0 6.2.1), and in which phases the device stalled it."""
    if at.captured < min(15, at.actual):
        return Remark(Said.WRAPPER_CUT, (at.captured, at.actual))
    phases = sum(1 << PHASES.index(phase) for phase in set(stalled))
    if at.actual != CBW_SIZE:
        return Remark(Said.WRAPPER_SIZE, (phases, at.actual))
    return Remark(Said.WRAPPER_SIGNATURE, (phases,))


_ACTIONS: dict[str, Callable[[Lane, Any], None]] = {
    "open": Lane._begin, "open_invalid": Lane._open_invalid, "reopen": Lane._reopen,
    "reopen_invalid": Lane._reopen_invalid, "take": Lane._take, "close": Lane._close,
    "other_status": Lane._other_status, "bad_status": Lane._bad_status, "empty_status": Lane._empty_status,
    "wrong_way": Lane._wrong_way, "too_much": Lane._too_much, "stall_data": Lane._stall_data,
    "stall_status": Lane._stall_status, "error": Lane._error, "cleared": Lane._cleared,
    "stray_data": Lane._stray_data, "stray_status": Lane._stray_status, "stray_stall": Lane._stray_stall,
    "stray_error": Lane._stray_error, "waiting": Lane._waiting, "stray_waiting": Lane._stray_waiting,
    "abandon": Lane._reset, "gap": Lane._gap, "unsure": Lane._unsure,
    "open_behind": Lane._open_behind, "rest_behind": Lane._rest_behind, "rest": Lane._rest,
}  # fmt: skip

_STEPS = {key: (_ACTIONS[action], following, key[1] in EARLY[key[0]]) for key, (action, following) in TABLE.items()}
"""The table made ready: the action itself, the next state, and whether the signal may come early."""
