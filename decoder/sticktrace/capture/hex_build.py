"""Wrappers, setup packets and sense data from the fields that a console printed; what it did not print is named.

Layouts: BOT 1.0 Tables 5.1 and 5.2, USB 2.0 Table 9-2, SPC-3 Table 26 (fixed format). A field that was not printed
stands as 0 where a reader of bytes meets it, or as what follows from the command; that it was not printed goes along
under its name in the standard, so that nobody takes it for seen.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import NamedTuple

from sticktrace.capture.hex_blocks import CBW_SIZE, CSW_SIZE

CBW, CSW, SETUP, SENSE = "cbw", "csw", "setup", "sense"

CB_SIZE, HEAD_SIZE = 16, 15
"""Bytes of CBWCB, and of a CBW in front of it."""

SENSE_SIZE = 18
_BLOCK_LENGTH = 512
_CBW_NAMES = {
    "tag": "dCBWTag", "length": "dCBWDataTransferLength", "flags": "bmCBWFlags", "lun": "bCBWLUN",
    "cblength": "bCBWCBLength",
}  # fmt: skip
_CSW_NAMES = {"tag": "dCSWTag", "residue": "dCSWDataResidue", "status": "bCSWStatus"}
_SETUP_ORDER = ("bmRequestType", "bRequest", "wValue", "wIndex", "wLength")
COMMAND_BLOCK = "CBWCB"

Values = Mapping[str, int]


class Printed(NamedTuple):
    """What was put together: ``kind``, its bytes, its true size where not all of it was printed, and the standard names
    of the fields that were not."""

    kind: str
    data: bytes
    size: int
    not_printed: tuple[str, ...] = ()


def cbw(values: Values, block: bytes, block_length: int = _BLOCK_LENGTH) -> Printed:
    """A CBW. Of a command block of which less was printed than its length says, the rest is left out. Direction and
    length of the data are taken from the command where they are not printed; ``block_length`` is that of the medium."""
    lacks = [name for field, name in _CBW_NAMES.items() if field not in values]
    size = values.get("cblength", _block_size(block))
    if len(block) < size or not size:
        lacks.append(COMMAND_BLOCK)
    incoming, asked = _asked(block, block_length)
    head = struct.pack(
        "<4sIIBBB", b"USBC", values.get("tag", 0) & 0xFFFFFFFF, values.get("length", asked) & 0xFFFFFFFF,
        values.get("flags", 0x80 if incoming else 0) & 0xFF, values.get("lun", 0) & 0xFF, size & 0xFF,
    )  # fmt: skip
    # Bytes of CBWCB beyond bCBWCBLength mean nothing (5.1).
    body = block.ljust(CB_SIZE, b"\0") if len(block) >= size > 0 else block
    return Printed(CBW, head + body[:CB_SIZE], CBW_SIZE, tuple(lacks))


def with_block(printed: Printed, block: bytes) -> Printed:
    """A CBW whose command block was printed apart from it."""
    size = printed.data[14] or _block_size(block)
    head = printed.data[:14] + bytes([size])
    lacks = tuple(name for name in printed.not_printed if name != COMMAND_BLOCK or len(block) < size)
    return Printed(CBW, head + (block.ljust(CB_SIZE, b"\0") if len(block) >= size else block), CBW_SIZE, lacks)


def csw(values: Values, tag: int) -> Printed:
    """A CSW; ``tag`` is that of the open command, for one that does not say."""
    lacks = tuple(name for field, name in _CSW_NAMES.items() if field not in values)
    data = struct.pack(
        "<4sIIB", b"USBS", values.get("tag", tag) & 0xFFFFFFFF, values.get("residue", 0) & 0xFFFFFFFF,
        values.get("status", 0) & 0xFF,
    )  # fmt: skip
    return Printed(CSW, data, CSW_SIZE, lacks)


def setup(values: Values) -> Printed:
    """A setup packet, all of whose fields are there."""
    numbers = (values[name] & mask for name, mask in zip(_SETUP_ORDER, (0xFF, 0xFF) + (0xFFFF,) * 3, strict=True))
    return Printed(SETUP, struct.pack("<BBHHH", *numbers), 8)


def sense(values: Values) -> Printed:
    """Sense data in fixed format with key and codes; the rest of it was not printed."""
    data = bytearray(SENSE_SIZE)
    data[0], data[2], data[7] = values.get("response", 0x70) & 0xFF, values.get("key", 0) & 0x0F, SENSE_SIZE - 8
    data[12], data[13] = values.get("asc", 0) & 0xFF, values.get("ascq", 0) & 0xFF
    return Printed(SENSE, bytes(data), SENSE_SIZE, ("sense data but for key and codes",))


def whole_setup(values: Values) -> bool:
    """Whether all fields of a setup packet are there."""
    return all(name in values for name in _SETUP_ORDER)


def _block_size(block: bytes) -> int:
    from sticktrace.grammar.vocabulary import cdb_length

    return (cdb_length(block[0], block) or min(len(block), CB_SIZE)) if block else 0


def _asked(block: bytes, block_length: int) -> tuple[bool, int]:
    """Whether the command takes data in, and how many bytes, as far as its block tells."""
    from sticktrace.grammar.direction import IN, NONE
    from sticktrace.grammar.vocabulary import data_length, direction

    if not block:
        return False, 0
    way, length = direction(block), data_length(block)
    if way is NONE or way is None or length is None:
        return way is IN, 0
    return way is IN, length[0] * block_length + length[1]
