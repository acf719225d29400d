"""Commands of every SCSI device and their parameter data (SPC-3): INQUIRY, REQUEST SENSE, TEST UNIT READY, MODE SENSE,
REPORT LUNS, PREVENT ALLOW MEDIUM REMOVAL. Vital product data pages are in `vpd`, mode parameters in `mode`, sense data
in `sense`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, Container, Int8ub, Int16ub, Int32ub

from sticktrace.codes import scsi
from sticktrace.grammar import mode
from sticktrace.grammar.cdb import allocation, cdb
from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.command import IN, NONE, Command
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.mode_parts import PAGE_NAMES
from sticktrace.grammar.sense import sense_layout
from sticktrace.grammar.vpd import OTHER, VPD_PAGES, page_name, text_of

INQUIRY = cdb(
    0x12, "INQUIRY", "SPC-3 6.4.1",
    bits(1, spare(6), part("CMDDT", 1, "obsolete: command support data", "SPC-2 7.3"),
         part("EVPD", 1, "what is asked for", "SPC-3 6.4.1",
              meaning={0: "standard INQUIRY data", 1: "the vital product data page named next"})),
    field("PAGE CODE", Int8ub, "vital product data page; zero without EVPD", "SPC-3 6.4.1",
          meaning=lambda value, seen: page_name(value) if seen.get("EVPD") else ""),
    allocation(2),
)  # fmt: skip

_STD = "SPC-3 6.4.2 Table 81"
_REMOVABLE = {0: "the medium is not removable", 1: "the medium is removable"}
_RESPONSE_FORMAT = {0: "SCSI-1", 1: "as UFI prescribes", 2: "as SCSI-2 and later prescribe"}
_TPGS = {0: "none", 1: "implicit", 2: "explicit", 3: "implicit and explicit"}
_CLOCKING = {0: "single transition", 1: "double transition", 3: "both"}


def _flag(name: str, text: str) -> Any:
    return part(name, 1, text, _STD)


_VENDOR_BYTES = field("Vendor specific", Bytes(20), "the vendor's own", _STD)
_VERSIONS = tuple(
    field(f"VERSION DESCRIPTOR {n}", Int16ub, "a standard the device claims; 0 for none", _STD) for n in range(1, 9)
)

INQUIRY_TAIL = Layout(
    "Standard INQUIRY data from byte 36", _STD,
    _VENDOR_BYTES,
    bits(1, spare(4), part("CLOCKING", 2, "parallel SCSI only", _STD, meaning=_CLOCKING),
         _flag("QAS", "parallel SCSI only"), _flag("IUS", "parallel SCSI only")),
    reserved(1),
    *_VERSIONS,
)  # fmt: skip


def _tail(values: Container, _coming: Any) -> Construct:
    """Bytes 36 to 73 where ADDITIONAL LENGTH covers them all, as SPC prescribes; else what there is."""
    return INQUIRY_TAIL if values["ADDITIONAL LENGTH"] >= 69 else RAW


INQUIRY_DATA = Layout(
    "Standard INQUIRY data", "SPC-3 6.4.2",
    bits(1, part("PERIPHERAL QUALIFIER", 3, "whether the logical unit is there", _STD, meaning=scsi.QUALIFIERS),
         part("PERIPHERAL DEVICE TYPE", 5, "the kind of logical unit", _STD, meaning=scsi.DEVICE_TYPES)),
    bits(1, part("RMB", 1, "removable medium bit", _STD, meaning=_REMOVABLE), spare(7)),
    field("VERSION", Int8ub, "the SPC edition that the device claims", _STD, meaning=scsi.VERSIONS),
    bits(1, _flag("AERC", "obsolete: asynchronous events"), _flag("TRMTSK", "obsolete: TERMINATE TASK"),
         _flag("NORMACA", "NACA bit supported"), _flag("HISUP", "hierarchical logical unit numbers"),
         part("RESPONSE DATA FORMAT", 4, "the form of this data", _STD, meaning=_RESPONSE_FORMAT, default=2)),
    field("ADDITIONAL LENGTH", Int8ub, "bytes that follow this one", _STD, default=31),
    bits(1, _flag("SCCS", "storage array controller inside"), _flag("ACC", "access controls coordinator"),
         part("TPGS", 2, "asymmetric access", _STD, meaning=_TPGS), _flag("3PC", "third-party copy"), spare(2),
         _flag("PROTECT", "protection information supported")),
    bits(1, _flag("BQUE", "basic task management"), _flag("ENCSERV", "enclosure services inside"),
         _flag("VS 6", "vendor specific"), _flag("MULTIP", "more than one port"),
         _flag("MCHNGR", "part of a medium changer"), part("Obsolete 6", 2, "obsolete", _STD),
         _flag("ADDR16", "parallel SCSI only")),
    bits(1, part("Obsolete 7", 2, "obsolete", _STD), _flag("WBUS16", "parallel SCSI only"),
         _flag("SYNC", "parallel SCSI only"), _flag("LINKED", "linked commands"), _flag("Obsolete 7.2", "obsolete"),
         _flag("CMDQUE", "task management and queueing"), _flag("VS 7", "vendor specific")),
    field("T10 VENDOR IDENTIFICATION", Bytes(8), "the maker, ASCII padded with spaces", _STD, meaning=text_of),
    field("PRODUCT IDENTIFICATION", Bytes(16), "the product, ASCII padded with spaces", _STD, meaning=text_of),
    field("PRODUCT REVISION LEVEL", Bytes(4), "the revision, ASCII padded with spaces", _STD, meaning=text_of),
    field("From byte 36", Bounded(lambda c: c["ADDITIONAL LENGTH"] - 31, Choice(_tail)),
          "vendor's bytes and claimed standards, where ADDITIONAL LENGTH covers them", _STD),
)  # fmt: skip


def _inquiry_data(values: Mapping[str, Any], _data: bytes) -> Layout:
    return VPD_PAGES.get(values["PAGE CODE"], OTHER) if values["EVPD"] else INQUIRY_DATA


REQUEST_SENSE = cdb(
    0x03, "REQUEST SENSE", "SPC-3 6.27",
    bits(1, spare(7), part("DESC", 1, "format asked for", "SPC-3 6.27",
                           meaning={0: "fixed format", 1: "descriptor format"})),
    reserved(2),
    allocation(1),
)  # fmt: skip

TEST_UNIT_READY = cdb(0x00, "TEST UNIT READY", "SPC-3 6.33", reserved(4))

_PAGE_CODE = (
    part("PC", 2, "page control: which values", "SPC-3 6.9.1", meaning=mode.PAGE_CONTROL),
    part("PAGE CODE", 6, "which page; 3Fh for all", "SPC-3 6.9.1", meaning=PAGE_NAMES),
)
_DBD = part("DBD", 1, "disable block descriptors", "SPC-3 6.9.1",
            meaning={0: "block descriptors may come", 1: "no block descriptors"})  # fmt: skip
_SUBPAGE = field("SUBPAGE CODE", Int8ub, "which subpage; FFh for all", "SPC-3 6.9.1")

MODE_SENSE_6 = cdb(
    0x1A, "MODE SENSE(6)", "SPC-3 6.9", bits(1, spare(4), _DBD, spare(3)), bits(1, *_PAGE_CODE), _SUBPAGE, allocation(1)
)
MODE_SENSE_10 = cdb(
    0x5A, "MODE SENSE(10)", "SPC-3 6.10",
    bits(1, spare(3), part("LLBAA", 1, "long block descriptors are welcome", "SPC-3 6.10"), _DBD, spare(3)),
    bits(1, *_PAGE_CODE), _SUBPAGE, reserved(3), allocation(2),
)  # fmt: skip

REPORT_LUNS = cdb(
    0xA0, "REPORT LUNS", "SPC-3 6.21", reserved(1),
    field("SELECT REPORT", Int8ub, "which logical units", "SPC-3 6.21",
          meaning={0: "logical units", 1: "well known logical units only", 2: "all"}),
    reserved(3), allocation(4, "at most this many bytes are wanted back; at least 16"), reserved(1),
)  # fmt: skip

_METHODS = {0: "peripheral device", 1: "flat space", 2: "logical unit", 3: "extended"}


def _lun_words(value: int, seen: Mapping[str, Any]) -> str:
    return f"LUN {value}" if seen.get("ADDRESS METHOD", 0) in (0, 1) else ""


LUN_ENTRY = Layout(
    "Logical unit number", "SAM-3 4.9",
    bits(2, part("ADDRESS METHOD", 2, "how the number is written", "SAM-3 4.9.5", meaning=_METHODS),
         part("LUN", 14, "the number at the first level", "SAM-3 4.9.5", meaning=_lun_words)),
    field("Lower levels", Bytes(6), "further levels of addressing; zero over USB", "SAM-3 4.9.4"),
)  # fmt: skip

REPORT_LUNS_DATA = Layout(
    "REPORT LUNS data", "SPC-3 6.21",
    field("LUN LIST LENGTH", Int32ub, "bytes of the list, 8 for each logical unit", "SPC-3 6.21"),
    reserved(4),
    field("LUN list", Bounded(lambda c: c["LUN LIST LENGTH"], Series(LUN_ENTRY)), "one after the other", "SPC-3 6.21"),
)  # fmt: skip

_PREVENT = {
    0: "the medium may be taken out", 1: "the medium is locked in",
    2: "obsolete: locked for a medium changer", 3: "obsolete: locked for both",
}  # fmt: skip

PREVENT_ALLOW = cdb(
    0x1E, "PREVENT ALLOW MEDIUM REMOVAL", "SPC-3 6.13", reserved(3),
    bits(1, spare(6), part("PREVENT", 2, "lock or release the medium", "SPC-3 6.13", meaning=_PREVENT)),
)  # fmt: skip

ALLOCATION = "ALLOCATION LENGTH"

COMMANDS: tuple[Command, ...] = (
    Command(0x00, "TEST UNIT READY", TEST_UNIT_READY, "SPC-3 6.33", direction=NONE),
    Command(0x03, "REQUEST SENSE", REQUEST_SENSE, "SPC-3 6.27", direction=IN, length=ALLOCATION,
            data_in=lambda _values, data: sense_layout(data)),
    Command(0x12, "INQUIRY", INQUIRY, "SPC-3 6.4", direction=IN, length=ALLOCATION, data_in=_inquiry_data),
    Command(0x1A, "MODE SENSE(6)", MODE_SENSE_6, "SPC-3 6.9", direction=IN, length=ALLOCATION,
            data_in=mode.SENSE_DATA_6),
    Command(0x1E, "PREVENT ALLOW MEDIUM REMOVAL", PREVENT_ALLOW, "SPC-3 6.13", direction=NONE),
    Command(0x5A, "MODE SENSE(10)", MODE_SENSE_10, "SPC-3 6.10", direction=IN, length=ALLOCATION,
            data_in=mode.SENSE_DATA_10),
    Command(0xA0, "REPORT LUNS", REPORT_LUNS, "SPC-3 6.21", direction=IN, length=ALLOCATION,
            data_in=REPORT_LUNS_DATA),
)  # fmt: skip
