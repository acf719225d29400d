"""Telling by itself what a handful of bytes is: a wrapper, a command block, sense, a descriptor, parameter data.

Each rule looks for what a document fixes (a signature, a length that agrees with itself, a code in a table) and says
so; the surest come first. Where several readings hold, all are given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sticktrace.codes import pids
from sticktrace.codes.scsi import cdb_length
from sticktrace.errors import LayoutError
from sticktrace.grammar import ata, bot, hub, packets, sbc, sense, spc, uas, ufi, usb
from sticktrace.grammar.choice import unexplained
from sticktrace.grammar.command import Command
from sticktrace.grammar.layout import Explanation, Layout
from sticktrace.grammar.usb_answers import explain_control
from sticktrace.grammar.usb_chain import explain_descriptors
from sticktrace.grammar.vpd import VPD_PAGES
from sticktrace.storage.commands import find, meanings, parameter_layout

_BLOCK_SIZES = {512, 1024, 2048, 4096}


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read the bytes: a short ``kind`` as on the command line, why it is held to be so, and the rows."""

    kind: str
    why: str
    parts: tuple[Explanation, ...]


def _with(layout: Layout, data: bytes) -> tuple[Explanation, ...]:
    return (layout.explain(data),)


def _cbw(data: bytes) -> tuple[Explanation, ...]:
    """A wrapper with its block, and behind it the data of the command and the wrapper that answers, if they follow."""
    size = data[14] & 0x1F if len(data) > 14 else 0
    block, behind = data[15 : 15 + min(size, 16)], data[31:]
    answer = behind[-13:] if behind[-13:-9] == bot.CSW_MAGIC else b""
    moved = behind[: len(behind) - len(answer)]
    command = find(block) if block and moved else None
    parts = (bot.CBW.explain(data[:31]), *(_cdb(block) if block else ()))
    parts += _parameters(command, block, moved) if command is not None else _rest(moved)
    return (*parts, *(_with(bot.CSW, answer) if answer else ()))


def _cdb(data: bytes) -> tuple[Explanation, ...]:
    """A command block in each meaning that its opcode has, with its parameter data where more bytes follow."""
    found: list[Explanation] = []
    size = cdb_length(data[0]) or len(data)
    for command in meanings(data):
        found.append(command.cdb.explain(data[:size]))
        found += _parameters(command, data[:size], data[size:])
    return tuple(found)


def _parameters(command: Command, cdb: bytes, data: bytes) -> tuple[Explanation, ...]:
    layouts = (parameter_layout(command, cdb, data, outgoing) for outgoing in (False, True)) if data else ()
    layout = next((layout for layout in layouts if layout is not None), None)
    return _with(layout, data) if layout is not None else _rest(data)


def _rest(data: bytes) -> tuple[Explanation, ...]:
    """Bytes left over, so that none goes without a word."""
    return _with(unexplained(), data) if data else ()


def _ufi(data: bytes) -> tuple[Explanation, ...]:
    command = ufi.find(data[0])
    if command is None:
        return ()
    # What comes back has the form that SPC and SBC give it (UFI 1.0 4); the 10-byte forms put the length in one place.
    return (command.cdb.explain(data[:12]), *_parameters(find(data) or command, data[:12], data[12:]))


def _setup(data: bytes) -> tuple[Explanation, ...]:
    if data[:2] == bot.ADSC_SETUP.build({})[:2]:  # the data of this request is a command block
        return usb.SETUP.explain(data[:8]), *(_ufi(data[8:]) or _cdb(data[8:]) if data[8:] else ())
    parts = explain_control(data[:8], data[8:])
    return (*parts, *(_rest(data[8:]) if len(parts) == 1 else ()))


def _sense(data: bytes) -> tuple[Explanation, ...]:
    return _with(sense.sense_layout(data) or sense.FIXED, data)


def _capacity(data: bytes) -> tuple[Explanation, ...]:
    command = find(bytes([0x25]) if len(data) == 8 else bytes([0x9E, 0x10]))
    layout = parameter_layout(command, b"", data, outgoing=False) if command is not None else None
    return _with(layout, data) if layout is not None else ()


def _unit(data: bytes) -> tuple[Explanation, ...]:
    """An information unit, and the command block or the sense data that it carries."""
    layout = uas.IU_LAYOUTS.get(data[0])
    if layout is None:
        return ()
    inside: tuple[Explanation, ...] = ()
    if layout is uas.COMMAND_IU and len(data) > 16:
        inside = tuple(command.cdb.explain(data[16:][: command.cdb.sizeof()]) for command in meanings(data[16:]))
    elif layout is uas.SENSE_IU and len(data) > 16:
        inside = _sense(data[16:])
    return (*_with(layout, data), *inside)


def _mode6(data: bytes) -> tuple[Explanation, ...]:
    return _from_command(bytes([0x1A, 0, 0x3F, 0, 0xFF, 0]), data)


def _mode10(data: bytes) -> tuple[Explanation, ...]:
    return _from_command(bytes([0x5A, 0, 0x3F, 0, 0, 0, 0, 0, 0xFF, 0]), data)


def _vpd(data: bytes) -> tuple[Explanation, ...]:
    return _from_command(bytes([0x12, 1, data[1] if len(data) > 1 else 0, 0, 0xFF, 0]), data)


def _from_command(cdb: bytes, data: bytes) -> tuple[Explanation, ...]:
    command = find(cdb)
    layout = parameter_layout(command, cdb, data, outgoing=False) if command is not None else None
    return _with(layout, data) if layout is not None else ()


def _packet(data: bytes) -> tuple[Explanation, ...]:
    """Packets of the bus, and what a data packet among them carries."""
    parts = tuple(packets.explain(data))
    carried = [packet[1:-2] for packet in packets.split(data) if packets.layout_of(packet) is packets.DATA]
    inside = [reading.parts for payload in carried for reading in recognise(payload)[:1] if reading.kind != "packet"]
    return (*parts, *(part for some in inside for part in some))


KINDS: dict[str, Callable[[bytes], tuple[Explanation, ...]]] = {
    "cbw": _cbw,
    "csw": lambda data: _with(bot.CSW, data),
    "cdb": _cdb,
    "ufi": _ufi,
    "setup": _setup,
    "descriptors": lambda data: (explain_descriptors(data),),
    "sense": _sense,
    "inquiry": lambda data: _with(spc.INQUIRY_DATA, data),
    "vpd": _vpd,
    "capacity": _capacity,
    "format-capacities": lambda data: _with(sbc.FORMAT_CAPACITIES, data),
    "mode6": _mode6,
    "mode10": _mode10,
    "luns": lambda data: _with(spc.REPORT_LUNS_DATA, data),
    "uas": _unit,
    "port-status": lambda data: _with(hub.PORT_STATUS, data),
    "identify": lambda data: _with(ata.IDENTIFY_DEVICE, data),
    "packet": _packet,
}
"""Kinds of bytes that can be asked for by name."""

_REQUESTS = {way | kind | to for way in (0, 0x80) for kind in (0, 0x20, 0x40) for to in range(4)} - {0x03, 0x83}
_DESCRIPTOR_SIZES = {1: {18}, 2: {9}, 4: {9}, 5: {7, 9}, 6: {10}, 7: {9}, 11: {8}, 15: {5}, 0x29: set(range(7, 72)),
                     0x2A: {12}, 0x30: {6}}  # fmt: skip


def _rules(data: bytes) -> Iterator[tuple[str, str]]:
    """(kind, why) for each reading that fits, the surest first."""
    size, first = len(data), data[0]
    if data[:4] == bot.CBW_MAGIC:
        yield "cbw", f'begins with "USBC"{"" if size == 31 else f", but has {size} bytes instead of 31"}'
        return
    if data[:4] == bot.CSW_MAGIC:
        yield "csw", f'begins with "USBS"{"" if size == 13 else f", but has {size} bytes instead of 13"}'
        return
    if size >= 8 and first & 0x7F in (0x70, 0x71, 0x72, 0x73) and (size >= 18 or size == 8 + data[7]):
        yield "sense", f"response code {first & 0x7F:02X}h"
    if size >= 2 and data[1] in _DESCRIPTOR_SIZES and first in _DESCRIPTOR_SIZES[data[1]] and size >= first:
        yield "descriptors", f"bDescriptorType {data[1]:02X}h and a bLength that fits it"
    if size >= 4 and data[1] == 3 and first % 2 == 0 and 2 < first <= size:
        yield "descriptors", "a string descriptor's type and an even bLength"
    if size >= 8 and first in _REQUESTS and (size == 8 or size == _setup_size(data)):
        yield "setup", "a bmRequestType in use and a length that fits wLength"
    if size in (6, 10, 12, 16) and cdb_length(first) == size and meanings(data):
        yield "cdb", f"opcode {first:02X}h has {size} bytes" + _several(data)
    if size == 12 and cdb_length(first) != 12 and ufi.find(first) is not None:
        yield "ufi", f"opcode {first:02X}h in the 12 bytes that UFI gives every command block"
    if size >= 36 and first & 0x1F <= 0x1F and data[3] & 0x0F in (1, 2) and data[4] in (size - 5, 0x1F, 0x5B):
        yield "inquiry", "response data format and additional length fit standard INQUIRY data"
    if size in (8, 32) and int.from_bytes(data[size // 4 + (2 if size == 8 else 0) :][:4], "big") in _BLOCK_SIZES:
        yield "capacity", "holds a block length that is in use"
    if size >= 12 and data[:3] == b"\0\0\0" and data[3] and data[3] % 8 == 0 and size >= 4 + data[3]:
        yield "format-capacities", "a capacity list length in eights"
    if size >= 4 and first == size - 1 and data[3] in (0, 8):
        yield "mode6", "a mode data length that counts the rest"
    if size >= 8 and int.from_bytes(data[:2], "big") == size - 2 and data[6:8] in (b"\0\0", b"\0\x08"):
        yield "mode10", "a mode data length that counts the rest"
    if size >= 16 and int.from_bytes(data[:4], "big") == size - 8 and size % 8 == 0:
        yield "luns", "a LUN list length that counts the rest"
    if size >= 4 and data[1] in VPD_PAGES and int.from_bytes(data[2:4], "big") == size - 4:
        yield "vpd", "a page length that counts the rest"
    if size == 512 and data[510] == 0xA5 and not sum(data) & 0xFF:  # ATA8-ACS, IDENTIFY DEVICE data, word 255
        yield "identify", "the signature A5h and a checksum that fits, as in IDENTIFY DEVICE data"
    if (why := _packets_why(data)) is not None:
        yield "packet", why
    sense_size = 16 + int.from_bytes(data[14:16], "big") if first == 3 and size >= 16 else 0
    if first in uas.IU_LAYOUTS and size in (4, 8, 16, 32, sense_size) and not data[1]:
        yield "uas", f"IU id {first:02X}h and its length"


def _packets_why(data: bytes) -> str | None:
    """Packets are told by their checks; a token's length alone is enough, as nothing else here has three bytes. A PID
    that is one byte, or a data packet whose check fails, could be anything."""
    some = packets.split(data)
    names = [pids.pid_name(packet[0]) for packet in some]
    if len(data) > 1 and some and packets.all_hold(some):
        return f"{' '.join(names)}, with checks that fit"
    if len(data) == 1 and packets.holds(data):
        return f"the PID {names[0]}, which is a whole packet"
    if len(data) == 3 and some and packets.layout_of(data) in (packets.TOKEN, packets.FRAME):
        return f"the PID and the length of {names[0]}; its check does not fit"
    return None


def _several(data: bytes) -> str:
    return ", and two meanings: on a disk, and on a CD unit" if len(meanings(data)) > 1 else ""


def _setup_size(data: bytes) -> int:
    """The length that a setup packet and its data have together; an answer may be shorter than wLength."""
    whole = 8 + int.from_bytes(data[6:8], "little")
    return min(whole, len(data)) if data[0] & 0x80 else whole


def recognise(data: bytes) -> list[Reading]:
    """All readings of the bytes that hold, the surest first; empty if none does."""
    found: list[Reading] = []
    for kind, why in _rules(data) if data else ():
        parts = KINDS[kind](data)
        if parts and all(kind != reading.kind for reading in found):
            found.append(Reading(kind, why, parts))
    return found


def read_as(kind: str, data: bytes) -> Reading:
    """The bytes read as a kind that was asked for. Raises LayoutError if they cannot be."""
    parts = KINDS[kind](data) if data else ()
    if not parts:
        raise LayoutError(f"these {len(data)} bytes cannot be read as {kind}")
    return Reading(kind, "asked for", parts)
