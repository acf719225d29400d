"""Vital product data: the pages that INQUIRY returns when EVPD is one (SPC-3 7.6).

Each page is laid out whole, header included, as the standard prints it. `VPD_PAGES` holds them by page code; a module
for another document adds its pages with ``VPD_PAGES.update(...)``. A page that is not there is shown by `OTHER`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, Container, Int8ub, Int16ub, Int32ub, Int64ub

from sticktrace.codes import scsi
from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.text import field_text, safe

PAGE_NAMES: dict[int, str] = {
    0x00: "Supported VPD Pages",
    0x80: "Unit Serial Number",
    0x83: "Device Identification",
    0x84: "Software Interface Identification",
    0x85: "Management Network Addresses",
    0x86: "Extended INQUIRY Data",
    0x87: "Mode Page Policy",
    0x88: "SCSI Ports",
    0x89: "ATA Information",
    0x8A: "Power Condition",
    0xB0: "Block Limits",
    0xB1: "Block Device Characteristics",
    0xB2: "Logical Block Provisioning",
    0xB3: "Referrals",
    0xB6: "Zoned Block Device Characteristics",
}
"""Page names: SPC-3 7.6.1 (8Ah SPC-4), SBC-3 6.5 (B6h ZBC)."""


def page_name(code: int, _seen: Mapping[str, Any] | None = None) -> str:
    """The name of a VPD page; vendor pages are C0h to FFh."""
    return PAGE_NAMES.get(code, "vendor specific" if code >= 0xC0 else "")


def text_of(value: bytes, _seen: Mapping[str, Any] | None = None) -> str:
    """A padded ASCII field in quotes."""
    return f'"{field_text(value)}"'


def header(page: int | None = None) -> tuple[Construct, ...]:
    """The four bytes that start every VPD page."""
    return (
        bits(1, part("PERIPHERAL QUALIFIER", 3, "whether the logical unit is there", "SPC-3 6.4.2 Table 82",
                     meaning=scsi.QUALIFIERS),
             part("PERIPHERAL DEVICE TYPE", 5, "the kind of logical unit", "SPC-3 6.4.2 Table 83",
                  meaning=scsi.DEVICE_TYPES)),
        field("PAGE CODE", Int8ub, "which page this is", "SPC-3 7.6.1", meaning=page_name, default=page),
        field("PAGE LENGTH", Int16ub, "bytes that follow", "SPC-3 7.6.1"),
    )  # fmt: skip


def _length(values: Container) -> int:
    return int(values["PAGE LENGTH"])


_PAGE_ENTRY = Layout(
    "Supported page", "SPC-3 7.6.9",
    field("VPD page", Int8ub, "a page that INQUIRY can return", "SPC-3 7.6.9", meaning=page_name),
)  # fmt: skip

SUPPORTED_PAGES = Layout(
    "Supported VPD Pages page", "SPC-3 7.6.9", *header(0x00),
    field("Supported VPD page list", Bounded(_length, Series(_PAGE_ENTRY)), "in ascending order", "SPC-3 7.6.9"),
)  # fmt: skip

UNIT_SERIAL_NUMBER = Layout(
    "Unit Serial Number VPD page", "SPC-3 7.6.10", *header(0x80),
    field("PRODUCT SERIAL NUMBER", Bounded(_length, RAW), "ASCII, right-aligned; spaces if there is none",
          "SPC-3 7.6.10", meaning=text_of),
)  # fmt: skip

CODE_SETS: dict[int, str] = {1: "binary", 2: "ASCII", 3: "UTF-8"}
ASSOCIATIONS: dict[int, str] = {0: "the logical unit", 1: "the target port", 2: "the target device"}
DESIGNATOR_TYPES: dict[int, str] = {
    0: "vendor specific", 1: "T10 vendor identification", 2: "EUI-64", 3: "NAA", 4: "relative target port",
    5: "target port group", 6: "logical unit group", 7: "MD5 logical unit identifier", 8: "SCSI name string",
    9: "protocol specific port identifier",
}  # fmt: skip
PROTOCOLS: dict[int, str] = {
    0: "Fibre Channel", 1: "parallel SCSI", 2: "SSA", 3: "IEEE 1394", 4: "RDMA", 5: "iSCSI", 6: "SAS",
    7: "automation drive interface", 8: "ATA", 9: "USB Attached SCSI", 15: "no specific protocol",
}  # fmt: skip

_ID = "SPC-3 7.6.3"
_COMPANY = part("IEEE COMPANY_ID", 24, "the maker, as IEEE assigned it", _ID)

T10_VENDOR = Layout(
    "T10 vendor identification", "SPC-3 7.6.3.4",
    field("T10 VENDOR IDENTIFICATION", Bytes(8), "the maker", "SPC-3 7.6.3.4", meaning=text_of),
    field("VENDOR SPECIFIC IDENTIFIER", RAW, "usually product and serial number", "SPC-3 7.6.3.4", meaning=text_of),
)  # fmt: skip
_EUI = bits(8, _COMPANY, part("VENDOR SPECIFIC EXTENSION IDENTIFIER", 40, "the maker's number", "SPC-3 7.6.3.5"))
EUI_64 = Layout("EUI-64", "SPC-3 7.6.3.5.2", _EUI)
EUI_64_12 = Layout(
    "EUI-64, 12 bytes", "SPC-3 7.6.3.5.3", _EUI,
    field("DIRECTORY ID", Int32ub, "IEEE 1394 directory identifier", "SPC-3 7.6.3.5.3"),
)  # fmt: skip
EUI_64_16 = Layout(
    "EUI-64, 16 bytes", "SPC-3 7.6.3.5.4",
    field("IDENTIFIER EXTENSION", Int64ub, "the maker's extension", "SPC-3 7.6.3.5.4"), _EUI,
)  # fmt: skip

NAA_NAMES: dict[int, str] = {
    2: "IEEE extended", 3: "locally assigned", 5: "IEEE registered", 6: "IEEE registered extended",
}  # fmt: skip
_NAA = part("NAA", 4, "network address authority: the form of what follows", "SPC-3 7.6.3.6", meaning=NAA_NAMES)
NAA_FORMS: dict[tuple[int, int], Layout] = {
    (2, 8): Layout("NAA IEEE extended", "SPC-3 7.6.3.6.2",
                   bits(8, _NAA, part("VENDOR SPECIFIC IDENTIFIER A", 12, "the maker's number, upper part"), _COMPANY,
                        part("VENDOR SPECIFIC IDENTIFIER B", 24, "the maker's number, lower part"))),
    (3, 8): Layout("NAA locally assigned", "SPC-4 7.8.6.6.3",
                   bits(8, _NAA, part("LOCALLY ADMINISTERED VALUE", 60, "given by an administrator"))),
    (5, 8): Layout("NAA IEEE registered", "SPC-3 7.6.3.6.3",
                   bits(8, _NAA, _COMPANY, part("VENDOR SPECIFIC IDENTIFIER", 36, "the maker's number"))),
    (6, 16): Layout("NAA IEEE registered extended", "SPC-3 7.6.3.6.4",
                    bits(8, _NAA, _COMPANY, part("VENDOR SPECIFIC IDENTIFIER", 36, "the maker's number")),
                    field("VENDOR SPECIFIC IDENTIFIER EXTENSION", Int64ub, "continues the identifier")),
}  # fmt: skip
"""NAA designators by (NAA, length in bytes)."""


def _numbered(title: str, name: str, clause: str) -> Layout:
    return Layout(title, clause, reserved(2), field(name, Int16ub, "number within the device", clause))


NAME_STRING = Layout(
    "SCSI name string", "SPC-3 7.6.3.11",
    field("SCSI NAME STRING", RAW, "UTF-8, ended by NUL", "SPC-3 7.6.3.11",
          meaning=lambda value, _: f'"{safe(value.rstrip(bytes(1)).decode("utf-8", "backslashreplace"))}"'),
)  # fmt: skip

_BY_LENGTH: dict[tuple[int, int], Layout] = {
    (2, 8): EUI_64, (2, 12): EUI_64_12, (2, 16): EUI_64_16,
    (4, 4): _numbered("Relative target port", "RELATIVE TARGET PORT IDENTIFIER", "SPC-3 7.6.3.7"),
    (5, 4): _numbered("Target port group", "TARGET PORT GROUP", "SPC-3 7.6.3.8"),
    (6, 4): _numbered("Logical unit group", "LOGICAL UNIT GROUP", "SPC-3 7.6.3.9"),
}  # fmt: skip
"""Designators of a fixed size by (DESIGNATOR TYPE, DESIGNATOR LENGTH)."""


def _designator(values: Container, coming: Any) -> Construct:
    kind, length = values["DESIGNATOR TYPE"], values["DESIGNATOR LENGTH"]
    if kind == 1 and length >= 8:
        return T10_VENDOR
    if kind == 8:
        return NAME_STRING
    if kind == 3 and coming:
        naa = coming["NAA"] if isinstance(coming, Mapping) else coming[0] >> 4
        return NAA_FORMS.get((naa, length), RAW)
    return _BY_LENGTH.get((kind, length), RAW)


def _readable(value: Any, seen: Mapping[str, Any]) -> str:
    """A designator without fields of its own, in quotes if its code set makes it text."""
    return text_of(value) if isinstance(value, bytes) and seen.get("CODE SET") in (2, 3) else ""


DESIGNATOR = Layout(
    "Designation descriptor", "SPC-3 7.6.3.1",
    bits(1, part("PROTOCOL IDENTIFIER", 4, "transport protocol, if PIV is one", _ID, meaning=PROTOCOLS),
         part("CODE SET", 4, "how the designator is written", _ID, meaning=CODE_SETS)),
    bits(1, part("PIV", 1, "whether PROTOCOL IDENTIFIER is valid", _ID), spare(1),
         part("ASSOCIATION", 2, "what the designator names", _ID, meaning=ASSOCIATIONS),
         part("DESIGNATOR TYPE", 4, "the form of the designator", _ID, meaning=DESIGNATOR_TYPES)),
    reserved(1),
    field("DESIGNATOR LENGTH", Int8ub, "bytes that follow in this descriptor", _ID),
    field("DESIGNATOR", Bounded(lambda c: c["DESIGNATOR LENGTH"], Choice(_designator)), "the name itself", _ID,
          meaning=_readable),
)  # fmt: skip

DEVICE_IDENTIFICATION = Layout(
    "Device Identification VPD page", "SPC-3 7.6.3", *header(0x83),
    field("Designation descriptor list", Bounded(_length, Series(DESIGNATOR)), "one after the other", _ID),
)  # fmt: skip

OTHER = Layout(
    "VPD page", "SPC-3 7.6.1", *header(),
    field("contents", Bounded(_length, RAW), "a page without a layout here", "SPC-3 7.6.1"),
)  # fmt: skip

VPD_PAGES: dict[int, Layout] = {
    0x00: SUPPORTED_PAGES, 0x80: UNIT_SERIAL_NUMBER, 0x83: DEVICE_IDENTIFICATION,
}  # fmt: skip
"""VPD pages by page code, header included."""
