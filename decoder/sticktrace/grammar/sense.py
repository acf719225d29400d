"""Sense data in its two formats: fixed (SPC-3 4.5.3) and descriptor (SPC-3 4.5.2). All fields are big-endian.

ATA PASS-THROUGH fills the fixed format in its own way (`sat_sense`); what descriptors hold is in `sense_descriptors`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Container, Int8ub, Int32ub

from sticktrace.grammar.choice import RAW, Choice, fitting
from sticktrace.grammar.layout import Bounded, Layout, Part, Series, bits, field, part, reserved, spare
from sticktrace.grammar.sat_sense import fixed_command_specific, fixed_information
from sticktrace.grammar.sense_descriptors import BODIES
from sticktrace.grammar.sense_parts import additional_code, key_specific, qualifier, sense_key

RESPONSE_CODES: dict[int, str] = {
    0x70: "current error, fixed format",
    0x71: "deferred error of an earlier command, fixed format",
    0x72: "current error, descriptor format",
    0x73: "deferred error of an earlier command, descriptor format",
    0x7F: "vendor specific format",
}

ATA_REPORT = (0x00, 0x1D)
"""ASC and ASCQ with which a bridge returns ATA registers: ATA PASS THROUGH INFORMATION AVAILABLE (SAT-3)."""


def _response_code(default: int) -> Part:
    return part("RESPONSE CODE", 7, "which format follows", "SPC-3 4.5.1", meaning=RESPONSE_CODES, default=default)


def _fixed(title: str, clause: str, information: tuple[Construct, ...], specific: tuple[Construct, ...]) -> Layout:
    """Fixed format: bytes 3 to 6 and 8 to 11 as given, all else the same."""
    return Layout(
        title, clause,
        bits(1, part("VALID", 1, "whether INFORMATION holds what the command defines", "SPC-3 4.5.3"),
             _response_code(0x70)),
        field("Obsolete", Int8ub, "was the segment number", "SPC-3 4.5.3"),
        bits(1,
             part("FILEMARK", 1, "a filemark was met (tape)", "SPC-3 4.5.3"),
             part("EOM", 1, "end of medium was met (tape, printer)", "SPC-3 4.5.3"),
             part("ILI", 1, "the length asked for does not match the block on the medium", "SPC-3 4.5.3"),
             part("SDAT_OVFL", 1, "more sense data was due than fitted", "SPC-4 4.5.3"),
             sense_key()),
        *information,
        field("ADDITIONAL SENSE LENGTH", Int8ub, "bytes that follow this one", "SPC-3 4.5.3", default=10),
        *specific,
        additional_code(),
        qualifier(),
        field("FIELD REPLACEABLE UNIT CODE", Int8ub, "the part that failed, numbered by the vendor", "SPC-3 4.5.2.5"),
        key_specific(),
        field("Additional sense bytes", Bounded(lambda c: c["ADDITIONAL SENSE LENGTH"] - 10, RAW),
              "vendor's or command's own bytes", "SPC-3 4.5.3"),
    )  # fmt: skip


FIXED = _fixed(
    "Fixed format sense data", "SPC-3 4.5.3",
    (field("INFORMATION", Int32ub, "for a disk, the logical block address concerned, if VALID", "SPC-3 4.5.3"),),
    (field("COMMAND-SPECIFIC INFORMATION", Int32ub, "depends on the command", "SPC-3 4.5.2.3"),),
)  # fmt: skip

FIXED_ATA = _fixed(
    "Fixed format sense data of ATA PASS-THROUGH", "SAT-3, ATA PASS-THROUGH fixed format sense data",
    fixed_information(), fixed_command_specific(),
)  # fmt: skip

_SOURCES = {0: "not known", 1: "source of an extended copy", 2: "destination of an extended copy"}
_FORWARDED = "SPC-4, forwarded sense data descriptor"

FORWARDED = Layout(
    "Forwarded sense data", _FORWARDED,
    bits(1, part("FSDT", 1, "the sense data below was cut", _FORWARDED), spare(3),
         part("SENSE DATA SOURCE", 4, "who said it", _FORWARDED, meaning=_SOURCES)),
    field("FORWARDED STATUS", Int8ub, "SCSI status that came with it", _FORWARDED),
    field("FORWARDED SENSE DATA", Choice(lambda _values, coming: _forwarded(coming)), "what it said", _FORWARDED),
)  # fmt: skip

DESCRIPTORS: dict[int, Layout] = {**BODIES, 0x0C: FORWARDED}
"""What follows the two header bytes of a sense data descriptor, by DESCRIPTOR TYPE; others stay raw bytes."""

_TYPES = {code: layout.title for code, layout in sorted(DESCRIPTORS.items())}

DESCRIPTOR_ENTRY = Layout(
    "Sense data descriptor", "SPC-3 4.5.2.1",
    field("DESCRIPTOR TYPE", Int8ub, "which descriptor this is", "SPC-3 4.5.2.1", meaning=_TYPES),
    field("ADDITIONAL LENGTH", Int8ub, "bytes that follow in this descriptor", "SPC-3 4.5.2.1"),
    field("contents", Bounded(lambda c: c["ADDITIONAL LENGTH"], Choice(lambda values, _coming: _body(values))),
          "depends on the type", "SPC-3 4.5.2.1"),
)  # fmt: skip

DESCRIPTOR = Layout(
    "Descriptor format sense data", "SPC-3 4.5.2",
    bits(1, spare(1), _response_code(0x72)),
    bits(1, spare(4), sense_key()),
    additional_code(),
    qualifier(),
    bits(1, part("SDAT_OVFL", 1, "more sense data was due than fitted", "SPC-4 4.5.2.1"), spare(7)),
    reserved(2),
    field("ADDITIONAL SENSE LENGTH", Int8ub, "bytes of descriptors that follow", "SPC-3 4.5.2.1"),
    field("descriptors", Bounded(lambda c: c["ADDITIONAL SENSE LENGTH"], Series(DESCRIPTOR_ENTRY)),
          "one after the other", "SPC-3 4.5.2.1"),
)  # fmt: skip


def _body(values: Container) -> Construct:
    return fitting(DESCRIPTORS.get(values["DESCRIPTOR TYPE"]), values["ADDITIONAL LENGTH"])


def _forwarded(coming: Any) -> Construct:
    """Sense data inside sense data: by its first bytes, or by the values to be built."""
    if isinstance(coming, Mapping):
        return DESCRIPTOR if coming["RESPONSE CODE"] & 2 else FIXED_ATA if "STATUS" in coming else FIXED
    found = sense_layout(coming) if isinstance(coming, bytes) else None
    return RAW if found is None else found


def sense_layout(data: bytes) -> Layout | None:
    """The layout that the response code of sense data asks for, and the code that tells of ATA registers; None when it
    is not sense data."""
    code = data[0] & 0x7F if data else 0
    if code in (0x70, 0x71):
        return FIXED_ATA if tuple(data[12:14]) == ATA_REPORT and data[7] >= 6 else FIXED
    return DESCRIPTOR if code in (0x72, 0x73) else None
