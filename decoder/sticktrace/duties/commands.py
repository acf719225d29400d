"""A command as an occasion: what the wrappers, the data and the sense of one exchange say, and what went before it.

A property raises `Unseen` where the recording does not show it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

from sticktrace.bus.interfaces import StorageInterface
from sticktrace.capture.transfer import Piece
from sticktrace.codes.scsi import cdb_length
from sticktrace.duties.expression import Bytes, Unseen, be
from sticktrace.grammar.vocabulary import data_length, find, lba_and_blocks
from sticktrace.transport.items import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, Exchange, Field, Transport
from sticktrace.transport.remarks import RESETS, Why, reason, statuses

Read = Callable[[Piece], bytes]

MOST_DATA = 4096
"""Bytes of a data phase that rules look at; no parameter data that they ask for is longer."""

_ALLOCATION = {
    0x03: (4, 1), 0x12: (3, 2), 0x1A: (4, 1), 0x5A: (7, 2), 0x23: (7, 2), 0x4D: (7, 2), 0x9E: (10, 4), 0xA0: (6, 4),
    0x43: (7, 2), 0x46: (7, 2), 0x4A: (7, 2), 0x51: (7, 2),
}  # fmt: skip
"""Opcode -> place and bytes of the ALLOCATION LENGTH (SPC-3, SBC-2, MMC-5)."""
_LENGTH_FIELDS = {
    (0x12, False): (4, 1), (0x12, True): (2, 2), (0x1A, False): (0, 1), (0x5A, False): (0, 2), (0xA0, False): (0, 4),
    (0x23, False): (3, 1),
}  # fmt: skip
"""Opcode and EVPD -> place and bytes of the length that the answer tells of itself."""
_LISTS = {0x15: (4, 1), 0x55: (7, 2), 0x42: (7, 2), 0x4C: (7, 2)}
"""Opcode -> place and bytes of the PARAMETER LIST LENGTH."""


class Known:
    """What was learned of one unit so far; a fact not learned is `Unseen`. ``before`` is the command before."""

    def __getattr__(self, name: str) -> Any:
        raise Unseen

    if TYPE_CHECKING:

        def __setattr__(self, name: str, value: Any) -> None:
            """Any fact may be learned."""


class Command:
    """One exchange. ``last`` is the command before it on the same stick, ``before`` on the same unit, ``steps`` what
    happened to the stick in between ("class reset", "clear in", "reset", ...; with " refused" where it failed)."""

    def __init__(self, exchange: Exchange, read: Read, unit: Known, last: Command | None, steps: list[str] | None,
                 max_lun: int | None, facts: Known) -> None:  # fmt: skip
        self.exchange, self.unit, self.stick = exchange, unit, facts
        self._read, self._last, self._steps, self._max_lun = read, last, steps, max_lun
        self.records = exchange.records
        self.number = exchange.number
        self.said = frozenset(remark.kind.value for remark in exchange.remarks)
        self.stalled = exchange.stalled
        self.cdb = exchange.cdb
        self.opcode = exchange.opcode
        self.lun = exchange.lun
        self.moved = exchange.moved
        self.direction = exchange.direction.value
        self.passed = exchange.status is PASSED
        self.failed = exchange.status is FAILED
        self.phase_error = exchange.status is PHASE_ERROR
        self.invalid = exchange.status is INVALID
        self.missing = exchange.status is MISSING
        self.ended = self.passed or self.failed
        self.bot = exchange.transport is Transport.BOT
        self.signature, self.loose = True, False
        self.stalled_in, self.stalled_out = "status" in exchange.stalled, False
        why = reason(exchange.remarks)
        earlier = vars(unit).get("before")
        self._after_failure = earlier is not None and earlier.failed
        self.gave_up, self.superseded = why in RESETS, why is Why.NEXT_COMMAND

    def forget(self) -> None:
        """Let go of what went before, or each command would hold all those before it."""
        self._last = self._steps = None

    def _printed(self, field: str) -> None:
        if field in self.exchange.not_printed:
            raise Unseen

    # -- what went before ------------------------------------------------------------------------------------------

    @property
    def last(self) -> Command:
        """The command before on the same stick."""
        if self._last is None:
            raise Unseen
        return self._last

    @property
    def before(self) -> Command:
        """The command before on the same unit."""
        found: Command = self.unit.before
        return found

    @property
    def steps(self) -> list[str]:
        """What happened to the stick since the command before it, that one's own recovery included."""
        if self._steps is None or self._last is None:
            raise Unseen
        return self._steps

    @property
    def undisturbed(self) -> bool:
        """Whether neither a reset nor a new configuration came in between."""
        return not any(step.startswith(_DISTURBING) for step in self.steps)

    @property
    def recovered(self) -> bool:
        """Whether a whole Reset Recovery came in between, or a reset of the port, which is stronger."""
        steps = self.steps
        if any(step.startswith(_DISTURBING[1:]) for step in steps):
            return True
        if "class reset" not in steps:
            return False
        after = steps[steps.index("class reset") :]
        return "clear in" in after and "clear out" in after

    @property
    def recovery_in_order(self) -> bool:
        """Whether a class reset was followed by the clearing of both halts, bulk-IN first, or by a port reset."""
        steps = self.steps[self.steps.index("class reset") :]
        if any(step.startswith(_DISTURBING[1:]) for step in steps):
            return True
        clears = [step for step in steps if step in ("clear in", "clear out")]
        return clears[:2] == ["clear in", "clear out"]

    # -- the wrappers ----------------------------------------------------------------------------------------------

    @cached_property
    def cbw(self) -> Bytes:
        """The bytes of the command wrapper, or of the command IU."""
        piece = self.exchange.command_at
        return Bytes(self._read(piece), piece.actual)

    @cached_property
    def csw(self) -> Bytes:
        """The bytes of the status wrapper, or of the sense IU."""
        piece = self.exchange.status_at
        return Bytes(self._read(piece), piece.actual)

    @property
    def wrapper_size(self) -> int:
        """Bytes of the command wrapper."""
        return self.exchange.command_at.actual

    @property
    def tag(self) -> int:
        """dCBWTag."""
        self._printed(Field.TAG)
        return self.exchange.tag

    @property
    def length(self) -> int:
        """dCBWDataTransferLength."""
        self._printed(Field.LENGTH)
        return self.exchange.expected

    @property
    def flags(self) -> int:
        """bmCBWFlags."""
        self._printed(Field.FLAGS)
        return int(self.cbw[12])

    @property
    def lun_byte(self) -> int:
        """The byte with bCBWLUN and the reserved bits above it."""
        self._printed(Field.LUN)
        return int(self.cbw[13])

    @property
    def block_length(self) -> int:
        """The byte with bCBWCBLength and the reserved bits above it."""
        self._printed(Field.BLOCK_LENGTH)
        return int(self.cbw[14])

    @property
    def filler(self) -> bytes:
        """What stands behind the command block in the wrapper."""
        found: bytes = self.cbw[15 + len(self.cdb) : 31]
        return found

    @property
    def residue(self) -> int:
        """dCSWDataResidue."""
        self._printed(Field.RESIDUE)
        if self.exchange.residue is None:
            raise Unseen
        return self.exchange.residue

    @property
    def max_lun(self) -> int:
        """The highest unit number, as asked by Get Max LUN."""
        if self._max_lun is None:
            raise Unseen
        return self._max_lun

    @property
    def case(self) -> int:
        """The case of BOT 1.0 6.7 that length, data, residue and status show."""
        found = self.exchange.case
        if found is None:
            raise Unseen
        return found

    @property
    def clash(self) -> int:
        """The case of a disagreement (2, 3, 7, 8, 10, 13) that announced length, direction and command block call for,
        where the device knows the command: what it means to do is more than, or other than, announced; 0 for none."""
        wish = self.means
        if self.bytes_wanted == 0:
            wish = "none"
        if self.length == 0:
            return {"in": 2, "out": 3, "none": 0}[wish]
        if wish not in ("none", self.direction):
            return 8 if self.direction == "in" else 10
        if wish != "none" and self.of_medium and self.bytes_wanted > self.length:
            return 7 if self.direction == "in" else 13
        return 0

    @property
    def unit_absent(self) -> bool:
        """Whether an INQUIRY says that there is no such unit (SPC-3 6.4.2: 7Fh)."""
        return bool(self.data[0] == 0x7F)

    # -- the command block -----------------------------------------------------------------------------------------

    @property
    def group_length(self) -> int:
        """The length of the command block by the group of its operation code (SPC-3 4.3.4.1)."""
        found = cdb_length(self.opcode) if self.opcode >= 0 else None
        if found is None:
            raise Unseen
        return found

    @property
    def control(self) -> int:
        """The CONTROL byte."""
        if len(self.cdb) < self.group_length:
            raise Unseen
        return self.cdb[self.group_length - 1]

    @property
    def reserved_set(self) -> bool:
        """Whether a reserved bit of the command block is set."""
        mask = _reserved(self.cdb[:2], self.exchange.device_type)
        if not mask:
            raise Unseen
        return any(byte & bits for byte, bits in zip(self.cdb, mask, strict=False))

    @property
    def length_field(self) -> tuple[int, ...]:
        """What kind of answer it is, and the length that the answer tells of itself."""
        at, count = _LENGTH_FIELDS.get((self.opcode, bool(self.opcode == 0x12 and self.cdb[1] & 1)), (0, 0))
        if not count:
            raise Unseen
        return self.opcode, self.cdb[1], self.cdb[2], be(self.data, at, count)

    @property
    def field_before(self) -> tuple[int, ...]:
        """The same of the last answer of that kind."""
        found: dict[tuple[int, ...], tuple[int, ...]] = self.unit.length_fields
        return found[self.length_field[:3]]

    @property
    def means(self) -> str:
        """The way in which the command's data goes: "in", "out" or "none"."""
        from sticktrace.grammar.vocabulary import direction

        found = direction(self.cdb)
        if found is None:
            raise Unseen
        return found.value

    @property
    def bytes_wanted(self) -> int:
        """Bytes that the command block asks for: blocks, or the allocation length."""
        found = data_length(self.cdb)
        if found is None:
            raise Unseen
        blocks, size = found
        return blocks * int(self.unit.block) if blocks else size

    @property
    def allocation(self) -> int:
        """The allocation length."""
        at, count = _ALLOCATION.get(self.opcode, (0, 0))
        if not count or len(self.cdb) < at + count or (self.opcode == 0x9E and self.cdb[1] & 0x1F != 0x10):
            raise Unseen
        return be(self.cdb, at, count)

    @property
    def list_length(self) -> int:
        """The parameter list length."""
        at, count = _LISTS.get(self.opcode, (0, 0))
        if not count or len(self.cdb) < at + count:
            raise Unseen
        return be(self.cdb, at, count)

    @property
    def lba(self) -> int:
        """The first block."""
        found = lba_and_blocks(self.cdb)[0]
        if found is None:
            raise Unseen
        return found

    @property
    def blocks(self) -> int:
        """The number of blocks."""
        found = lba_and_blocks(self.cdb)[1]
        if found is None:
            raise Unseen
        return found

    @property
    def of_medium(self) -> bool:
        """Whether it moves blocks of the medium."""
        command = find(self.cdb, self.exchange.device_type)
        return command is not None and bool(command.medium)

    @property
    def beyond(self) -> bool:
        """Whether it reaches beyond the last block that the unit told."""
        return self.lba + max(self.blocks, 1) - 1 > int(self.unit.last_lba)

    # -- the interface ---------------------------------------------------------------------------------------------

    class_request = from_host = False

    def _interface(self) -> StorageInterface:
        found = next((one for one in self.exchange.device.storage_interfaces() if one.active), None)
        if found is None:
            raise Unseen
        return found

    @property
    def protocol(self) -> int:
        """bInterfaceProtocol."""
        return self._interface().protocol

    @property
    def ufi(self) -> bool:
        """Whether the interface names UFI as its command set."""
        return self._interface().subclass == 0x04

    @property
    def lockable(self) -> bool:
        """Whether the interface is of lockable storage."""
        return self._interface().subclass == 0x07

    @property
    def babble(self) -> bool:
        """Whether more came than a packet or the request had room for (status -75)."""
        return -75 in statuses(self.exchange.remarks)

    # -- data and sense --------------------------------------------------------------------------------------------

    @cached_property
    def data(self) -> Bytes:
        """The data phase, its first part."""
        found = b""
        for piece in self.exchange.pieces:
            found += self._read(piece._replace(captured=min(piece.captured, MOST_DATA - len(found))))
            if piece.captured < piece.actual or len(found) >= MOST_DATA:
                break
        return Bytes(found, self.moved)

    @property
    def counted(self) -> int:
        """Bytes of the data phase that count: what moved, less what the residue takes back."""
        if self.exchange.residue is None and not self.bot:
            return self.moved
        return min(self.moved, max(0, self.length - self.residue))

    @property
    def code(self) -> tuple[int, int, int]:
        """Key, ASC and ASCQ of the sense that came with it or was asked for next."""
        found = self.exchange.sense
        if found is None or not (self.failed or self.phase_error):
            raise Unseen
        return found.key, found.asc, found.ascq

    @property
    def key(self) -> int:
        """The sense key."""
        return self.code[0]

    @cached_property
    def sense(self) -> Bytes:
        """The sense data of a failed command."""
        found = self.exchange.sense
        if found is None or not found.at.actual:
            raise Unseen
        return Bytes(self._read(found.at), found.at.actual)

    @property
    def answers_failure(self) -> bool:
        """Whether a REQUEST SENSE came behind a failed command."""
        return self._after_failure

    @property
    def fresh(self) -> bool:
        """Whether it is the first ordinary command to its unit since the device was plugged in or reset."""
        resets: int = self.stick.resets
        return bool(resets > vars(self.unit).get("resets_seen", 0))

    @property
    def attention_before(self) -> tuple[int, ...]:
        """ASC and ASCQ of the last unit attention, where nothing has passed and no reset come since; () for none."""
        found, resets = vars(self.unit).get("attention", ((), 0))
        return tuple(found) if resets == vars(self.stick).get("resets", 0) else ()

    @property
    def started(self) -> bool:
        """Whether a START has passed."""
        return bool(vars(self.unit).get("started", False))

    # -- mode pages ------------------------------------------------------------------------------------------------

    @property
    def block_descriptors(self) -> int:
        """Bytes of block descriptors in a mode parameter list."""
        return int(self.data[3]) if self.opcode == 0x1A else be(self.data, 6, 2)

    @property
    def mode_size(self) -> int:
        """Bytes of the whole list, as its header tells."""
        return int(self.data[0]) + 1 if self.opcode == 0x1A else be(self.data, 0, 2) + 2

    @property
    def mode_whole(self) -> bool:
        """Whether the answer holds the whole list."""
        return self.counted >= self.mode_size

    def _mode_rows(self) -> Iterator[tuple[int, int, int]]:
        """Place, page code byte, and size of each page; the place behind the last with a size of -1."""
        at, end = (4 if self.opcode == 0x1A else 8) + self.block_descriptors, self.mode_size
        while at + 2 <= end:
            first = int(self.data[at])
            size = 4 + be(self.data, at + 2, 2) if first & 0x40 else 2 + int(self.data[at + 1])
            if first & 0x3F == 0 and not first & 0x40:
                size = end - at  # page 0 is vendor specific and need have no length
            yield at, first, size
            at += size
        yield at, 0, -1

    @property
    def mode_pages(self) -> list[tuple[int, int]]:
        """Code and size of each page."""
        if not self.mode_whole:
            raise Unseen
        return [(first & 0x3F, size) for _, first, size in self._mode_rows() if size >= 0]

    @property
    def mode_walk_ends(self) -> bool:
        """Whether the lengths of the pages lead to the end of the list."""
        return [at for at, _, size in self._mode_rows() if size < 0] == [self.mode_size]

    @property
    def mode_saveable(self) -> bool:
        """Whether any page says that it can be saved."""
        return any(first & 0x80 for _, first, size in self._mode_rows() if size >= 0)

    @property
    def told(self) -> tuple[int, int, int]:
        """Key, ASC and ASCQ in the data of a REQUEST SENSE."""
        from sticktrace.transport.sense import boil

        if self.opcode != 0x03 or not self.passed or self.moved < 8:
            raise Unseen
        found = boil(self.data[: min(self.counted or self.moved, 18)])
        if found is None:
            raise Unseen
        return found


_DISTURBING = ("class reset", "reset", "configured", "address", "attached", "detached", "interface")


@lru_cache(maxsize=1024)
def _reserved(head: bytes, device_type: int | None) -> bytes:
    """A mask of the reserved bits of a command block, as its layout has them; the place of the old unit number in
    byte 1 is left out, as many hosts still put it there."""
    command = find(head, device_type)
    if command is None:
        return b""
    rows = [row for row in command.cdb.explain(head.ljust(16, b"\0")).rows if row.name.startswith("reserved")]
    mask = bytearray(16)
    for row in rows:
        high, low = row.bits or (8 * row.size - 1, 0)
        bits = ((1 << high - low + 1) - 1) << low
        for at, byte in enumerate(bits.to_bytes(row.size, "big")):
            if row.offset + at < 16:
                mask[row.offset + at] |= byte
    mask[1] &= 0x1F
    return bytes(mask)


class BadCommand:
    """What came on the command pipe and is no valid CBW (BOT 1.0 6.2.1)."""

    def __init__(self, kind: str, size: int, records: tuple[int, ...], stalls: int, last: Command | None) -> None:
        self.number, self.records = 0, records
        self.wrapper_size, self.signature = size, kind != "wrapper-signature"
        self.stalled_in, self.stalled_out = bool(stalls), bool(stalls)
        self.ended = False
        self._last = last
        self.said = frozenset((kind,))


class Loose:
    """Data on a storage pipe that belongs to no command; ``outgoing``: to the device."""

    loose = True

    def __init__(self, records: tuple[int, ...], outgoing: bool) -> None:
        self.number, self.records, self.outgoing = 0, records, outgoing


class LooseUnit:
    """A UAS unit that belongs to no command; ``from_host``: it came on the command pipe."""

    loose, class_request = True, False

    def __init__(self, records: tuple[int, ...], from_host: bool) -> None:
        self.number, self.records, self.from_host = 0, records, from_host


class Task:
    """A task function over UAS: its unit, its code, and the response to it."""

    number = 0

    def __init__(self, iu: Bytes, numbers: tuple[int, ...], records: tuple[int, ...]) -> None:
        self.iu, self.records, self.size = iu, records, iu.size
        self.function, _, self._response = numbers

    @property
    def response(self) -> int:
        """The response code."""
        if self._response < 0:
            raise Unseen
        return self._response
