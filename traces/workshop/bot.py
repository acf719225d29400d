"""Bulk-Only Transport from the host's side: command, data, status, and the recovery from what went wrong (BOT 1.0)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

from workshop import wire
from workshop.identity import Stick
from workshop.recorder import CANCELLED, STALL, Recorder
from workshop.transfers import BYTE_NS, DIRECTION_IN, NO_DMA_MAP, Transfers
from workshop.unit import CHECK, Answer, extent

MEDIUM_NS = {0x28: 260_000, 0x2A: 900_000, 0x35: 2_500_000, 0x88: 260_000, 0x8A: 900_000}
"""What the medium adds to the time of a command: a plain stick's order of magnitude, common practice."""


@dataclass(frozen=True, slots=True)
class Oddity:
    """How one command departs from the orderly course. All of it is optional.

    ``cbw``, ``csw``: bytes in place of the regular wrapper. ``csw_tag``, ``csw_signature``: one field wrong.
    ``cdb_length``: another bCBWCBLength. ``flags``: another bmCBWFlags. ``split``: bytes per data transfer.
    ``zero_length``: an empty IN transfer before the CSW. ``stall_data``, ``stall_status``: that phase is answered by
    STALL, after whatever data there is; ``accepts``: bytes that the device takes of OUT data. ``clears``: the host
    clears the halt. ``csw_in_data``: the CSW comes where data was due. ``no_status``: the host never reads it.
    ``command_error``, ``data_error``, ``status_error``: that transfer ends with this status, and the command with it.
    ``status_length``: bytes asked for the CSW. ``late_ms``: time that the device takes before the CSW.
    """

    cbw: bytes | None = None
    csw: bytes | None = None
    csw_tag: int | None = None
    csw_signature: int = wire.CSW_SIGNATURE
    cdb_length: int | None = None
    flags: int | None = None
    split: int = 0
    zero_length: bool = False
    stall_data: bool = False
    accepts: int | None = None
    stall_status: bool = False
    clears: bool = True
    csw_in_data: bool = False
    no_status: bool = False
    command_error: int = 0
    data_error: int = 0
    status_error: int = 0
    status_length: int = 13
    late_ms: float = 0


class Result(NamedTuple):
    """What the host got: bCSWStatus, or None where no CSW came; the data read; the sense fetched afterwards."""

    status: int | None
    data: bytes = b""
    sense: bytes = b""


class BulkOnly(Transfers):
    """Commands over Bulk-Only Transport. ``tag`` is the next dCBWTag."""

    def __init__(self, recorder: Recorder, stick: Stick, **options: Any) -> None:
        super().__init__(recorder, stick, **options)
        self.tag = 1
        self.bulk_in, self.bulk_out = stick.endpoints()

    def command(
        self,
        cdb: bytes,
        *,
        data_in: bytes | None = None,
        data_out: bytes | None = None,
        expected: int | None = None,
        lun: int = 0,
        status: int = 0,
        residue: int | None = None,
        **oddities: Any,
    ) -> Result:
        """One scripted command. ``expected`` is dCBWDataTransferLength, else the length of the data. The direction is
        IN with ``data_in``, OUT with ``data_out``; ``residue`` None is expected less moved."""
        odd = Oddity(**oddities)
        data = data_out if data_out is not None else data_in or b""
        length = len(data) if expected is None else expected
        incoming = data_out is None and data_in is not None
        tag, self.tag = self.tag, self.tag + 1
        flags = (0x80 if incoming else 0) if odd.flags is None else odd.flags
        wrapper = wire.cbw(tag, length, flags, lun, cdb, odd.cdb_length) if odd.cbw is None else odd.cbw
        if not self._send(wrapper, odd):
            return Result(None)
        moved = min(len(data), length) if incoming else self._accepted(length, odd)
        left = length - moved if residue is None else residue
        final = (
            odd.csw
            if odd.csw is not None
            else wire.csw(tag if odd.csw_tag is None else odd.csw_tag, left, status, odd.csw_signature)
        )
        if length and not self._data(data, length, incoming, final, odd):
            return Result(status if odd.csw_in_data else None, data if incoming else b"")
        if odd.no_status or not self._status(final, odd, MEDIUM_NS.get(cdb[0], 0) if not incoming else 0):
            return Result(None, data if incoming else b"")
        return Result(status, data if incoming else b"")

    def _send(self, wrapper: bytes, odd: Oddity) -> bool:
        self.bulk(self.bulk_out, len(wrapper), wrapper, status=odd.command_error, id=self.command_id, flags=NO_DMA_MAP)
        if odd.command_error == STALL and odd.clears:
            self.clear_halt(self.bulk_out)
        return odd.command_error == 0

    def _data(self, data: bytes, length: int, incoming: bool, final: bytes, odd: Oddity) -> bool:
        """The data phase; False where the command ends in it."""
        endpoint = self.bulk_in if incoming else self.bulk_out
        if odd.csw_in_data:
            self.bulk(endpoint, length, final, status=self.short_status)
            return False
        end = odd.data_error or (STALL if odd.stall_data else 0)
        going = len(data) if incoming else self._accepted(length, odd)
        step = odd.split or length
        for at in range(0, length, step):
            size = min(step, length - at)
            moved = max(0, min(size, going - at))
            last = at + size >= length or moved < size
            status = end if last and end else self.short_status if moved < size and incoming else 0
            took_ns = self.overhead_ns + moved * BYTE_NS[self.stick.identity.speed]
            took_ns += MEDIUM_NS[0x28] if incoming and at == 0 and length >= 512 else 0
            self.bulk(endpoint, size, data[at : at + size], status=status, moved=moved, took_ns=took_ns)
            if last:
                break
        if odd.stall_data and odd.clears:
            self.clear_halt(endpoint)
        return odd.data_error == 0

    @staticmethod
    def _accepted(length: int, odd: Oddity) -> int:
        """How much of an OUT data phase the device takes: nothing when it stalls or fails, unless told."""
        if odd.accepts is not None:
            return odd.accepts
        return 0 if odd.stall_data or odd.data_error else length

    def _status(self, final: bytes, odd: Oddity, medium_ns: int) -> bool:
        if odd.zero_length:
            self.read_status(b"", odd.status_length)
        if odd.stall_status:
            self.read_status(b"", odd.status_length, status=STALL)
            if not odd.clears:
                return False
            self.clear_halt(self.bulk_in)
        took_ns = int(odd.late_ms * 1_000_000) + self.overhead_ns + medium_ns
        error = odd.status_error
        self.read_status(b"" if error else final, odd.status_length, status=error, took_ns=took_ns)
        return error == 0

    def read_status(self, final: bytes, length: int = 13, *, status: int = 0, took_ns: int | None = None) -> None:
        """A read of the CSW alone."""
        flags = NO_DMA_MAP | DIRECTION_IN
        self.bulk(self.bulk_in, length, final, status=status, took_ns=took_ns, id=self.command_id, flags=flags)

    def execute(self, cdb: bytes, *, lun: int = 0, data_out: bytes | None = None, expected: int | None = None,
                sense: bool = True, **oddities: Any) -> Result:  # fmt: skip
        """One command answered by the stick's unit, by the book (BOT 1.0 6.7); a failure is followed by REQUEST SENSE
        unless ``sense`` is False."""
        answer = self.stick.units[lun].answer(cdb, data_out or b"")
        wanted = self._wanted(cdb, answer, lun) if expected is None else expected
        if data_out is not None:
            stalled = answer.status == CHECK and answer.taken == 0 and len(data_out) > 0
            residue = len(data_out) - answer.taken
            result = self.command(cdb, data_out=data_out, lun=lun, status=answer.status, residue=residue,
                                  stall_data=stalled, **oddities)  # fmt: skip
        else:
            result = self._fetch(cdb, answer, wanted, lun, oddities)
        if result.status != CHECK or not sense or cdb[0] == 0x03:
            return result
        return result._replace(sense=self.execute(wire.request_sense(), lun=lun).data)

    def _wanted(self, cdb: bytes, answer: Answer, lun: int) -> int:
        """What a host expects: the allocation length, or the blocks asked for."""
        if cdb[0] in (0x03, 0x1A):
            return cdb[4]
        if cdb[0] in (0x23, 0x5A):
            return int.from_bytes(cdb[7:9], "big")
        if cdb[0] in (0x08, 0x28, 0x88, 0xA8):
            medium = self.stick.units[lun].medium
            return extent(cdb)[1] * (medium.block_length if medium else 512)
        fixed = {0x12: int.from_bytes(cdb[3:5], "big"), 0x25: 8, 0x9E: 32, 0xA0: 16}
        return fixed.get(cdb[0], len(answer.data))

    def _fetch(self, cdb: bytes, answer: Answer, wanted: int, lun: int, oddities: dict[str, Any]) -> Result:
        """Cases 1, 4, 5 and 6. A failed command that sent too little stalls the data phase; a good one with less data
        than expected does what the stick does then."""
        if not wanted:
            return self.command(cdb, lun=lun, status=answer.status, **oddities)
        data, residue, less = answer.data, wanted - len(answer.data), len(answer.data) < wanted
        if less and answer.status == CHECK:
            oddities = {"stall_data": True, **oddities}
        elif less and self.stick.short == "stall":
            oddities = {"stall_status": True, **oddities}
        elif less and self.stick.short == "pad":
            data = data.ljust(wanted, b"\0")
        result = self.command(cdb, data_in=data, expected=wanted, lun=lun, status=answer.status, residue=residue,
                              **oddities)  # fmt: skip
        return result._replace(data=answer.data)

    def clear_halt(self, endpoint: int, status: int = 0) -> None:
        """CLEAR_FEATURE(ENDPOINT_HALT)."""
        self.control(wire.clear_halt(endpoint), status=status)

    def reset_recovery(self) -> None:
        """Class reset, then both halts cleared, bulk-IN first (BOT 1.0 5.3.4)."""
        self.control(wire.class_reset(self.stick.interface()), took_ns=2_000_000)
        self.clear_halt(self.bulk_in)
        self.clear_halt(self.bulk_out)

    def time_out(self, cdb: bytes, *, data_in: int = 0, after_ms: float = 5_000, status: int = CANCELLED,
                 lun: int = 0) -> None:  # fmt: skip
        """A command whose device answers no more: the transfer then due is cancelled by the host."""
        tag, self.tag = self.tag, self.tag + 1
        self._send(wire.cbw(tag, data_in, 0x80 if data_in else 0, lun, cdb), Oddity())
        took_ns = int(after_ms * 1_000_000)
        if data_in:
            self.bulk(self.bulk_in, data_in, status=status, took_ns=took_ns)
        else:
            self.read_status(b"", status=status, took_ns=took_ns)
