"""SEND DIAGNOSTIC and RECEIVE DIAGNOSTIC RESULTS (SPC-4) with their pages; those of an enclosure are in `enclosure`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import GreedyBytes

from sticktrace.grammar import enclosure
from sticktrace.grammar.cdb import allocation, cdb, flags, number, parameters
from sticktrace.grammar.command import IN, OUT, Command
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.log_parameters import SELF_TESTS

ALLOCATION, LIST = "ALLOCATION LENGTH", "PARAMETER LIST LENGTH"

_SEND_DIAGNOSTIC = cdb(
    0x1D, "SEND DIAGNOSTIC", "SPC-4, SEND DIAGNOSTIC command",
    bits(
        1, part("SELF-TEST CODE", 3, "which test", meaning=SELF_TESTS), part("PF", 1, "a page as the standard has it"),
        spare(1), part("SELFTEST", 1, "run the default test"), part("DEVOFFL", 1, "the device may go off line"),
        part("UNITOFFL", 1, "the unit may go off line"),
    ),
    reserved(1),
    parameters(2),
)  # fmt: skip
_RECEIVE_DIAGNOSTIC = cdb(
    0x1C, "RECEIVE DIAGNOSTIC RESULTS", "SPC-4, RECEIVE DIAGNOSTIC RESULTS command",
    flags((0, "PCV", "the page code is meant")),
    number("PAGE CODE", 1, "which page"),
    allocation(2),
)  # fmt: skip

_PAGE = "SPC-4, diagnostic page format"

DIAGNOSTIC_PAGE = Layout(
    "diagnostic page", _PAGE,
    number("PAGE CODE", 1, "which page", _PAGE, meaning=enclosure.PAGE_NAMES),
    number("PAGE CODE SPECIFIC", 1, "set by the page"),
    number("PAGE LENGTH", 2, "bytes that follow this field"),
    field("DIAGNOSTIC PARAMETERS", Bounded(lambda c: c["PAGE LENGTH"], GreedyBytes), "set by the page"),
)  # fmt: skip

_SUPPORTED = "SPC-4, Supported Diagnostic Pages diagnostic page"

SUPPORTED_DIAGNOSTICS = Layout(
    "Supported Diagnostic Pages diagnostic page", _SUPPORTED,
    *enclosure.head(0x00),
    field(
        "pages",
        Bounded(lambda c: c["PAGE LENGTH"], Series(Layout(
            "supported page", _SUPPORTED,
            number("PAGE CODE", 1, "a page that it has", meaning=enclosure.PAGE_NAMES),
        ))),
        "in ascending order",
    ),
)  # fmt: skip


def results(values: Mapping[str, Any], data: bytes) -> Layout:
    """The page that came back, by its own code, or by the code asked for where not a byte came."""
    code = data[0] if data else values.get("PAGE CODE", 0) if values.get("PCV") else -1
    return SUPPORTED_DIAGNOSTICS if code == 0 else enclosure.STATUS_PAGES.get(code, DIAGNOSTIC_PAGE)


def sent(_values: Mapping[str, Any], data: bytes) -> Layout:
    """The page that a host sends."""
    code = data[0] if data else -1
    return SUPPORTED_DIAGNOSTICS if code == 0 else enclosure.CONTROL_PAGES.get(code, DIAGNOSTIC_PAGE)


COMMANDS: tuple[Command, ...] = (
    Command(
        0x1D, "SEND DIAGNOSTIC", _SEND_DIAGNOSTIC, _SEND_DIAGNOSTIC.clause, direction=OUT, data_out=sent,
        length=LIST,
    ),
    Command(
        0x1C, "RECEIVE DIAGNOSTIC RESULTS", _RECEIVE_DIAGNOSTIC, _RECEIVE_DIAGNOSTIC.clause, direction=IN,
        data_in=results, length=ALLOCATION,
    ),
)  # fmt: skip
"""The commands of this module."""
