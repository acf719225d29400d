"""RESERVE and RELEASE (SPC-2), PERSISTENT RESERVE IN and OUT with their parameter data (SPC-4)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, GreedyBytes, Int64ub

from sticktrace.grammar.cdb import allocation, cdb, flags, number, parameters
from sticktrace.grammar.command import IN, NONE, OUT, Command
from sticktrace.grammar.layout import Bits, Bounded, Layout, Series, bits, field, part, reserved, spare

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


def _old_reserve(opcode: int, name: str, last: Construct) -> Command:
    layout = cdb(
        opcode, name, f"SPC-2, {name.replace('(', ' (')} command",
        bits(1, spare(3), part("3RDPTY", 1, "for a third device"), part("THIRD-PARTY DEVICE ID", 3, "which one"),
             part("EXTENT", 1, "obsolete: only some blocks")),
        number("RESERVATION IDENTIFICATION", 1, "obsolete"),
        last,
    )  # fmt: skip
    return Command(opcode, name, layout, layout.clause, direction=NONE)


THIRD_PARTY = Layout(
    "third party device id", "SPC-2, RESERVE (10) command",
    number("THIRD-PARTY DEVICE ID", 8, "for which device, where LONGID is 1"),
)  # fmt: skip


def _long_reserve(opcode: int, name: str) -> Command:
    layout = cdb(
        opcode, name, f"SPC-2, {name.replace('(', ' (')} command",
        flags((4, "3RDPTY", "for a third device"), (1, "LONGID", "its number is sent as data"),
              (0, "EXTENT", "obsolete: only some blocks")),
        number("RESERVATION IDENTIFICATION", 1, "obsolete"),
        number("THIRD-PARTY DEVICE ID", 1, "which device, where LONGID is 0"),
        reserved(3),
        parameters(2),
    )  # fmt: skip
    return Command(
        opcode, name, layout, layout.clause, direction=OUT, data_out=THIRD_PARTY, length="PARAMETER LIST LENGTH"
    )


COMMANDS: tuple[Command, ...] = (
    _old_reserve(0x16, "RESERVE(6)", number("EXTENT LIST LENGTH", 2, "obsolete")),
    _old_reserve(0x17, "RELEASE(6)", reserved(2)),
    _long_reserve(0x56, "RESERVE(10)"),
    _long_reserve(0x57, "RELEASE(10)"),
    Command(
        0x5E, "PERSISTENT RESERVE IN", _PERSISTENT_RESERVE_IN, _PERSISTENT_RESERVE_IN.clause,
        direction=IN, data_in=_reserve_in_data, length="ALLOCATION LENGTH",
    ),
    Command(
        0x5F, "PERSISTENT RESERVE OUT", _PERSISTENT_RESERVE_OUT, _PERSISTENT_RESERVE_OUT.clause,
        direction=OUT, data_out=_reserve_out_data, length="PARAMETER LIST LENGTH",
    ),
)  # fmt: skip
"""The commands of this module."""
