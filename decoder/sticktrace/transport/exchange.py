"""The exchange: one storage command with its data, its status and the sense that explains it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from sticktrace.capture.transfer import NO_DATA, Piece

PASSED, FAILED, PHASE_ERROR, MISSING, INVALID = "passed", "failed", "phase error", "missing", "invalid"
"""What a CSW says (BOT 1.0 Table 5.3), or that there is none, or that it is not valid (6.3)."""


class Sense(NamedTuple):
    """Sense data boiled down: key, additional sense code and qualifier, and the exchange that fetched it
    (0 when it came with the status itself, as over UAS)."""

    key: int
    asc: int
    ascq: int
    exchange: int
    at: Piece


@dataclass(slots=True, eq=False)
class Exchange:
    """One command, cheap to hold: numbers and places in the capture, no payload.

    Times are nanoseconds since the first record. ``time_ns`` is when the command was submitted, ``data_ns`` when the
    last data transfer ended (-1 without data), ``end_ns`` the last record that belongs here. ``direction`` is "in",
    "out" or "none". ``expected`` is dCBWDataTransferLength (over UAS and CBI, which announce none, what the host asked
    of the data pipes), ``moved`` the bytes that crossed the bus in the data phase, ``residue`` dCSWDataResidue or None
    without a valid CSW (over UAS what was asked for and did not come). ``case`` is the number of BOT 1.0 6.7, or None.
    ``stalled`` names the phases in which a STALL was seen: "command", "data", "status". ``truncated``: part of the data
    is not in the capture. ``pieces`` places the data transfer by transfer. ``notes`` are one-line remarks, none of them
    fatal.
    """

    number: int
    time_ns: int
    bus: int
    address: int
    lun: int
    tag: int
    cdb: bytes
    direction: str
    expected: int
    moved: int = 0
    residue: int | None = None
    status: str = MISSING
    sense: Sense | None = None
    case: int | None = None
    stalled: tuple[str, ...] = ()
    truncated: bool = False
    records: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    pieces: tuple[Piece, ...] = ()
    command_at: Piece = NO_DATA
    status_at: Piece = NO_DATA
    command_ns: int = -1
    data_ns: int = -1
    end_ns: int = -1
    transport: str = "BOT"

    @property
    def opcode(self) -> int:
        """First byte of the command block; -1 for an empty one."""
        return self.cdb[0] if self.cdb else -1

    @property
    def command(self) -> str:
        """The standard name of the command: "READ(10)"."""
        from sticktrace.grammar.vocabulary import name

        return name(self.cdb)

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
    def duration_ns(self) -> int:
        """From the submission of the command to the last record of the exchange."""
        return max(0, self.end_ns - self.time_ns)
