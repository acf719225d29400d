"""What log parameters hold, page by page (SPC-4; 11h and 15h SBC-3). Positions from memory."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, GreedyBytes

from sticktrace.grammar.cdb import number
from sticktrace.grammar.layout import Layout, bits, field, part, reserved, spare
from sticktrace.grammar.sense_parts import additional_code, qualifier, sense_key
from sticktrace.text import field_text


def _degrees(value: Any, _seen: Any) -> str:
    return "not available" if value == 0xFF else f"{value} degrees Celsius"


def _digits(value: bytes, _seen: Mapping[str, Any]) -> str:
    return f'"{field_text(value)}"'


TEMPERATURE = Layout(
    "temperature parameter", "SPC-4, Temperature log page",
    reserved(1),
    number("TEMPERATURE", 1, "in degrees Celsius; reference temperature in parameter 1", meaning=_degrees),
)  # fmt: skip

_CYCLES = "SPC-4, Start-Stop Cycle Counter log page"


def _date(title: str, year: str, week: str) -> Layout:
    return Layout(
        title, _CYCLES, field(year, Bytes(4), "four digits, ASCII", meaning=_digits),
        field(week, Bytes(2), "two digits, ASCII", meaning=_digits),
    )  # fmt: skip


def _count(title: str, name: str, text: str) -> Layout:
    return Layout(title, _CYCLES, number(name, 4, text, meaning={0xFFFFFFFF: "not told"}))


CYCLES: dict[int, Construct] = {
    0x0001: _date("date of manufacture parameter", "YEAR OF MANUFACTURE", "WEEK OF MANUFACTURE"),
    0x0002: _date("accounting date parameter", "ACCOUNTING DATE YEAR", "ACCOUNTING DATE WEEK"),
    0x0003: _count("specified cycle count parameter", "SPECIFIED CYCLE COUNT OVER DEVICE LIFETIME",
                   "starts and stops that it is made for"),
    0x0004: _count("accumulated cycles parameter", "ACCUMULATED START-STOP CYCLES", "starts and stops so far"),
    0x0005: _count("specified load-unload count parameter", "SPECIFIED LOAD-UNLOAD COUNT OVER DEVICE LIFETIME",
                   "loads and unloads of the heads that it is made for"),
    0x0006: _count("accumulated load-unload parameter", "ACCUMULATED LOAD-UNLOAD CYCLES", "loads and unloads so far"),
}  # fmt: skip
"""Page 0Eh by PARAMETER CODE."""

SELF_TESTS = {
    0: "none of these", 1: "background short", 2: "background extended", 4: "stop the background test",
    5: "foreground short", 6: "foreground extended",
}  # fmt: skip
"""SELF-TEST CODE values of SEND DIAGNOSTIC (SPC-4)."""

_RESULTS = {
    0: "completed without an error", 1: "stopped by a host", 2: "stopped by something else",
    3: "not completed, error not known", 4: "failed, segment not known", 5: "failed in its first segment",
    6: "failed in its second segment", 7: "failed in the segment that the number tells", 15: "still running",
}  # fmt: skip
_NO_FAILURE = {0xFFFFFFFFFFFFFFFF: "none, or not told"}

SELF_TEST = Layout(
    "self-test results parameter", "SPC-4, Self-Test Results log page",
    bits(1, part("SELF-TEST CODE", 3, "which test", meaning=SELF_TESTS), spare(1),
         part("SELF-TEST RESULTS", 4, "how it ended", meaning=_RESULTS)),
    number("SELF-TEST NUMBER", 1, "segment that failed, where more than two are known"),
    number("ACCUMULATED POWER ON HOURS", 2, "when it ended", meaning={0xFFFF: "65535 hours or more"}),
    number("ADDRESS OF FIRST FAILURE", 8, "block where it failed", meaning=_NO_FAILURE),
    bits(1, spare(4), sense_key()), additional_code(), qualifier(),
    number("VENDOR SPECIFIC", 1, "vendor specific"),
)  # fmt: skip

ENDURANCE = Layout(
    "percentage used endurance indicator parameter", "SBC-3, Solid State Media log page",
    reserved(3),
    number("PERCENTAGE USED ENDURANCE INDICATOR", 1, "percent of the writes that the medium is made for; may pass 100"),
)  # fmt: skip

_SCANS = "SBC-3, Background Scan Results log page"
_SCAN_STATES = {
    0x00: "no scan is running", 0x01: "a medium scan is running", 0x02: "a pre-scan is running",
    0x03: "stopped by a fatal error", 0x04: "stopped by a pattern of errors", 0x05: "stopped: no primary defect list",
    0x06: "stopped by something of the vendor's", 0x07: "stopped: too hot or too cold",
    0x08: "waiting for its interval",
}  # fmt: skip

SCAN_STATUS = Layout(
    "background scan status parameter", _SCANS,
    number("ACCUMULATED POWER ON MINUTES", 4, "minutes so far"),
    reserved(1),
    number("BACKGROUND SCAN STATUS", 1, "what it does", meaning=_SCAN_STATES),
    number("NUMBER OF BACKGROUND SCANS PERFORMED", 2, "scans so far"),
    number("BACKGROUND SCAN PROGRESS", 2, "part of the scan done, in 65536ths",
           meaning=lambda value, _: f"{value / 655.36:.1f} % done"),
    number("NUMBER OF BACKGROUND MEDIUM SCANS PERFORMED", 2, "medium scans so far; 0 where not told"),
)  # fmt: skip

_REASSIGNMENTS = {
    1: "waits for a write or REASSIGN BLOCKS", 2: "reassigned by the device", 4: "the device could not reassign it",
    5: "recovered by writing it again in place", 6: "reassigned by a host, with its data",
    7: "reassigned by a host, without its data", 8: "a host could not reassign it",
}  # fmt: skip

SCAN_DEFECT = Layout(
    "background medium scan parameter", _SCANS,
    number("ACCUMULATED POWER ON MINUTES", 4, "when it was found"),
    bits(1, part("REASSIGN STATUS", 4, "what became of the block", meaning=_REASSIGNMENTS), sense_key()),
    additional_code(), qualifier(),
    field("VENDOR SPECIFIC", Bytes(5), "vendor specific"),
    number("LOGICAL BLOCK ADDRESS", 8, "the block"),
)  # fmt: skip

EXCEPTION = Layout(
    "informational exceptions parameter", "SPC-4, Informational Exceptions log page",
    number("INFORMATIONAL EXCEPTION ADDITIONAL SENSE CODE", 1, "0 where no failure is predicted"),
    number("INFORMATIONAL EXCEPTION ADDITIONAL SENSE CODE QUALIFIER", 1, "goes with the code"),
    number("MOST RECENT TEMPERATURE READING", 1, "in degrees Celsius", meaning=_degrees),
    field("VENDOR SPECIFIC", GreedyBytes, "vendor specific"),
)  # fmt: skip
