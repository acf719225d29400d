"""Sense data: the fixed format (SPC-3 4.5.3) and the descriptor format (SPC-3 4.5.2), with the sense-key specific forms
(4.5.2.4) and the descriptors of SPC-3, SBC-3 and SAT-2. All fields are big-endian."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, Container, Int8ub, Int16ub, Int32ub, Int64ub

from sticktrace.codes import asc, sense_keys
from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.layout import Bounded, Field, Layout, Part, Series, bits, field, part, reserved, spare

RESPONSE_CODES: dict[int, str] = {
    0x70: "current error, fixed format",
    0x71: "deferred error of an earlier command, fixed format",
    0x72: "current error, descriptor format",
    0x73: "deferred error of an earlier command, descriptor format",
    0x7F: "vendor specific format",
}

_KEY_CLAUSE = "SPC-3 4.5.6 Table 27"


def _response_code() -> Part:
    return part("RESPONSE CODE", 7, "which format follows", "SPC-3 4.5.1", meaning=RESPONSE_CODES, default=0x70)


def _sense_key(name: str = "SENSE KEY") -> Part:
    return part(name, 4, "the kind of condition", _KEY_CLAUSE, meaning=sense_keys.NAMES)


def _asc() -> Field:
    return field("ADDITIONAL SENSE CODE", Int8ub, "the condition in more detail", "SPC-3 4.5.6 Table 28")


def _ascq() -> Field:
    def say(value: int, seen: Mapping[str, Any]) -> str:
        return asc.meaning(seen.get("ADDITIONAL SENSE CODE", 0), value)

    return field("ADDITIONAL SENSE CODE QUALIFIER", Int8ub, "refines the code", "SPC-3 4.5.6 Table 28", meaning=say)


def _progress(value: int, seen: Mapping[str, Any]) -> str:
    return f"{value / 655.36:.1f} % done" if seen.get("SKSV", 1) else ""


_SKSV = part("SKSV", 1, "whether the sense-key specific bits are valid", "SPC-3 4.5.2.4")
_BPV = part("BPV", 1, "whether BIT POINTER is valid", "SPC-3 4.5.2.4.2")
_BIT_POINTER = part("BIT POINTER", 3, "the bit at fault", "SPC-3 4.5.2.4.2")

FIELD_POINTER = Layout(
    "Field pointer", "SPC-3 4.5.2.4.2",
    bits(1, _SKSV,
         part("C/D", 1, "where the fault is", "SPC-3 4.5.2.4.2", meaning={0: "in the parameter data", 1: "in the CDB"}),
         spare(2), _BPV, _BIT_POINTER),
    field("FIELD POINTER", Int16ub, "the byte at fault", "SPC-3 4.5.2.4.2"),
)  # fmt: skip

RETRY_COUNT = Layout(
    "Actual retry count", "SPC-3 4.5.2.4.3",
    bits(1, _SKSV, spare(7)),
    field("ACTUAL RETRY COUNT", Int16ub, "retries that recovery took; the method is the vendor's", "SPC-3 4.5.2.4.3"),
)  # fmt: skip

PROGRESS = Layout(
    "Progress indication", "SPC-3 4.5.2.4.4",
    bits(1, _SKSV, spare(7)),
    field("PROGRESS INDICATION", Int16ub, "part of the operation done, in 65536ths", "SPC-3 4.5.2.4.4",
          meaning=_progress),
)  # fmt: skip

SEGMENT_POINTER = Layout(
    "Segment pointer", "SPC-3 4.5.2.4.5",
    bits(1, _SKSV, spare(1), part("SD", 1, "pointer is relative to a segment descriptor", "SPC-3 4.5.2.4.5"),
         spare(1), _BPV, _BIT_POINTER),
    field("FIELD POINTER", Int16ub, "the byte at fault", "SPC-3 4.5.2.4.5"),
)  # fmt: skip

UNIT_ATTENTION_OVERFLOW = Layout(
    "Unit attention condition queue overflow", "SPC-4 4.5.2.4",
    bits(1, _SKSV, spare(6), part("OVERFLOW", 1, "unit attentions were lost, there were too many", "SPC-4 4.5.2.4")),
    reserved(2),
)  # fmt: skip

KEY_SPECIFIC = Layout(
    "Sense-key specific bytes", "SPC-3 4.5.2.4",
    bits(1, _SKSV, part("form", 7, "not defined for this sense key", "SPC-3 4.5.2.4")),
    field("rest", Bytes(2), "not defined for this sense key", "SPC-3 4.5.2.4"),
)  # fmt: skip

_FORMS: dict[int, Layout] = {
    0x0: PROGRESS, 0x1: RETRY_COUNT, 0x2: PROGRESS, 0x3: RETRY_COUNT, 0x4: RETRY_COUNT, 0x5: FIELD_POINTER,
    0x6: UNIT_ATTENTION_OVERFLOW, 0xA: SEGMENT_POINTER,
}  # fmt: skip


def _form(values: Container, _coming: Any) -> Construct:
    """The three sense-key specific bytes by the sense key, which stands in this structure or in one around it."""
    at: Any = values
    while at is not None and "SENSE KEY" not in at:
        at = at.get("_")
    return KEY_SPECIFIC if at is None else _FORMS.get(at["SENSE KEY"], KEY_SPECIFIC)


FIXED = Layout(
    "Fixed format sense data", "SPC-3 4.5.3",
    bits(1, part("VALID", 1, "whether INFORMATION holds what the command defines", "SPC-3 4.5.3"), _response_code()),
    field("Obsolete", Int8ub, "was the segment number", "SPC-3 4.5.3"),
    bits(1,
         part("FILEMARK", 1, "a filemark was met (tape)", "SPC-3 4.5.3"),
         part("EOM", 1, "end of medium was met (tape, printer)", "SPC-3 4.5.3"),
         part("ILI", 1, "the length asked for does not match the block on the medium", "SPC-3 4.5.3"),
         part("SDAT_OVFL", 1, "more sense data was due than fitted", "SPC-4 4.5.3"),
         _sense_key()),
    field("INFORMATION", Int32ub, "for a disk, the logical block address concerned, if VALID", "SPC-3 4.5.3"),
    field("ADDITIONAL SENSE LENGTH", Int8ub, "bytes that follow this one", "SPC-3 4.5.3", default=10),
    field("COMMAND-SPECIFIC INFORMATION", Int32ub, "depends on the command", "SPC-3 4.5.2.3"),
    _asc(),
    _ascq(),
    field("FIELD REPLACEABLE UNIT CODE", Int8ub, "the part that failed, numbered by the vendor", "SPC-3 4.5.2.5"),
    field("SENSE KEY SPECIFIC", Choice(_form), "form depends on the sense key", "SPC-3 4.5.2.4"),
    field("Additional sense bytes", Bounded(lambda c: c["ADDITIONAL SENSE LENGTH"] - 10, RAW),
          "vendor's or command's own bytes", "SPC-3 4.5.3"),
)  # fmt: skip

_EIGHT = "SPC-3 4.5.2.2"

INFORMATION = Layout(
    "Information", "SPC-3 4.5.2.2",
    bits(1, part("VALID", 1, "whether INFORMATION holds what the command defines", _EIGHT), spare(7)),
    reserved(1),
    field("INFORMATION", Int64ub, "for a disk, the logical block address concerned", _EIGHT),
)  # fmt: skip

COMMAND_SPECIFIC = Layout(
    "Command specific information", "SPC-3 4.5.2.3",
    reserved(2),
    field("COMMAND-SPECIFIC INFORMATION", Int64ub, "depends on the command", "SPC-3 4.5.2.3"),
)  # fmt: skip

SENSE_KEY_SPECIFIC = Layout(
    "Sense key specific", "SPC-3 4.5.2.4",
    reserved(2),
    field("SENSE KEY SPECIFIC", Choice(_form), "form depends on the sense key", "SPC-3 4.5.2.4"),
    reserved(1),
)  # fmt: skip

REPLACEABLE_UNIT = Layout(
    "Field replaceable unit", "SPC-3 4.5.2.5",
    reserved(1),
    field("FIELD REPLACEABLE UNIT CODE", Int8ub, "the part that failed, numbered by the vendor", "SPC-3 4.5.2.5"),
)  # fmt: skip

STREAM = Layout(
    "Stream commands", "SSC-3",
    reserved(1),
    bits(1, part("FILEMARK", 1, "a filemark was met"), part("EOM", 1, "end of medium was met"),
         part("ILI", 1, "the length asked for does not match the block"), spare(5)),
)  # fmt: skip

BLOCK = Layout(
    "Block commands", "SBC-3, block commands sense data descriptor",
    reserved(1),
    bits(1, spare(2), part("ILI", 1, "the length asked for does not match the block on the medium"), spare(5)),
)  # fmt: skip

ATA_STATUS = Layout(
    "ATA status return", "SAT-2 12.2.6",
    bits(1, spare(7), part("EXTEND", 1, "whether the upper halves are valid (48-bit command)")),
    *(
        field(name, Int8ub, f"ATA output register: {name.lower()}", "SAT-2 12.2.6")
        for name in (
            "ERROR", "COUNT (15:8)", "COUNT (7:0)", "LBA (31:24)", "LBA (7:0)", "LBA (39:32)", "LBA (15:8)",
            "LBA (47:40)", "LBA (23:16)", "DEVICE", "STATUS",
        )
    ),
)  # fmt: skip

ANOTHER_PROGRESS = Layout(
    "Another progress indication", "SPC-4 4.5.2.6",
    field("ANOTHER SENSE KEY", Int8ub, "sense key of the other operation", "SPC-4 4.5.2.6", meaning=sense_keys.NAMES),
    field("ANOTHER ADDITIONAL SENSE CODE", Int8ub, "its additional sense code", "SPC-4 4.5.2.6"),
    field("ANOTHER ADDITIONAL SENSE CODE QUALIFIER", Int8ub, "its qualifier", "SPC-4 4.5.2.6"),
    reserved(1),
    field("ANOTHER PROGRESS INDICATION", Int16ub, "part of it done, in 65536ths", "SPC-4 4.5.2.6", meaning=_progress),
)  # fmt: skip

DESCRIPTORS: dict[int, Layout] = {
    0x00: INFORMATION, 0x01: COMMAND_SPECIFIC, 0x02: SENSE_KEY_SPECIFIC, 0x03: REPLACEABLE_UNIT, 0x04: STREAM,
    0x05: BLOCK, 0x09: ATA_STATUS, 0x0A: ANOTHER_PROGRESS,
}  # fmt: skip
"""What follows the two header bytes of a sense data descriptor, by DESCRIPTOR TYPE; others stay raw bytes."""

_TYPES = {code: layout.title for code, layout in DESCRIPTORS.items()}

DESCRIPTOR_ENTRY = Layout(
    "Sense data descriptor", "SPC-3 4.5.2.1",
    field("DESCRIPTOR TYPE", Int8ub, "which descriptor this is", "SPC-3 4.5.2.1", meaning=_TYPES),
    field("ADDITIONAL LENGTH", Int8ub, "bytes that follow in this descriptor", "SPC-3 4.5.2.1"),
    field("contents",
          Bounded(lambda c: c["ADDITIONAL LENGTH"],
                  Choice(lambda values, _coming: DESCRIPTORS.get(values["DESCRIPTOR TYPE"], RAW))),
          "depends on the type", "SPC-3 4.5.2.1"),
)  # fmt: skip

DESCRIPTOR = Layout(
    "Descriptor format sense data", "SPC-3 4.5.2",
    bits(1, spare(1), _response_code()),
    bits(1, spare(4), _sense_key()),
    _asc(),
    _ascq(),
    bits(1, part("SDAT_OVFL", 1, "more sense data was due than fitted", "SPC-4 4.5.2.1"), spare(7)),
    reserved(2),
    field("ADDITIONAL SENSE LENGTH", Int8ub, "bytes of descriptors that follow", "SPC-3 4.5.2.1"),
    field("descriptors", Bounded(lambda c: c["ADDITIONAL SENSE LENGTH"], Series(DESCRIPTOR_ENTRY)),
          "one after the other", "SPC-3 4.5.2.1"),
)  # fmt: skip


def sense_layout(data: bytes) -> Layout | None:
    """The layout that the response code of sense data asks for; None when it is not sense data."""
    code = data[0] & 0x7F if data else 0
    return {0x70: FIXED, 0x71: FIXED, 0x72: DESCRIPTOR, 0x73: DESCRIPTOR}.get(code)
