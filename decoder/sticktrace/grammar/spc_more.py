"""Further primary commands and their parameter data (SPC-4).

MODE SELECT, SECURITY PROTOCOL IN and OUT, READ and WRITE BUFFER, and the reports of supported operation codes and task
management functions. LOG SELECT and LOG SENSE are in `log_pages`, reservations in `reservations`, diagnostics in
`diagnostics`. Clauses without a number name the command or page in that document.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from construct import Construct, GreedyBytes

from sticktrace.grammar import diagnostics, log_pages, mode, reservations
from sticktrace.grammar.cdb import action, allocation, cdb, flags, number, parameters
from sticktrace.grammar.command import IN, NO_DATA, OUT, Command, DataPhase, Direction, Values
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

# -- security, buffers --------------------------------------------------------------------------------

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


def _units(direction: Direction, length: str) -> Callable[[Values], DataPhase]:
    """The length counts 512-byte units where INC_512 is 1 (SPC-4, SECURITY PROTOCOL IN and OUT)."""

    def rule(values: Values) -> DataPhase:
        size = values[length] * (512 if values["INC_512"] else 1)
        return DataPhase(direction, bytes=size) if size else NO_DATA

    return rule


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
    Command(
        0x15, "MODE SELECT(6)", _MODE_SELECT_6, _MODE_SELECT_6.clause, direction=OUT, data_out=MODE_LIST_6, length=LIST
    ),
    Command(
        0x55, "MODE SELECT(10)", _MODE_SELECT_10, _MODE_SELECT_10.clause, direction=OUT, data_out=MODE_LIST_10,
        length=LIST,
    ),
    Command(
        0xA2, "SECURITY PROTOCOL IN", _SECURITY_IN, _SECURITY_IN.clause, direction=_units(IN, ALLOCATION),
        data_in=_security_data, length=ALLOCATION,
    ),
    Command(
        0xB5, "SECURITY PROTOCOL OUT", _SECURITY_OUT, _SECURITY_OUT.clause, direction=_units(OUT, "TRANSFER LENGTH"),
        length="TRANSFER LENGTH",
    ),
    Command(0x3B, "WRITE BUFFER", _WRITE_BUFFER, _WRITE_BUFFER.clause, direction=OUT, length=LIST),
    Command(
        0x3C, "READ BUFFER", _READ_BUFFER, _READ_BUFFER.clause, direction=IN, data_in=_buffer_data, length=ALLOCATION
    ),
    Command(
        0xA3, "REPORT SUPPORTED OPERATION CODES", _OPERATION_CODES, _OPERATION_CODES.clause, service_action=0x0C,
        direction=IN, data_in=_operation_codes, length=ALLOCATION,
    ),
    Command(
        0xA3, "REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS", _TASK_FUNCTIONS, _TASK_FUNCTIONS.clause,
        service_action=0x0D, direction=IN, data_in=TASK_FUNCTIONS, length=ALLOCATION,
    ),
    *diagnostics.COMMANDS,
    *log_pages.COMMANDS,
    *reservations.COMMANDS,
)  # fmt: skip
"""The commands of this module, with those of `diagnostics`, `log_pages` and `reservations`."""
