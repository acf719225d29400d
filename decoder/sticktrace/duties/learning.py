"""What a command teaches about its unit for the commands behind it."""

from __future__ import annotations

import contextlib

from sticktrace.duties.commands import Command, Known
from sticktrace.duties.expression import Bytes, Unseen, be

VOLATILE = (
    "absent_medium", "attention", "deferred", "deferred_left", "ejected", "prevented", "protected", "ready", "refused",
    "refused_left", "stale", "tur_code", "started", "stopped", "unflushed",
)  # fmt: skip
"""What a command that is not in the recording may have changed."""

_READY_OPCODES = frozenset((0x00, 0x08, 0x0A, 0x28, 0x2A, 0x25, 0x88, 0x8A, 0xA8, 0xAA))


def learn(unit: Known, command: Command) -> bool:
    """Take a command in. Returns whether anything changed that may change how the next one is judged."""
    before = dict(vars(unit))
    before.pop("before", None)
    with contextlib.suppress(Unseen, IndexError):
        _learn(unit, command)
    after = dict(vars(unit))
    after.pop("before", None)
    return before != after


_EXEMPT = frozenset((0x03, 0x12, 0xA0))
"""Commands that a unit attention does not hold up (SAM-4 5.14)."""
_MOST_FIELDS = 256
"""Kinds of answers whose lengths are kept."""
PATIENCE = 8
"""So many commands to a unit may come before a refused one is repeated."""


def _learn(unit: Known, command: Command) -> None:
    opcode = command.opcode
    resets = vars(command.stick).get("resets", 0)
    if opcode not in _EXEMPT and command.ended:
        unit.resets_seen = resets
    for name in ("refused", "deferred"):
        _wait(unit, command, name)
    if opcode == 0x00:
        vars(unit).pop("tur_code", None)
    if command.failed:
        _failed(unit, command, resets)
    elif command.passed:
        if opcode in _READY_OPCODES:
            unit.ready, unit.attention = True, ((), 0)
            unit.absent_medium = unit.ejected = False
        unit.passed_codes = frozenset((*getattr_or(unit, "passed_codes"), opcode))
        with contextlib.suppress(Unseen):
            field = command.length_field
            fields = vars(unit).setdefault("length_fields", {})
            if len(fields) < _MOST_FIELDS:
                fields[field[:3]] = field
        learner = _LEARNERS.get(opcode)
        if learner is not None:
            learner(unit, command)


def _deferred(command: Command) -> bool:
    """Whether the sense tells of an earlier command (SPC-3 4.5.5)."""
    try:
        return bool(command.sense[0] & 0x7F in (0x71, 0x73))
    except Unseen:
        return False


def _wait(unit: Known, command: Command, name: str) -> None:
    """A refused command is due again: it comes now, or one more command has come before it."""
    facts = vars(unit)
    if name not in facts:
        return
    if command.cdb == facts[name] or facts[f"{name}_left"] == 0:
        del facts[name], facts[f"{name}_left"]
    else:
        facts[f"{name}_left"] -= 1


def _failed(unit: Known, command: Command, resets: int) -> None:
    key, asc, ascq = command.code
    if command.opcode == 0x00:
        unit.tur_code = command.code
    if _deferred(command):
        unit.deferred, unit.deferred_left = command.cdb, PATIENCE
    elif key == 2:
        unit.ready, unit.attention = False, ((), 0)
        unit.absent_medium = asc == 0x3A
        unit.ejected = False
    elif key == 6:
        unit.attention = ((asc, ascq), resets)
        unit.absent_medium = unit.ejected = False
        if command.opcode not in (0x00, *_EXEMPT):
            unit.refused, unit.refused_left = command.cdb, PATIENCE
        if asc in (0x28, 0x29):
            unit.stopped = unit.prevented = False
        if asc == 0x28:
            unit.stale = True
            for name in ("capacity10", "capacity16", "last_lba", "protected", "most_blocks"):
                vars(unit).pop(name, None)


def getattr_or(unit: Known, name: str) -> frozenset[int]:
    """A set that was learned, empty before that."""
    found: frozenset[int] = vars(unit).get(name, frozenset())
    return found


def _inquiry(unit: Known, command: Command) -> None:
    if len(command.cdb) < 6:
        return
    data = command.data
    if command.cdb[1] & 1:
        if command.cdb[2] == 0 and data[1] == 0:
            unit.pages = tuple(data[4 : 4 + int(data[3])])
        elif command.cdb[2] == 0xB0 and len(data) >= 12:
            unit.most_blocks = be(data, 8, 4)
            if len(data) >= 28:
                unit.unmap_descriptors = be(data, 24, 4)
        return
    unit.absent = data[0] == 0x7F
    unit.type = data[0] & 0x1F
    unit.identity = bytes(data.raw[:36]) if len(data.raw) >= 36 else vars(unit).get("identity", b"")
    unit.version, unit.additional = int(data[2]), int(data[4])


def _capacity10(unit: Known, command: Command) -> None:
    last, block = be(command.data, 0, 4), be(command.data, 4, 4)
    unit.capacity10 = (last, block)
    unit.block, unit.stale = block, False
    if last != 0xFFFFFFFF:
        unit.last_lba = last


def _capacity16(unit: Known, command: Command) -> None:
    if command.cdb[1] & 0x1F != 0x10:
        return
    unit.last_lba, unit.block = be(command.data, 0, 8), be(command.data, 8, 4)
    unit.capacity16 = (unit.last_lba, unit.block)
    unit.stale = False


def _mode_sense(unit: Known, command: Command) -> None:
    long = command.opcode == 0x5A
    if command.cdb[2] >> 6:
        return  # changeable, default or saved values
    byte = int(command.data[3 if long else 2])
    if vars(unit).get("type", 0) == 0:
        unit.protected, unit.offers_fua = bool(byte & 0x80), bool(byte & 0x10)
    at = (8 + be(command.data, 6, 2)) if long else 4 + int(command.data[3])
    data: Bytes = command.data
    lengths = dict(vars(unit).get("page_lengths", {}))
    while at + 2 <= len(data.raw):
        page, size = data.raw[at] & 0x3F, data.raw[at + 1]
        lengths[page] = size
        if page == 8 and at + 2 < len(data.raw):
            unit.write_cache = bool(data.raw[at + 2] & 4)
        at += 2 + size
    unit.page_lengths = lengths


def _start_stop(unit: Known, command: Command) -> None:
    start, load = command.cdb[4] & 1, command.cdb[4] >> 1 & 1
    unit.stopped = not start and not command.cdb[4] >> 4
    unit.ejected = not start and bool(load)
    if start:
        unit.started = True


def _prevent(unit: Known, command: Command) -> None:
    unit.prevented = bool(command.cdb[4] & 1)


def _wrote(unit: Known, command: Command) -> None:
    unit.unflushed = True


def _flushed(unit: Known, command: Command) -> None:
    unit.unflushed = False


_LEARNERS = {
    0x12: _inquiry, 0x25: _capacity10, 0x9E: _capacity16, 0x1A: _mode_sense, 0x5A: _mode_sense, 0x1B: _start_stop,
    0x1E: _prevent, 0x0A: _wrote, 0x2A: _wrote, 0x8A: _wrote, 0xAA: _wrote, 0x35: _flushed,
    0x91: _flushed,
}  # fmt: skip
