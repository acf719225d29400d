"""Parts that sense data in every format is made of: sense key, additional sense code, and the three sense-key specific
bytes (SPC-3 4.5.2.4, 4.5.6)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, Container, Int8ub, Int16ub

from sticktrace.codes import asc, sense_keys
from sticktrace.grammar.choice import Choice
from sticktrace.grammar.layout import Field, Layout, Part, bits, field, part, reserved, spare

_KEY_CLAUSE = "SPC-3 4.5.6 Table 27"


def sense_key(name: str = "SENSE KEY") -> Part:
    """The sense key, in four bits."""
    return part(name, 4, "the kind of condition", _KEY_CLAUSE, meaning=sense_keys.NAMES)


def additional_code() -> Field:
    """ADDITIONAL SENSE CODE."""
    return field("ADDITIONAL SENSE CODE", Int8ub, "the condition in more detail", "SPC-3 4.5.6 Table 28")


def qualifier() -> Field:
    """ADDITIONAL SENSE CODE QUALIFIER, with what it and the code before it say."""

    def say(value: int, seen: Mapping[str, Any]) -> str:
        return asc.meaning(seen.get("ADDITIONAL SENSE CODE", 0), value)

    return field("ADDITIONAL SENSE CODE QUALIFIER", Int8ub, "refines the code", "SPC-3 4.5.6 Table 28", meaning=say)


def progress(value: int, seen: Mapping[str, Any]) -> str:
    """A progress indication in percent, where SKSV makes it valid."""
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
          meaning=progress),
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


def form_of(values: Container, _coming: Any) -> Construct:
    """The three sense-key specific bytes by the sense key, which stands in this structure or in one around it."""
    at: Any = values
    while at is not None and "SENSE KEY" not in at:
        at = at.get("_")
    return KEY_SPECIFIC if at is None else _FORMS.get(at["SENSE KEY"], KEY_SPECIFIC)


def key_specific() -> Field:
    """The three sense-key specific bytes, in the form that the sense key gives them."""
    return field("SENSE KEY SPECIFIC", Choice(form_of), "form depends on the sense key", "SPC-3 4.5.2.4")
