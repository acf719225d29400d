"""The wrappers and class requests of USB Mass Storage Class Bulk-Only Transport 1.0 (September 1999).

Everything here is little-endian; the command block inside the CBW is SCSI's and big-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ul, Int32ul

from sticktrace.codes import msc
from sticktrace.grammar.layout import Layout, bits, field, part, spare

CBW_SIGNATURE, CSW_SIGNATURE = 0x43425355, 0x53425355
CBW_MAGIC, CSW_MAGIC = b"USBC", b"USBS"
CBW_SIZE, CSW_SIZE = 31, 13
"""Lengths in bytes; a wrapper of any other length is not valid (6.2.1, 6.3.1)."""

IN = 0x80
"""bmCBWFlags of a command with data from device to host."""

CSW_STATUS: dict[int, str] = {
    0x00: "command passed",
    0x01: "command failed",
    0x02: "phase error",
    0x03: "reserved (obsolete)",
    0x04: "reserved (obsolete)",
}
"""bCSWStatus, Table 5.3; everything else is reserved."""


def _signature(expected: int, name: str) -> Any:
    def say(value: int, _seen: Mapping[str, Any]) -> str:
        return f'"{name}"' if value == expected else f'wrong: should be {expected:08X}h, "{name}"'

    return say


def _direction(value: int, seen: Mapping[str, Any]) -> str:
    if seen.get("dCBWDataTransferLength") == 0:
        return "no data, so the device ignores this bit"
    return "data from device to host" if value else "data from host to device"


def _cdb_length(value: int, _seen: Mapping[str, Any]) -> str:
    return f"{value} bytes" if 1 <= value <= 16 else "wrong: 1 to 16 are the legal lengths"


def _status(value: int, _seen: Mapping[str, Any]) -> str:
    return CSW_STATUS.get(value, "reserved")


CBW = Layout(
    "Command Block Wrapper", "BOT 1.0 5.1",
    field("dCBWSignature", Int32ul, "marks the packet as a CBW", "BOT 1.0 5.1",
          meaning=_signature(CBW_SIGNATURE, "USBC"), default=CBW_SIGNATURE),
    field("dCBWTag", Int32ul, "chosen by the host; the CSW repeats it", "BOT 1.0 5.1"),
    field("dCBWDataTransferLength", Int32ul, "bytes the host expects to move in the data phase", "BOT 1.0 5.1",
          meaning=lambda value, _seen: "no data phase" if value == 0 else f"{value} bytes"),
    bits(1,
         part("Direction", 1, "direction of the data phase", "BOT 1.0 5.1", meaning=_direction),
         part("Obsolete", 1, "the host shall set this bit to zero", "BOT 1.0 5.1"),
         spare(6), name="bmCBWFlags", text="direction of the data phase and reserved bits"),
    bits(1, spare(4), part("bCBWLUN", 4, "logical unit the command goes to", "BOT 1.0 5.1")),
    bits(1, spare(3), part("bCBWCBLength", 5, "valid bytes of the command block", "BOT 1.0 5.1", meaning=_cdb_length)),
    field("CBWCB", Bytes(16), "the command block; bytes beyond bCBWCBLength are ignored", "BOT 1.0 5.1"),
)  # fmt: skip

CBW_FAST = struct.Struct("<IIIBBB16s")
"""A CBW's fields as bytes lie, for hot loops: signature, tag, length, flags, LUN byte, length byte, command block.
Check the length first; mask the LUN byte with 0Fh and the length byte with 1Fh."""

CSW = Layout(
    "Command Status Wrapper", "BOT 1.0 5.2",
    field("dCSWSignature", Int32ul, "marks the packet as a CSW", "BOT 1.0 5.2",
          meaning=_signature(CSW_SIGNATURE, "USBS"), default=CSW_SIGNATURE),
    field("dCSWTag", Int32ul, "the dCBWTag of the command that this answers", "BOT 1.0 5.2"),
    field("dCSWDataResidue", Int32ul, "expected bytes less those that the device processed or that matter",
          "BOT 1.0 5.2", meaning=lambda value, _: "all data counts" if value == 0 else f"{value} bytes do not count"),
    field("bCSWStatus", Int8ul, "success or failure of the command", "BOT 1.0 5.2 Table 5.3", meaning=_status),
)  # fmt: skip

CSW_FAST = struct.Struct("<IIIB")
"""A CSW's fields: signature, tag, residue, status. Check the length first."""


def _request(title: str, clause: str, request_type: int, request: int, index: str, length: int) -> Layout:
    return Layout(
        title, clause,
        field("bmRequestType", Int8ul, "direction, type and recipient of the request", "USB 2.0 9.3.1",
              meaning={request_type: "class request to an interface"}, default=request_type),
        field("bRequest", Int8ul, "which request this is", clause, meaning=msc.CLASS_REQUESTS, default=request),
        field("wValue", Int16ul, "zero", clause),
        field("wIndex", Int16ul, index, clause),
        field("wLength", Int16ul, "bytes in the data stage", clause, default=length),
    )  # fmt: skip


RESET_SETUP = _request(
    "Bulk-Only Mass Storage Reset", "BOT 1.0 3.1", 0x21, msc.BULK_ONLY_RESET,
    "number of the interface to reset; not always 0 on a composite device", 0,
)  # fmt: skip

MAX_LUN_SETUP = _request(
    "Get Max LUN", "BOT 1.0 3.2", 0xA1, msc.GET_MAX_LUN,
    "number of the interface asked; not always 0 on a composite device", 1,
)  # fmt: skip

ADSC_SETUP = _request(
    "Accept Device-Specific Command", "MSC Overview 1.4 Table 3", 0x21, msc.ADSC,
    "number of the interface that gets the command block", 12,
)  # fmt: skip

MAX_LUN_DATA = Layout(
    "Get Max LUN data", "BOT 1.0 3.2",
    field("Max LUN", Int8ul, "number of the highest logical unit, counted from 0", "BOT 1.0 3.2",
          meaning=lambda value, _seen: f"{value + 1} logical units" if 0 < value <= 15
          else "one logical unit" if value == 0 else "wrong: 0 to 15 are the legal values"),
)  # fmt: skip

CLASS_REQUESTS: dict[tuple[int, int], Layout] = {
    (0x21, msc.BULK_ONLY_RESET): RESET_SETUP,
    (0xA1, msc.GET_MAX_LUN): MAX_LUN_SETUP,
    (0x21, msc.ADSC): ADSC_SETUP,
}
"""Setup packet layouts by (bmRequestType, bRequest)."""


def class_request(setup: bytes) -> Layout | None:
    """The layout of a mass storage class request's setup packet, or None if it is not one."""
    return CLASS_REQUESTS.get((setup[0], setup[1])) if len(setup) == 8 else None
