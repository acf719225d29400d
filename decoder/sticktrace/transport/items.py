"""What transport hands on: items, each with the device that it belongs to.

`Item` is everything that a reading yields. Who it was is said once, when the item is made: the router knows whose pipe
a transfer was on, the bus whose request it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from sticktrace.bus.device import Device
from sticktrace.bus.events import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.capture.logs import Statement
from sticktrace.capture.transfer import NO_DATA, Piece
from sticktrace.capture.wire import Wire
from sticktrace.grammar.direction import Direction as Direction
from sticktrace.transport.remarks import Remark


class Status(StrEnum):
    """What a CSW says (BOT 1.0 Table 5.3), or that there is none, or that it is not valid (6.3). UNTOLD: one came, and
    the text does not print what it says."""

    PASSED = "passed"
    FAILED = "failed"
    PHASE_ERROR = "phase error"
    MISSING = "missing"
    INVALID = "invalid"
    UNTOLD = "not printed"


PASSED, FAILED, PHASE_ERROR, MISSING, INVALID, UNTOLD = Status


class Transport(StrEnum):
    """How commands are wrapped (MSC Specification Overview 1.4, bInterfaceProtocol). UNTOLD: a log tells of the
    command and not of that."""

    BOT = "BOT"
    UAS = "UAS"
    CBI = "CBI"
    UNTOLD = "not told"


class StrayKind(StrEnum):
    """What it is that belongs to no exchange. INVALID_COMMAND is a CBW that is not valid (BOT 1.0 6.2.1). REST follows
    a place where the recorder lost transfers: its command may be among them, so that it says nothing of the device."""

    INVALID_COMMAND = "invalid command"
    STATUS = "stray status"
    DATA = "stray data"
    STALL = "stray stall"
    ERROR = "stray error"
    TASK = "task management"
    REST = "rest of a missing command"


NO_TAG = -1
"""dCBWTag, and NOT_PRINTED dCBWDataTransferLength, of a command of which a log tells."""
NOT_PRINTED = -1


class Sense(NamedTuple):
    """Sense data boiled down: key, additional sense code and qualifier, and the exchange that fetched it
    (0 when it came with the status itself, as over UAS)."""

    key: int
    asc: int
    ascq: int
    exchange: int
    at: Piece


class Field(StrEnum):
    """What `Exchange.not_printed` lists: fields of the wrappers by their names in the standard, and what sense lacks
    where a driver read it out."""

    TAG = "dCBWTag"
    LENGTH = "dCBWDataTransferLength"
    FLAGS = "bmCBWFlags"
    LUN = "bCBWLUN"
    BLOCK_LENGTH = "bCBWCBLength"
    BLOCK = "CBWCB"
    STATUS_TAG = "dCSWTag"
    RESIDUE = "dCSWDataResidue"
    STATUS = "bCSWStatus"
    SENSE_REST = "sense data but for key and codes"


@dataclass(slots=True, eq=False)
class Exchange:
    """One command, cheap to hold: numbers and places in the capture, no payload.

    Times are nanoseconds since the first record. ``time_ns`` is when the command was submitted, ``data_ns`` when the
    last data transfer ended (-1 without data), ``end_ns`` the last record that belongs here. ``expected`` is
    dCBWDataTransferLength (over UAS and CBI, which announce none, what the host asked of the data pipes), ``moved`` the
    bytes that crossed the bus in the data phase, ``residue`` dCSWDataResidue or None without a valid CSW (over UAS what
    was asked for and did not come). ``case`` is the number of BOT 1.0 6.7, or None. ``stalled`` names the phases in
    which a STALL was seen: "command", "data", "status". ``truncated``: part of the data is not in the capture.
    ``pieces`` places the data transfer by transfer. ``remarks`` say what else was seen, none of it fatal.
    ``not_printed`` names what a console text does not show of CBW, CSW and sense; what stands for it here is 0, or
    follows from the command. ``wire`` is what packets add, None for captures of a host.
    """

    number: int
    time_ns: int
    bus: int
    address: int
    lun: int
    tag: int
    cdb: bytes
    direction: Direction
    expected: int
    device: Device
    moved: int = 0
    residue: int | None = None
    status: Status = MISSING
    sense: Sense | None = None
    case: int | None = None
    stalled: tuple[str, ...] = ()
    truncated: bool = False
    records: tuple[int, ...] = ()
    remarks: tuple[Remark, ...] = ()
    pieces: tuple[Piece, ...] = ()
    command_at: Piece = NO_DATA
    status_at: Piece = NO_DATA
    command_ns: int = -1
    data_ns: int = -1
    end_ns: int = -1
    transport: Transport = Transport.BOT
    not_printed: tuple[str, ...] = ()
    wire: Wire | None = None

    @property
    def told(self) -> bool:
        """Whether it is only told of, by a log: its block, status and sense are known as far as printed; tag, lengths,
        data and phases are not."""
        return self.tag == NO_TAG

    @property
    def opcode(self) -> int:
        """First byte of the command block; -1 for an empty one."""
        return self.cdb[0] if self.cdb else -1

    @property
    def device_type(self) -> int | None:
        """PERIPHERAL DEVICE TYPE of its unit (SPC-3 6.4.2); None where no INQUIRY told it. Some operation codes mean
        other commands on other types."""
        return self.device.unit_types.get(self.lun)

    @property
    def command(self) -> str:
        """The standard name of the command: "READ(10)"."""
        from sticktrace.grammar.vocabulary import name

        if not self.cdb and Field.BLOCK in self.not_printed:
            return "command not printed"
        return name(self.cdb, self.device_type)

    @property
    def lba(self) -> int | None:
        """First logical block address, None for a command without one."""
        from sticktrace.grammar.vocabulary import lba_and_blocks

        return lba_and_blocks(self.cdb)[0]

    @property
    def blocks(self) -> int | None:
        """Number of blocks, None for a command without one."""
        from sticktrace.grammar.vocabulary import lba_and_blocks

        return lba_and_blocks(self.cdb)[1]

    @property
    def notes(self) -> tuple[str, ...]:
        """The remarks in words, one line each."""
        return tuple(remark.words for remark in self.remarks)

    @property
    def went_well(self) -> bool:
        """Whether it passed, or brought the report that was asked for: ATA PASS-THROUGH with CK_COND set ends in CHECK
        CONDITION with the ATA registers as sense 1/00/1D (SAT 12.2.5)."""
        if self.status is Status.PASSED:
            return True
        asked = self.opcode in _ATA_PASS_THROUGH and len(self.cdb) > 2 and self.cdb[2] & 0x20
        return bool(asked) and self.sense is not None and self.sense[:3] in _ATA_REPORT

    @property
    def duration_ns(self) -> int:
        """From the submission of the command to the last record of the exchange."""
        return max(0, self.end_ns - self.time_ns)


_ATA_PASS_THROUGH = frozenset((0x85, 0xA1))
_ATA_REPORT = frozenset(((1, 0x00, 0x1D), (0, 0x00, 0x1D)))


@dataclass(slots=True, eq=False)
class Stray:
    """Bulk traffic on storage endpoints that belongs to no exchange; ``remark`` says why."""

    time_ns: int
    bus: int
    address: int
    endpoint: int
    device: Device
    kind: StrayKind
    remark: Remark
    piece: Piece
    records: tuple[int, ...]
    wire: Wire | None = None

    @property
    def reason(self) -> str:
        """Why it belongs nowhere, in one line."""
        return self.remark.words


@dataclass(slots=True, eq=False)
class Saying:
    """What a log says of a device; ``lun`` is the unit that it speaks of (0 where it names none). ``in_exchange``: it
    is what an exchange was made from as well, which counts its records. ``shown``: a log beside the capture says it,
    and the capture shows that itself. ``blames`` is the failure on the bus that it tells of, None where none is."""

    time_ns: int
    bus: int
    address: int
    device: Device
    lun: int
    statement: Statement
    records: tuple[int, ...]
    in_exchange: bool = False
    shown: bool = False
    blames: Exchange | Request | None = None


Item = Exchange | Request | BusEvent | Stray | Saying
"""Everything that a reading yields, in the order in which it began."""
