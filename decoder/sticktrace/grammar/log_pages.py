"""LOG SELECT, LOG SENSE and the log pages that sticks and bridges return (SPC-4): 00h, 0Dh, 2Fh, others in general."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, GreedyBytes, Switch

from sticktrace.grammar.cdb import allocation, cdb, flags, number, parameters
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


def _degrees(value: Any, _seen: Any) -> str:
    return "not available" if value == 0xFF else f"{value} degrees Celsius"


_TEMPERATURE = Layout(
    "temperature parameter", "SPC-4, Temperature log page",
    reserved(1),
    number("TEMPERATURE", 1, "in degrees Celsius; reference temperature in parameter 1", meaning=_degrees),
)  # fmt: skip
_EXCEPTION = Layout(
    "informational exceptions parameter", "SPC-4, Informational Exceptions log page",
    number("INFORMATIONAL EXCEPTION ADDITIONAL SENSE CODE", 1, "0 where no failure is predicted"),
    number("INFORMATIONAL EXCEPTION ADDITIONAL SENSE CODE QUALIFIER", 1, "goes with the code"),
    number("MOST RECENT TEMPERATURE READING", 1, "in degrees Celsius", meaning=_degrees),
    field("VENDOR SPECIFIC", GreedyBytes, "vendor specific"),
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


def _log_parameters(known: Mapping[int, Construct]) -> Series:
    value = Switch(lambda c: c["PARAMETER CODE"], known, default=GreedyBytes) if known else GreedyBytes
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
            field("value", Bounded(lambda c: c["PARAMETER LENGTH"], value), "value of the parameter"),
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
LOG_TEMPERATURE = _log_page(0x0D, _log_parameters({0: _TEMPERATURE, 1: _TEMPERATURE}), "temperatures")
LOG_EXCEPTIONS = _log_page(0x2F, _log_parameters({0: _EXCEPTION}), "failure prediction")
LOG_ANY = _log_page(0x3F, _log_parameters({}), "parameters")


def log_page(values: Mapping[str, Any], data: bytes) -> Layout:
    """The layout of LOG SENSE data, by the page that the device returned (else the one asked for)."""
    first = data[0] if data else values.get("PAGE CODE", 0)
    subpage = data[1] if len(data) > 1 else values.get("SUBPAGE CODE", 0)
    if first & 0x3F == 0:
        return LOG_SUPPORTED_SUBPAGES if subpage else LOG_SUPPORTED
    return {0x0D: LOG_TEMPERATURE, 0x2F: LOG_EXCEPTIONS}.get(first & 0x3F, LOG_ANY) if not subpage else LOG_ANY

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
