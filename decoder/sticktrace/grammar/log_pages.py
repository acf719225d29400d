"""LOG SELECT, LOG SENSE and the log pages that sticks and bridges return (SPC-4; 11h and 15h SBC-3).

Pages 00h, 0Dh, 0Eh, 10h, 11h, 15h and 2Fh are laid out, others in general. What a parameter holds is in
`log_parameters`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Container

from sticktrace.grammar import log_parameters as held
from sticktrace.grammar.cdb import allocation, cdb, flags, number, parameters
from sticktrace.grammar.choice import Choice, fitting
from sticktrace.grammar.command import IN, OUT, Command
from sticktrace.grammar.layout import Bits, Bounded, Layout, Series, bits, field, part, reserved, spare

PAGE_NAMES = {
    0x00: "Supported Log Pages",
    0x02: "Write Error Counters",
    0x03: "Read Error Counters",
    0x05: "Verify Error Counters",
    0x06: "Non-Medium Error",
    0x0D: "Temperature",
    0x0E: "Start-Stop Cycle Counter",
    0x10: "Self-Test Results",
    0x11: "Solid State Media",
    0x15: "Background Scan Results",
    0x2F: "Informational Exceptions",
}
"""Log page codes (SPC-4 and SBC-3, log page codes)."""

_VALUES = {0: "threshold values", 1: "cumulative values", 2: "default threshold", 3: "default cumulative"}


def _log_page_byte() -> Bits:
    return bits(
        1,
        part("PC", 2, "which values", meaning=_VALUES),
        part("PAGE CODE", 6, "which page", meaning=PAGE_NAMES),
    )


_LOG_SELECT = cdb(
    0x4C, "LOG SELECT", "SPC-4, LOG SELECT command",
    flags((1, "PCR", "reset the parameters"), (0, "SP", "save the parameters")),
    _log_page_byte(),
    number("SUBPAGE CODE", 1, "which subpage"),
    reserved(3),
    parameters(2),
)  # fmt: skip
_LOG_SENSE = cdb(
    0x4D, "LOG SENSE", "SPC-4, LOG SENSE command",
    flags((1, "PPC", "obsolete: only changed parameters"), (0, "SP", "save the parameters")),
    _log_page_byte(),
    number("SUBPAGE CODE", 1, "which subpage"),
    reserved(1),
    number("PARAMETER POINTER", 2, "first parameter wanted"),
    allocation(2),
)  # fmt: skip


def _log_page(code: int, body: Construct, text: str) -> Layout:
    name = PAGE_NAMES.get(code, "")
    title = f"{name} log page".replace("Pages log page", "Pages page") if name else "Log page"
    return Layout(
        title, "SPC-4, log page format",
        bits(1, part("DS", 1, "the page is not saved"), part("SPF", 1, "this is a subpage"),
             part("PAGE CODE", 6, "which page", meaning=PAGE_NAMES, default=code)),
        number("SUBPAGE CODE", 1, "which subpage"),
        number("PAGE LENGTH", 2, "bytes that follow this field"),
        field("page", Bounded(lambda c: c["PAGE LENGTH"], body), text),
    )  # fmt: skip


def _log_parameters(known: Mapping[int, Construct], others: Construct | None = None) -> Series:
    """Log parameters one after the other, by PARAMETER CODE; codes that are not known hold ``others``, or raw bytes."""

    def value(values: Container, _coming: Any) -> Construct:
        return fitting(known.get(values["PARAMETER CODE"], others), values["PARAMETER LENGTH"])

    return Series(
        Layout(
            "log parameter", "SPC-4, log parameter format",
            number("PARAMETER CODE", 2, "which parameter"),
            bits(
                1, part("DU", 1, "the device does not update it"), part("DS", 1, "obsolete"),
                part("TSD", 1, "the device does not save it"), part("ETC", 1, "compared with the threshold"),
                part("TMC", 2, "how it is compared"),
                part("FORMAT AND LINKING", 2, "counter, ASCII list or binary list"),
            ),
            number("PARAMETER LENGTH", 1, "bytes of the value"),
            field("value", Bounded(lambda c: c["PARAMETER LENGTH"], Choice(value)), "value of the parameter"),
        )
    )  # fmt: skip


_LISTED_PAGE = Layout(
    "supported page", "SPC-4, Supported Log Pages",
    bits(1, spare(2), part("PAGE CODE", 6, "supported page", meaning=PAGE_NAMES)),
)  # fmt: skip
_LISTED_SUBPAGE = Layout(
    "supported page and subpage", "SPC-4, Supported Log Pages and Subpages",
    bits(1, spare(2), part("PAGE CODE", 6, "supported page", meaning=PAGE_NAMES)),
    number("SUBPAGE CODE", 1, "supported subpage"),
)  # fmt: skip

LOG_SUPPORTED = _log_page(0x00, Series(_LISTED_PAGE), "one byte per page")
LOG_SUPPORTED_SUBPAGES = _log_page(0x00, Series(_LISTED_SUBPAGE), "two bytes per page and subpage")
_SCANS = {0: held.SCAN_STATUS, **dict.fromkeys(range(1, 0x801), held.SCAN_DEFECT)}

LOG_PAGES: dict[int, Layout] = {
    0x0D: _log_page(0x0D, _log_parameters({0: held.TEMPERATURE, 1: held.TEMPERATURE}), "temperatures"),
    0x0E: _log_page(0x0E, _log_parameters(held.CYCLES), "dates and cycles"),
    0x10: _log_page(0x10, _log_parameters({}, held.SELF_TEST), "the last self-tests, the newest first"),
    0x11: _log_page(0x11, _log_parameters({1: held.ENDURANCE}), "wear"),
    0x15: _log_page(0x15, _log_parameters(_SCANS), "the scan, and the blocks that it found"),
    0x2F: _log_page(0x2F, _log_parameters({0: held.EXCEPTION}), "failure prediction"),
}
"""Log pages by PAGE CODE."""

LOG_ANY = _log_page(0x3F, _log_parameters({}), "parameters")


def log_page(values: Mapping[str, Any], data: bytes) -> Layout:
    """The layout of LOG SENSE data, by the page that the device returned (else the one asked for)."""
    first = data[0] if data else values.get("PAGE CODE", 0)
    subpage = data[1] if len(data) > 1 else values.get("SUBPAGE CODE", 0)
    if first & 0x3F == 0:
        return LOG_SUPPORTED_SUBPAGES if subpage else LOG_SUPPORTED
    return LOG_ANY if subpage else LOG_PAGES.get(first & 0x3F, LOG_ANY)


COMMANDS: tuple[Command, ...] = (
    Command(
        0x4C, "LOG SELECT", _LOG_SELECT, _LOG_SELECT.clause, direction=OUT, data_out=log_page,
        length="PARAMETER LIST LENGTH",
    ),
    Command(
        0x4D, "LOG SENSE", _LOG_SENSE, _LOG_SENSE.clause, direction=IN, data_in=log_page, length="ALLOCATION LENGTH"
    ),
)  # fmt: skip
"""The commands of this module."""
