"""Enclosure services (SES-2): the diagnostic pages that tell of an enclosure's fans, supplies, slots and sensors.

Pages 01h Configuration and 02h Enclosure Status and Control are laid out (from memory). An enclosure is a logical unit
of type 0Dh, or part of another one (ENCSERV of the INQUIRY data).
"""

from __future__ import annotations

from construct import Bytes, Construct, Container, Int8ub

from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import RAW
from sticktrace.grammar.layout import Bits, Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.vpd import text_of

PAGE_NAMES: dict[int, str] = {
    0x00: "Supported Diagnostic Pages", 0x01: "Configuration", 0x02: "Enclosure Status or Control",
    0x03: "Help Text", 0x04: "String In or Out", 0x05: "Threshold In or Out", 0x06: "Array Status or Control",
    0x07: "Element Descriptor", 0x08: "Short Enclosure Status", 0x09: "Enclosure Busy",
    0x0A: "Additional Element Status", 0x0B: "Subenclosure Help Text", 0x0C: "Subenclosure String In or Out",
    0x0D: "Supported SES Diagnostic Pages", 0x0E: "Download Microcode", 0x0F: "Subenclosure Nickname",
    0x3F: "protocol specific", 0x40: "Translate Address", 0x41: "Device Status",
}  # fmt: skip
"""PAGE CODE of diagnostic pages (SPC-4; 01h to 0Fh SES-2; 40h and 41h SBC-3)."""

ELEMENT_TYPES: dict[int, str] = {
    0x00: "not specified", 0x01: "device slot", 0x02: "power supply", 0x03: "fan", 0x04: "temperature sensor",
    0x05: "door", 0x06: "audible alarm", 0x07: "enclosure services controller electronics",
    0x08: "SCC controller electronics", 0x09: "non-volatile cache", 0x0A: "invalid operation reason",
    0x0B: "uninterruptible power supply", 0x0C: "display", 0x0D: "key pad", 0x0E: "enclosure",
    0x0F: "SCSI port or transceiver", 0x10: "language", 0x11: "communication port", 0x12: "voltage sensor",
    0x13: "current sensor", 0x14: "SCSI target port", 0x15: "SCSI initiator port", 0x16: "simple subenclosure",
    0x17: "array device slot", 0x18: "SAS expander", 0x19: "SAS connector",
}  # fmt: skip
"""ELEMENT TYPE codes (SES-2)."""

_STATES = {
    0: "no status", 1: "well", 2: "critical", 3: "not critical", 4: "beyond recovery", 5: "not installed",
    6: "not known", 7: "not available", 8: "no access allowed",
}  # fmt: skip


def head(code: int, *second: Construct) -> tuple[Construct, ...]:
    """The four bytes that open a diagnostic page; ``second`` lays out the second byte, else reserved."""
    return (
        field("PAGE CODE", Int8ub, "which page", "SPC-4, diagnostic page format", meaning={code: PAGE_NAMES[code]},
              default=code),
        *(second or (reserved(1),)),
        number("PAGE LENGTH", 2, "bytes that follow this field"),
    )  # fmt: skip


_CONFIGURATION = "SES-2, Configuration diagnostic page"

ENCLOSURE_DESCRIPTOR = Layout(
    "enclosure descriptor", _CONFIGURATION,
    bits(1, spare(1), part("RELATIVE ENCLOSURE SERVICES PROCESS IDENTIFIER", 3, "which process answers"), spare(1),
         part("NUMBER OF ENCLOSURE SERVICES PROCESSES", 3, "processes")),
    number("SUBENCLOSURE IDENTIFIER", 1, "0 for the primary one"),
    number("NUMBER OF TYPE DESCRIPTOR HEADERS", 1, "kinds of element"),
    number("ENCLOSURE DESCRIPTOR LENGTH", 1, "bytes that follow this field"),
    number("ENCLOSURE LOGICAL IDENTIFIER", 8, "its number in the world"),
    field("ENCLOSURE VENDOR IDENTIFICATION", Bytes(8), "the maker", meaning=text_of),
    field("PRODUCT IDENTIFICATION", Bytes(16), "the product", meaning=text_of),
    field("PRODUCT REVISION LEVEL", Bytes(4), "the revision", meaning=text_of),
    field("VENDOR SPECIFIC ENCLOSURE INFORMATION", Bounded(lambda c: c["ENCLOSURE DESCRIPTOR LENGTH"] - 36, RAW),
          "vendor specific"),
)  # fmt: skip

TYPE_HEADER = Layout(
    "type descriptor header", _CONFIGURATION,
    number("ELEMENT TYPE", 1, "kind of element", meaning=ELEMENT_TYPES),
    number("NUMBER OF POSSIBLE ELEMENTS", 1, "elements of this kind at most"),
    number("SUBENCLOSURE IDENTIFIER", 1, "where they are"),
    number("TYPE DESCRIPTOR TEXT LENGTH", 1, "bytes of the text"),
)  # fmt: skip


def _types(values: Container) -> int:
    return sum(item.get("NUMBER OF TYPE DESCRIPTOR HEADERS", 0) for item in values["enclosures"])


CONFIGURATION = Layout(
    "Configuration diagnostic page", _CONFIGURATION,
    *head(0x01, number("NUMBER OF SECONDARY SUBENCLOSURES", 1, "besides the primary one")),
    number("GENERATION CODE", 4, "counts changes of the configuration"),
    field("enclosures", Series(ENCLOSURE_DESCRIPTOR, lambda c: 1 + c["NUMBER OF SECONDARY SUBENCLOSURES"]),
          "the primary one first"),
    field("types", Series(TYPE_HEADER, _types), "in the order of the status page"),
    field("type texts", RAW, "one for each type, of the length that its header states", meaning=text_of),
)  # fmt: skip

_STATUS = "SES-2, Enclosure Status diagnostic page"
_CONTROL = "SES-2, Enclosure Control diagnostic page"
_SUMMARY = ((3, "INFO", "something to tell"), (2, "NON-CRIT", "not critical, still working"),
            (1, "CRIT", "critical"), (0, "UNRECOV", "beyond recovery"))  # fmt: skip


def _element(title: str, clause: str, first: Bits) -> Series:
    return Series(Layout(title, clause, first, field("element specific", Bytes(3), "set by the type of element")))


STATUS = Layout(
    "Enclosure Status diagnostic page", _STATUS,
    *head(0x02, flags((4, "INVOP", "the last control page was refused"), *_SUMMARY)),
    number("GENERATION CODE", 4, "that of the configuration it belongs to"),
    field("elements", Bounded(lambda c: c["PAGE LENGTH"] - 4, _element(
        "element status", _STATUS,
        bits(1, spare(1), part("PRDFAIL", 1, "a failure is predicted"), part("DISABLED", 1, "switched off"),
             part("SWAP", 1, "was taken out since last asked"),
             part("ELEMENT STATUS CODE", 4, "how it is", meaning=_STATES)),
    )), "for each type one for all, then one for each"),
)  # fmt: skip

CONTROL = Layout(
    "Enclosure Control diagnostic page", _CONTROL,
    *head(0x02, flags(*_SUMMARY)),
    number("EXPECTED GENERATION CODE", 4, "that of the configuration it is meant for"),
    field("elements", Bounded(lambda c: c["PAGE LENGTH"] - 4, _element(
        "element control", _CONTROL,
        flags((7, "SELECT", "this element is meant"), (6, "PRDFAIL", "show a predicted failure"),
              (5, "DISABLE", "switch it off"), (4, "RST SWAP", "forget that it was taken out")),
    )), "for each type one for all, then one for each"),
)  # fmt: skip

STATUS_PAGES: dict[int, Layout] = {0x01: CONFIGURATION, 0x02: STATUS}
"""Pages of RECEIVE DIAGNOSTIC RESULTS by PAGE CODE."""

CONTROL_PAGES: dict[int, Layout] = {0x02: CONTROL}
"""Pages of SEND DIAGNOSTIC by PAGE CODE."""
