"""A logical unit: it answers SCSI commands from a `Medium`, keeps sense data, and fails in the ways asked for.

Sources: SPC (INQUIRY, MODE SENSE, REQUEST SENSE, REPORT LUNS, sense data), SBC (READ, WRITE, READ CAPACITY, VERIFY,
SYNCHRONIZE CACHE), UFI 1.0 4.10 (READ FORMAT CAPACITIES).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from workshop.medium import Medium
from workshop.wire import fixed_sense

Sense = tuple[int, int, int]

NO_SENSE: Sense = (0, 0, 0)
BECOMING_READY: Sense = (2, 0x04, 0x01)
NO_MEDIUM: Sense = (2, 0x3A, 0x00)
WRITE_ERROR: Sense = (3, 0x0C, 0x00)
READ_ERROR: Sense = (3, 0x11, 0x00)
BAD_OPCODE: Sense = (5, 0x20, 0x00)
OUT_OF_RANGE: Sense = (5, 0x21, 0x00)
BAD_FIELD: Sense = (5, 0x24, 0x00)
CHANGED: Sense = (6, 0x28, 0x00)
POWER_ON: Sense = (6, 0x29, 0x00)
WRITE_PROTECTED: Sense = (7, 0x27, 0x00)
"""Sense key, ASC, ASCQ (T10's assignments; the table in SPC)."""

NEVER_HELD_UP = {0x03, 0x12, 0xA0}
"""REQUEST SENSE, INQUIRY and REPORT LUNS answer in spite of a pending unit attention (SAM)."""

GOOD, CHECK = 0, 1
"""bCSWStatus (BOT 1.0 Table 5.3)."""


class Answer(NamedTuple):
    """What the unit does: status, data to send, bytes that it takes in of what the host sends."""

    status: int
    data: bytes = b""
    taken: int = 0


class Failure(Exception):
    """The command ends with CHECK CONDITION. ``data`` goes to the host before, ``taken`` was accepted."""

    def __init__(self, sense: Sense, information: int | None = None, data: bytes = b"", taken: int = 0) -> None:
        super().__init__(sense)
        self.sense, self.information, self.data, self.taken = sense, information, data, taken


@dataclass(slots=True)
class Unit:
    """One logical unit, and what is wrong with it. ``medium`` None is an empty slot. ``attention`` is reported once,
    before anything else; ``not_ready`` counts the commands refused while it starts up; ``capacity_error`` is added to
    the last LBA reported; ``unsupported`` lists opcodes it does not know."""

    medium: Medium | None = None
    vendor: str = "SKERRY"
    product: str = "TIDE LOGGER"
    revision: str = "2.31"
    device_type: int = 0
    removable: bool = True
    serial: str = "203104180001"
    attention: Sense | None = None
    not_ready: int = 0
    bad_lbas: frozenset[int] = frozenset()
    write_protected: bool = False
    capacity_error: int = 0
    unsupported: frozenset[int] = frozenset()
    sense: bytes = field(default_factory=lambda: fixed_sense(*NO_SENSE))

    def answer(self, cdb: bytes, data_out: bytes = b"") -> Answer:
        """Carries out a command."""
        try:
            return self._perform(cdb, data_out)
        except Failure as failure:
            self.sense = fixed_sense(*failure.sense, failure.information)
            return Answer(CHECK, failure.data, failure.taken)

    def _perform(self, cdb: bytes, data_out: bytes) -> Answer:
        opcode = cdb[0]
        if self.attention and opcode not in NEVER_HELD_UP:
            sense, self.attention = self.attention, None
            raise Failure(sense)
        action = ACTIONS.get(opcode)
        if action is None or opcode in self.unsupported:
            raise Failure(BAD_OPCODE)
        return action(self, cdb, data_out)

    def ready(self) -> Medium:
        """The medium, or the reason why there is none to use."""
        if self.not_ready:
            self.not_ready -= 1
            raise Failure(BECOMING_READY)
        if self.medium is None:
            raise Failure(NO_MEDIUM)
        return self.medium

    def last_lba(self) -> int:
        """As the unit reports it."""
        return self.ready().blocks - 1 + self.capacity_error


def _test_unit_ready(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    unit.ready()
    return Answer(GOOD)


def _request_sense(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    data, unit.sense = unit.sense, fixed_sense(*NO_SENSE)
    return Answer(GOOD, data[: cdb[4]])


def _inquiry(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    allocation = struct.unpack_from(">H", cdb, 3)[0]
    if cdb[1] & 1:
        pages = {0x00: bytes((0x00, 0x80)), 0x80: unit.serial.encode()}
        if cdb[2] not in pages:
            raise Failure(BAD_FIELD)
        page = pages[cdb[2]]
        return Answer(GOOD, (struct.pack(">BBH", unit.device_type, cdb[2], len(page)) + page)[:allocation])
    texts = f"{unit.vendor:8.8}{unit.product:16.16}{unit.revision:4.4}".encode("latin-1")
    head = bytes((unit.device_type, 0x80 if unit.removable else 0, 4, 2, 31, 0, 0, 0))
    return Answer(GOOD, (head + texts)[:allocation])


def _mode_sense(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    page = cdb[2] & 0x3F
    if page not in (0x08, 0x3F):
        raise Failure(BAD_FIELD)
    caching = bytes((0x08, 0x12, 0x04)) + bytes(17)
    protect = 0x80 if unit.write_protected else 0
    if cdb[0] == 0x1A:
        return Answer(GOOD, (bytes((3 + len(caching), 0, protect, 0)) + caching)[: cdb[4]])
    head = struct.pack(">HBBxxH", 6 + len(caching), 0, protect, 0)
    return Answer(GOOD, (head + caching)[: struct.unpack_from(">H", cdb, 7)[0]])


def _start_stop(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    if cdb[4] & 3 == 2:
        unit.medium = None
    return Answer(GOOD)


def _nothing(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    return Answer(GOOD)


def _read_format_capacities(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    medium = unit.ready()
    size = medium.block_length.to_bytes(3, "big")
    reply = struct.pack(">3xBIB", 8, medium.blocks, 2) + size
    return Answer(GOOD, reply[: struct.unpack_from(">H", cdb, 7)[0]])


def _read_capacity10(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    last = unit.last_lba()
    assert unit.medium is not None
    return Answer(GOOD, struct.pack(">II", min(last, 0xFFFFFFFF), unit.medium.block_length))


def _read_capacity16(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    if cdb[1] & 0x1F != 0x10:
        raise Failure(BAD_FIELD)
    last = unit.last_lba()
    assert unit.medium is not None
    reply = struct.pack(">QI20x", last, unit.medium.block_length)
    return Answer(GOOD, reply[: struct.unpack_from(">I", cdb, 10)[0]])


def _report_luns(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    return Answer(GOOD, struct.pack(">I4x8x", 8)[: struct.unpack_from(">I", cdb, 6)[0]])


def extent(cdb: bytes) -> tuple[int, int]:
    """First LBA and number of blocks of a READ, WRITE or VERIFY; 0 means 256 in the 6-byte form (SBC)."""
    group = cdb[0] >> 5
    if group == 0:
        return int.from_bytes(cdb[1:4], "big") & 0x1FFFFF, cdb[4] or 256
    if group == 4:
        return struct.unpack_from(">QI", cdb, 2)
    if group == 5:
        return struct.unpack_from(">II", cdb, 2)
    return struct.unpack_from(">I", cdb, 2)[0], struct.unpack_from(">H", cdb, 7)[0]


def _checked(unit: Unit, cdb: bytes) -> tuple[Medium, int, int]:
    medium = unit.ready()
    lba, count = extent(cdb)
    if lba + count > medium.blocks:
        raise Failure(OUT_OF_RANGE, min(lba, 0xFFFFFFFF))
    return medium, lba, count


def _first_bad(unit: Unit, lba: int, count: int) -> int | None:
    return min((bad for bad in unit.bad_lbas if lba <= bad < lba + count), default=None)


def _read(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    medium, lba, count = _checked(unit, cdb)
    bad = _first_bad(unit, lba, count)
    if bad is not None:
        raise Failure(READ_ERROR, bad, data=medium.read(lba, bad - lba))
    return Answer(GOOD, medium.read(lba, count))


def _write(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    medium, lba, count = _checked(unit, cdb)
    if unit.write_protected:
        raise Failure(WRITE_PROTECTED)
    bad = _first_bad(unit, lba, count)
    wanted = ((bad - lba) if bad is not None else count) * medium.block_length
    medium.write(lba, data_out[:wanted])
    if bad is not None:
        raise Failure(WRITE_ERROR, bad, taken=len(data_out))
    return Answer(GOOD, taken=min(wanted, len(data_out)))


def _verify(unit: Unit, cdb: bytes, data_out: bytes) -> Answer:
    _, lba, count = _checked(unit, cdb)
    bad = _first_bad(unit, lba, count)
    if bad is not None:
        raise Failure(READ_ERROR, bad)
    return Answer(GOOD)


ACTIONS: dict[int, Callable[[Unit, bytes, bytes], Answer]] = {
    0x00: _test_unit_ready, 0x03: _request_sense, 0x08: _read, 0x0A: _write, 0x12: _inquiry, 0x1A: _mode_sense,
    0x1B: _start_stop, 0x1E: _nothing, 0x23: _read_format_capacities, 0x25: _read_capacity10, 0x28: _read,
    0x2A: _write, 0x2F: _verify, 0x35: _nothing, 0x5A: _mode_sense, 0x88: _read, 0x8A: _write, 0x9E: _read_capacity16,
    0xA0: _report_luns, 0xA8: _read, 0xAA: _write,
}  # fmt: skip
"""Opcode -> what it does."""
