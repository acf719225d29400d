"""The command vocabulary in use: from a command block to words and layouts, and from a name to a command block."""

from __future__ import annotations

import difflib
import re
from functools import cache, lru_cache

from sticktrace.errors import LayoutError
from sticktrace.grammar import ufi
from sticktrace.grammar.command import Command
from sticktrace.grammar.layout import Layout, Row
from sticktrace.grammar.vocabulary import COMMANDS, cdb_length, direction, find, head, lba_and_blocks, meanings, name
from sticktrace.text import count_of

__all__ = [
    "COMMANDS", "cdb_length", "compose", "describe", "direction", "find", "head", "lba_and_blocks", "meanings", "name",
    "named", "names", "parameter_layout",
]  # fmt: skip

_PURPOSES = ("START", "PREVENT", "COMMAND")
"""Fields whose meaning says what the command is for."""


def _details(command: Command, rows: dict[str, Row]) -> list[str]:
    """What tells one use of a command from another: addresses, pages, lengths."""
    words = []
    if command.lba in rows:
        words.append(f"LBA {rows[command.lba].value}")
    if command.blocks in rows:
        count = rows[command.blocks]
        words.append(count_of(count.value, "block") if count.value else count.meaning or "0 blocks")
    if "PAGE CODE" in rows and "EVPD" not in rows:
        words.append(f"page {rows['PAGE CODE'].value:02X}h")
    elif "PAGE CODE" in rows and rows["EVPD"].value:
        words.append(f"VPD {rows['PAGE CODE'].value:02X}h")
    if command.length in rows:
        words.append(count_of(rows[command.length].value, "byte"))
    return words


def describe(cdb: bytes, device_type: int | None = None) -> str:
    """One short line: ``READ(10) LBA 2080, 8 blocks``, ``INQUIRY VPD 83h, 255 bytes``, ``TEST UNIT READY``,
    ``START STOP UNIT: eject the medium``. ``device_type`` as for `find`."""
    command = find(cdb, device_type)
    if command is not None and command.medium:
        # A capture may hold a million of these, each with another address: no layout is laid over them.
        lba, blocks = lba_and_blocks(cdb)
        if lba is not None and blocks:
            return f"{command.name} LBA {lba}, {count_of(blocks, 'block')}"
    return _describe(cdb, device_type)


@lru_cache(maxsize=4096)
def _describe(cdb: bytes, device_type: int | None) -> str:
    command = find(cdb, device_type)
    if command is None:
        return name(cdb, device_type)
    rows = {row.name: row for row in command.cdb.explain(cdb).rows}
    purpose = next((rows[field].meaning for field in _PURPOSES if field in rows), "")
    details = ", ".join(_details(command, rows))
    return command.name + (f": {purpose}" if purpose else "") + (f" {details}" if details else "")


def parameter_layout(command: Command, cdb: bytes, data: bytes, outgoing: bool) -> Layout | None:
    """The layout of a command's parameter data (not of the medium's own blocks), None where there is none.

    ``cdb`` may be short: missing bytes count as zero.
    """
    choice = command.data_out if outgoing else command.data_in
    if choice is None or isinstance(choice, Layout):
        return choice
    return choice(command.cdb.read(cdb.ljust(command.cdb.sizeof(), b"\x00")), data)


def names() -> list[str]:
    """The names of all commands known, in alphabetical order: the standards' own, and "UFI" before those of UFI 1.0."""
    return sorted({command.name for command in COMMANDS} | {f"UFI {command.name}" for command in ufi.UFI_COMMANDS})


def _plain(text: str) -> str:
    """A name reduced to lower case letters and digits, so that "READ(10)", "read_10" and "Read10" are one."""
    return re.sub(r"[^0-9a-z]", "", text.lower())


@cache
def _by_name() -> dict[str, Command]:
    found: dict[str, Command] = {}
    for command in COMMANDS:
        found.setdefault(_plain(command.name), command)
    return found | {_plain(f"UFI {command.name}"): command for command in ufi.UFI_COMMANDS}


def named(text: str) -> Command:
    """The command of that name, in any spelling of case and separators. Raises LayoutError with near names."""
    known = _by_name()
    wanted = _plain(text)
    if wanted in known:
        return known[wanted]
    near = [key for key in known if wanted and key.startswith(wanted)] or difflib.get_close_matches(wanted, known)
    hint = f"; did you mean {', '.join(known[key].name for key in near)}?" if near else ""
    raise LayoutError(f"no command is named {text!r}{hint}")


def compose(name: str, **fields: int) -> bytes:
    """A command block by the command's name and its field values, as bytes of the standard length.

    Field names are the standard's, in any case and with any separators (``logical_block_address``); ``lba``, ``blocks``
    and ``length`` stand for the fields that hold those. Fields not named take their default. Raises LayoutError.
    """
    command = named(name)
    widths = _widths(command.cdb)
    known = {_plain(field): field for field in widths}
    short = {"lba": command.lba, "blocks": command.blocks, "length": command.length}
    known |= {alias: field for alias, field in short.items() if field and alias not in known}
    values: dict[str, int] = {}
    for given, value in fields.items():
        field = known.get(_plain(given))
        if field is None:
            valid = ", ".join([*(alias for alias in short if alias in known), *widths])
            raise LayoutError(f"{command.name} has no field {given!r}; it has {valid}")
        if field == command.blocks and command.zero_blocks and value == command.zero_blocks:
            value = 0
        if not 0 <= value < 1 << widths[field]:
            raise LayoutError(f"{command.name}: {field} = {value} does not fit in {widths[field]} bits")
        values[field] = value
    return command.cdb.build(values)


def _widths(layout: Layout) -> dict[str, int]:
    """The fields that a host fills in, and how many bits each has."""
    return {
        row.name: row.bits[0] - row.bits[1] + 1 if row.bits else 8 * (row.size or 0)
        for row in layout.outline()
        if row.name not in ("OPERATION CODE", "SERVICE ACTION") and not row.name.startswith("reserved")
    }
