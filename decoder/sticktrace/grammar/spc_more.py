"""Further primary commands and their parameter data (SPC-4; SPC-2 for RESERVE and RELEASE).

MODE SELECT, LOG SELECT and LOG SENSE, PERSISTENT RESERVE IN and OUT, SECURITY PROTOCOL IN and OUT, the two diagnostic
commands, READ and WRITE BUFFER, and the reports of supported operation codes and task management functions. Clauses
without a number name the command or page in that document.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, GreedyBytes, Int64ub, Switch

from sticktrace.grammar import mode
from sticktrace.grammar.cdb import action, allocation, cdb, flags, number, parameters
from sticktrace.grammar.command import Command
from sticktrace.grammar.layout import Bits, Bounded, Layout, Series, bits, field, part, reserved, spare

ALLOCATION = "ALLOCATION LENGTH"
LIST = "PARAMETER LIST LENGTH"

# -- MODE SELECT ---------------------------------------------------------------------------------------------------


def _mode_select_flags() -> Bits:
    return flags(
        (4, "PF", "pages in the standard's format follow"),
        (1, "RTD", "go back to the default values"),
        (0, "SP", "save the pages"),
    )


_MODE_SELECT_6 = cdb(
    0x15, "MODE SELECT(6)", "SPC-4, MODE SELECT (6) command", _mode_select_flags(), reserved(2), parameters(1)
)
_MODE_SELECT_10 = cdb(
    0x55, "MODE SELECT(10)", "SPC-4, MODE SELECT (10) command", _mode_select_flags(), reserved(5), parameters(2)
)


def _mode_list(name: str, header: tuple[Construct, ...]) -> Layout:
    pages = field("Mode pages", mode.PAGE_CHAIN, "the pages to change, one after the other")
    return Layout(f"{name} parameter list", f"SPC-4, {name} command", *header, pages)


MODE_LIST_6 = _mode_list("MODE SELECT(6)", mode.HEADER_6)
MODE_LIST_10 = _mode_list("MODE SELECT(10)", mode.HEADER_10)

# -- LOG SELECT, LOG SENSE -----------------------------------------------------------------------------------------

LOG_PAGES = {
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
        part("PAGE CODE", 6, "which page", meaning=LOG_PAGES),
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
    name = LOG_PAGES.get(code, "")
    return Layout(
        f"{name or 'Log'} log page".replace("Pages log page", "Pages page"), "SPC-4, log page format",
        bits(1, part("DS", 1, "1 where the page is not saved"), part("SPF", 1, "1 where this is a subpage"),
             part("PAGE CODE", 6, "which page", meaning=LOG_PAGES, default=code)),
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
    bits(1, spare(2), part("PAGE CODE", 6, "supported page", meaning=LOG_PAGES)),
)  # fmt: skip
_LISTED_SUBPAGE = Layout(
    "supported page and subpage", "SPC-4, Supported Log Pages and Subpages",
    bits(1, spare(2), part("PAGE CODE", 6, "supported page", meaning=LOG_PAGES)),
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


# -- reservations --------------------------------------------------------------------------------------------------

RESERVATION_TYPES = {
    1: "Write Exclusive",
    3: "Exclusive Access",
    5: "Write Exclusive - Registrants Only",
    6: "Exclusive Access - Registrants Only",
    7: "Write Exclusive - All Registrants",
    8: "Exclusive Access - All Registrants",
}
"""TYPE of a persistent reservation (SPC-4, persistent reservation type codes)."""

RESERVE_IN = {0: "READ KEYS", 1: "READ RESERVATION", 2: "REPORT CAPABILITIES", 3: "READ FULL STATUS"}
"""Service actions of PERSISTENT RESERVE IN."""

RESERVE_OUT = {
    0: "REGISTER",
    1: "RESERVE",
    2: "RELEASE",
    3: "CLEAR",
    4: "PREEMPT",
    5: "PREEMPT AND ABORT",
    6: "REGISTER AND IGNORE EXISTING KEY",
    7: "REGISTER AND MOVE",
}
"""Service actions of PERSISTENT RESERVE OUT."""


def _scope_type() -> Bits:
    return bits(
        1,
        part("SCOPE", 4, "what is reserved", meaning={0: "logical unit"}),
        part("TYPE", 4, "who may do what", meaning=RESERVATION_TYPES),
    )


def _service(names: Mapping[int, str]) -> Bits:
    return bits(1, spare(3), part("SERVICE ACTION", 5, "what is wanted", meaning=names))


_PERSISTENT_RESERVE_IN = cdb(
    0x5E, "PERSISTENT RESERVE IN", "SPC-4, PERSISTENT RESERVE IN command",
    _service(RESERVE_IN), reserved(5), allocation(2),
)  # fmt: skip
_PERSISTENT_RESERVE_OUT = cdb(
    0x5F, "PERSISTENT RESERVE OUT", "SPC-4, PERSISTENT RESERVE OUT command",
    _service(RESERVE_OUT), _scope_type(), reserved(2), parameters(4),
)  # fmt: skip


def _reservation_data(name: str, item: Construct, text: str) -> Layout:
    return Layout(
        f"{name} parameter data", f"SPC-4, {name} service action",
        number("PRGENERATION", 4, "counts changes of registration"),
        number("ADDITIONAL LENGTH", 4, "bytes that follow this field"),
        field(text, Bounded(lambda c: c["ADDITIONAL LENGTH"], Series(item)), "in the order of the device"),
    )  # fmt: skip


READ_KEYS = _reservation_data("READ KEYS", Int64ub, "reservation keys")
READ_RESERVATION = _reservation_data(
    "READ RESERVATION",
    Layout(
        "reservation", "SPC-4, READ RESERVATION service action",
        number("RESERVATION KEY", 8, "key of the holder"),
        field("SCOPE-SPECIFIC ADDRESS", Bytes(4), "obsolete"),
        reserved(1),
        _scope_type(),
        reserved(2),
    ),
    "reservation",
)  # fmt: skip
REPORT_CAPABILITIES = Layout(
    "REPORT CAPABILITIES parameter data", "SPC-4, REPORT CAPABILITIES service action",
    number("LENGTH", 2, "bytes of the whole answer"),
    flags(
        (4, "CRH", "RESERVE and RELEASE are handled compatibly"), (3, "SIP_C", "initiator ports can be given"),
        (2, "ATP_C", "all target ports can be meant"), (0, "PTPL_C", "reservations can outlive power loss"),
    ),
    bits(1, part("TMV", 1, "the type mask is valid"), part("ALLOW COMMANDS", 3, "which commands are let through"),
         spare(3), part("PTPL_A", 1, "reservations outlive power loss now")),
    flags(
        (7, "WR_EX_AR", "type 7 supported"), (6, "EX_AC_RO", "type 6 supported"), (5, "WR_EX_RO", "type 5 supported"),
        (3, "EX_AC", "type 3 supported"), (1, "WR_EX", "type 1 supported"),
    ),
    flags((0, "EX_AC_AR", "type 8 supported")),
    reserved(2),
)  # fmt: skip
READ_FULL_STATUS = _reservation_data(
    "READ FULL STATUS",
    Layout(
        "full status descriptor", "SPC-4, READ FULL STATUS service action",
        number("RESERVATION KEY", 8, "key of this registration"),
        reserved(4),
        flags((1, "ALL_TG_PT", "counts for all target ports"), (0, "R_HOLDER", "holds the reservation")),
        _scope_type(),
        reserved(4),
        number("RELATIVE TARGET PORT IDENTIFIER", 2, "target port"),
        number("ADDITIONAL DESCRIPTOR LENGTH", 4, "bytes of the TransportID"),
        field("TRANSPORTID", Bounded(lambda c: c["ADDITIONAL DESCRIPTOR LENGTH"], GreedyBytes), "initiator port"),
    ),
    "full status descriptors",
)  # fmt: skip
_RESERVE_IN_DATA = {0: READ_KEYS, 1: READ_RESERVATION, 2: REPORT_CAPABILITIES, 3: READ_FULL_STATUS}


def _reserve_in_data(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    return _RESERVE_IN_DATA.get(values.get("SERVICE ACTION", -1))


RESERVE_OUT_PARAMETERS = Layout(
    "PERSISTENT RESERVE OUT parameter list", "SPC-4, basic PERSISTENT RESERVE OUT parameter list",
    number("RESERVATION KEY", 8, "key that the host has registered"),
    number("SERVICE ACTION RESERVATION KEY", 8, "new key, or the key to act upon"),
    field("SCOPE-SPECIFIC ADDRESS", Bytes(4), "obsolete"),
    flags(
        (3, "SPEC_I_PT", "initiator ports are listed"), (2, "ALL_TG_PT", "for all target ports"),
        (0, "APTPL", "outlive power loss"),
    ),
    reserved(3),
    field("ADDITIONAL PARAMETER DATA", GreedyBytes, "TransportIDs, where SPEC_I_PT is 1"),
)  # fmt: skip


def _reserve_out_data(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    # REGISTER AND MOVE (07h) has a parameter list of its own form.
    return None if values.get("SERVICE ACTION") == 7 else RESERVE_OUT_PARAMETERS


def _old_reserve(opcode: int, name: str) -> Command:
    layout = cdb(
        opcode, name, f"SPC-2, {name.replace('(', ' (')} command",
        bits(1, spare(3), part("3RDPTY", 1, "for a third device"), part("THIRD-PARTY DEVICE ID", 3, "which one"),
             part("EXTENT", 1, "obsolete: only some blocks")),
        number("RESERVATION IDENTIFICATION", 1, "obsolete"),
        number("EXTENT LIST LENGTH", 2, "obsolete"),
    )  # fmt: skip
    return Command(opcode, name, layout, layout.clause)


# -- security, diagnostics, buffers --------------------------------------------------------------------------------

SECURITY_PROTOCOLS = {
    0x00: "security protocol information",
    **dict.fromkeys(range(0x01, 0x07), "Trusted Computing Group"),
    0x20: "tape data encryption",
    0x41: "IKEv2-SCSI",
    0xEE: "IEEE 1667",
    0xEF: "ATA device server password",
}
"""SECURITY PROTOCOL values (SPC-4, SECURITY PROTOCOL field)."""


def _security(opcode: int, name: str, length: str) -> Layout:
    return cdb(
        opcode, name, f"SPC-4, {name} command",
        number("SECURITY PROTOCOL", 1, "which protocol", meaning=SECURITY_PROTOCOLS),
        number("SECURITY PROTOCOL SPECIFIC", 2, "set by the protocol"),
        flags((7, "INC_512", "the length counts 512-byte units")),
        reserved(1),
        number(length, 4, "bytes, or 512-byte units"),
        reserved(1),
    )  # fmt: skip


_SECURITY_IN = _security(0xA2, "SECURITY PROTOCOL IN", ALLOCATION)
_SECURITY_OUT = _security(0xB5, "SECURITY PROTOCOL OUT", "TRANSFER LENGTH")

SECURITY_LIST = Layout(
    "supported security protocols list", "SPC-4, security protocol information",
    reserved(6),
    number("SUPPORTED SECURITY PROTOCOL LIST LENGTH", 2, "bytes of the list"),
    field(
        "protocols",
        Bounded(
            lambda c: c["SUPPORTED SECURITY PROTOCOL LIST LENGTH"],
            Series(Layout("protocol", "SPC-4, security protocol information",
                          number("SECURITY PROTOCOL", 1, "supported protocol", meaning=SECURITY_PROTOCOLS))),
        ),
        "in ascending order",
    ),
)  # fmt: skip


def _security_data(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    asked = values.get("SECURITY PROTOCOL"), values.get("SECURITY PROTOCOL SPECIFIC")
    return SECURITY_LIST if asked == (0, 0) else None


_SELF_TESTS = {
    0: "none of these",
    1: "background short",
    2: "background extended",
    4: "stop the background test",
    5: "foreground short",
    6: "foreground extended",
}

_SEND_DIAGNOSTIC = cdb(
    0x1D, "SEND DIAGNOSTIC", "SPC-4, SEND DIAGNOSTIC command",
    bits(
        1, part("SELF-TEST CODE", 3, "which test", meaning=_SELF_TESTS), part("PF", 1, "a page as the standard has it"),
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

DIAGNOSTIC_PAGE = Layout(
    "diagnostic page", "SPC-4, diagnostic page format",
    number("PAGE CODE", 1, "which page", meaning={0: "supported diagnostic pages"}),
    number("PAGE CODE SPECIFIC", 1, "set by the page"),
    number("PAGE LENGTH", 2, "bytes that follow this field"),
    field("DIAGNOSTIC PARAMETERS", Bounded(lambda c: c["PAGE LENGTH"], GreedyBytes), "set by the page"),
)  # fmt: skip

READ_BUFFER_MODES = {
    0x00: "combined header and data (obsolete)",
    0x01: "vendor specific",
    0x02: "data",
    0x03: "descriptor",
    0x0A: "read data from echo buffer",
    0x0B: "echo buffer descriptor",
    0x1C: "error history",
}
"""MODE of READ BUFFER (SPC-4, READ BUFFER command)."""

WRITE_BUFFER_MODES = {
    0x00: "combined header and data (obsolete)",
    0x01: "vendor specific",
    0x02: "data",
    0x04: "download microcode and activate",
    0x05: "download microcode, save, and activate",
    0x06: "download microcode with offsets and activate",
    0x07: "download microcode with offsets, save, and activate",
    0x0A: "write data to echo buffer",
    0x0D: "download microcode with offsets, select activation, save, and defer activate",
    0x0E: "download microcode with offsets, save, and defer activate",
    0x0F: "activate deferred microcode",
    0x1C: "download application client error history",
}
"""MODE of WRITE BUFFER (SPC-4, WRITE BUFFER command)."""


def _buffer(opcode: int, name: str, modes: Mapping[int, str], length: Construct) -> Layout:
    return cdb(
        opcode, name, f"SPC-4, {name} command",
        bits(1, part("MODE SPECIFIC", 3, "set by the mode"), part("MODE", 5, "what is moved", meaning=modes)),
        number("BUFFER ID", 1, "which buffer"),
        number("BUFFER OFFSET", 3, "first byte"),
        length,
    )  # fmt: skip


_READ_BUFFER = _buffer(0x3C, "READ BUFFER", READ_BUFFER_MODES, allocation(3))
_WRITE_BUFFER = _buffer(0x3B, "WRITE BUFFER", WRITE_BUFFER_MODES, parameters(3))

BUFFER_DESCRIPTOR = Layout(
    "READ BUFFER descriptor", "SPC-4, READ BUFFER command, descriptor mode",
    number("OFFSET BOUNDARY", 1, "offsets are multiples of 2^n", meaning={0xFF: "0 is the only offset"}),
    number("BUFFER CAPACITY", 3, "bytes"),
)  # fmt: skip
ECHO_DESCRIPTOR = Layout(
    "echo buffer descriptor", "SPC-4, READ BUFFER command, echo buffer descriptor mode",
    flags((0, "EBOS", "others may overwrite the echo buffer")),
    reserved(1),
    bits(2, spare(3), part("BUFFER CAPACITY", 13, "bytes")),
)  # fmt: skip


def _buffer_data(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    return {0x03: BUFFER_DESCRIPTOR, 0x0B: ECHO_DESCRIPTOR}.get(values.get("MODE", -1))


# -- reports of what is supported ----------------------------------------------------------------------------------

_OPTIONS = {
    0: "all commands",
    1: "one operation code",
    2: "one operation code with service action",
    3: "one operation code, service action where there is one",
}
_SUPPORT = {
    0: "not known at the moment",
    1: "not supported",
    3: "supported as in the standard",
    5: "supported in a vendor specific way",
}

_OPERATION_CODES = cdb(
    0xA3, "REPORT SUPPORTED OPERATION CODES", "SPC-4, REPORT SUPPORTED OPERATION CODES command",
    action(0x0C, "REPORT SUPPORTED OPERATION CODES"),
    bits(1, part("RCTD", 1, "timeouts wanted too"), spare(4),
         part("REPORTING OPTIONS", 3, "what is asked", meaning=_OPTIONS)),
    number("REQUESTED OPERATION CODE", 1, "which command"),
    number("REQUESTED SERVICE ACTION", 2, "which service action"),
    allocation(4),
    reserved(1),
)  # fmt: skip

TIMEOUTS = Layout(
    "command timeouts descriptor", "SPC-4, command timeouts descriptor",
    number("DESCRIPTOR LENGTH", 2, "bytes that follow this field"),
    reserved(1),
    number("COMMAND SPECIFIC", 1, "set by the command"),
    number("NOMINAL COMMAND PROCESSING TIMEOUT", 4, "seconds"),
    number("RECOMMENDED COMMAND TIMEOUT", 4, "seconds"),
)  # fmt: skip


def _timeouts(flag: str) -> Construct:
    return field("timeouts", Bounded(lambda c: 12 if c[flag] else 0, Series(TIMEOUTS)), f"present where {flag} is 1")


_COMMAND_DESCRIPTOR = Layout(
    "command descriptor", "SPC-4, REPORT SUPPORTED OPERATION CODES, all commands",
    number("OPERATION CODE", 1, "supported command"),
    reserved(1),
    number("SERVICE ACTION", 2, "valid where SERVACTV is 1"),
    reserved(1),
    flags((1, "CTDP", "timeouts follow"), (0, "SERVACTV", "the service action is valid")),
    number("CDB LENGTH", 2, "bytes"),
    _timeouts("CTDP"),
)  # fmt: skip
ALL_COMMANDS = Layout(
    "supported operation codes, all commands", "SPC-4, REPORT SUPPORTED OPERATION CODES, all commands",
    number("COMMAND DATA LENGTH", 4, "bytes that follow this field"),
    field("commands", Bounded(lambda c: c["COMMAND DATA LENGTH"], Series(_COMMAND_DESCRIPTOR)), "one per command"),
)  # fmt: skip
ONE_COMMAND = Layout(
    "supported operation codes, one command", "SPC-4, REPORT SUPPORTED OPERATION CODES, one command",
    reserved(1),
    bits(1, part("CTDP", 1, "timeouts follow"), spare(4), part("SUPPORT", 3, "is it supported", meaning=_SUPPORT)),
    number("CDB SIZE", 2, "bytes"),
    field("CDB USAGE DATA", Bounded(lambda c: c["CDB SIZE"], GreedyBytes), "1 in every CDB bit that is looked at"),
    _timeouts("CTDP"),
)  # fmt: skip


def _operation_codes(values: Mapping[str, Any], _data: bytes) -> Layout:
    return ONE_COMMAND if values.get("REPORTING OPTIONS") else ALL_COMMANDS


_TASK_FUNCTIONS = cdb(
    0xA3, "REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS", "SPC-4, REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS command",
    action(0x0D, "REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS"),
    flags((7, "REPD", "the longer answer is wanted")),
    reserved(3),
    allocation(4),
    reserved(1),
)  # fmt: skip
TASK_FUNCTIONS = Layout(
    "supported task management functions", "SPC-4, REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS command",
    flags(
        (7, "ATS", "ABORT TASK"), (6, "ATSS", "ABORT TASK SET"), (5, "CACAS", "CLEAR ACA"),
        (4, "CTSS", "CLEAR TASK SET"), (3, "LURS", "LOGICAL UNIT RESET"), (2, "QTS", "QUERY TASK"),
        (1, "TRS", "TARGET RESET, obsolete"),
        (0, "WAKES", "WAKEUP, obsolete"),
    ),
    flags(
        (2, "QAES", "QUERY ASYNCHRONOUS EVENT"), (1, "QTSS", "QUERY TASK SET"), (0, "ITNRS", "I_T NEXUS RESET")
    ),
    reserved(2),
)  # fmt: skip

COMMANDS: tuple[Command, ...] = (
    Command(0x15, "MODE SELECT(6)", _MODE_SELECT_6, _MODE_SELECT_6.clause, data_out=MODE_LIST_6, length=LIST),
    Command(0x55, "MODE SELECT(10)", _MODE_SELECT_10, _MODE_SELECT_10.clause, data_out=MODE_LIST_10, length=LIST),
    Command(0x4C, "LOG SELECT", _LOG_SELECT, _LOG_SELECT.clause, data_out=log_page, length=LIST),
    Command(0x4D, "LOG SENSE", _LOG_SENSE, _LOG_SENSE.clause, data_in=log_page, length=ALLOCATION),
    _old_reserve(0x16, "RESERVE(6)"),
    _old_reserve(0x17, "RELEASE(6)"),
    Command(
        0x5E, "PERSISTENT RESERVE IN", _PERSISTENT_RESERVE_IN, _PERSISTENT_RESERVE_IN.clause,
        data_in=_reserve_in_data, length=ALLOCATION,
    ),
    Command(
        0x5F, "PERSISTENT RESERVE OUT", _PERSISTENT_RESERVE_OUT, _PERSISTENT_RESERVE_OUT.clause,
        data_out=_reserve_out_data, length=LIST,
    ),
    Command(
        0xA2, "SECURITY PROTOCOL IN", _SECURITY_IN, _SECURITY_IN.clause, data_in=_security_data, length=ALLOCATION
    ),
    Command(0xB5, "SECURITY PROTOCOL OUT", _SECURITY_OUT, _SECURITY_OUT.clause, length="TRANSFER LENGTH"),
    Command(0x1D, "SEND DIAGNOSTIC", _SEND_DIAGNOSTIC, _SEND_DIAGNOSTIC.clause, data_out=DIAGNOSTIC_PAGE, length=LIST),
    Command(
        0x1C, "RECEIVE DIAGNOSTIC RESULTS", _RECEIVE_DIAGNOSTIC, _RECEIVE_DIAGNOSTIC.clause,
        data_in=DIAGNOSTIC_PAGE, length=ALLOCATION,
    ),
    Command(0x3B, "WRITE BUFFER", _WRITE_BUFFER, _WRITE_BUFFER.clause, length=LIST),
    Command(0x3C, "READ BUFFER", _READ_BUFFER, _READ_BUFFER.clause, data_in=_buffer_data, length=ALLOCATION),
    Command(
        0xA3, "REPORT SUPPORTED OPERATION CODES", _OPERATION_CODES, _OPERATION_CODES.clause, service_action=0x0C,
        data_in=_operation_codes, length=ALLOCATION,
    ),
    Command(
        0xA3, "REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS", _TASK_FUNCTIONS, _TASK_FUNCTIONS.clause,
        service_action=0x0D, data_in=TASK_FUNCTIONS, length=ALLOCATION,
    ),
)  # fmt: skip
"""The commands of this module."""
