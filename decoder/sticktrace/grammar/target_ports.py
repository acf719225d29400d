"""Asymmetric access: REPORT TARGET PORT GROUPS and SET TARGET PORT GROUPS (SPC-4; positions from memory).

A device with several ports tells here how well each leads to the logical unit; one with a single port may answer too.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sticktrace.grammar.cdb import action, allocation, cdb, number, parameters
from sticktrace.grammar.command import IN, OUT, Command
from sticktrace.grammar.layout import Bits, Bounded, Layout, Part, Series, bits, field, part, reserved, spare

_REPORT = "SPC-4, REPORT TARGET PORT GROUPS command"
_SET = "SPC-4, SET TARGET PORT GROUPS command"

ACCESS_STATES: dict[int, str] = {
    0x0: "active, optimized",
    0x1: "active, not optimized",
    0x2: "standby",
    0x3: "unavailable",
    0x4: "depends on the logical block",
    0xE: "offline",
    0xF: "between two states",
}
"""ASYMMETRIC ACCESS STATE values."""

_STATUS_CODES = {0: "not told", 1: "set by SET TARGET PORT GROUPS", 2: "set by the device itself"}
_FORMATS = {0: "header of the length alone", 1: "extended header"}


def _state(first: Part) -> Bits:
    return bits(1, first, spare(3), part("ASYMMETRIC ACCESS STATE", 4, "how well the group leads to the logical unit",
                                         meaning=ACCESS_STATES))  # fmt: skip


_PORT = Layout(
    "target port descriptor", _REPORT,
    reserved(2), number("RELATIVE TARGET PORT IDENTIFIER", 2, "number of the port"),
)  # fmt: skip

_SUPPORTED = (
    ("T_SUP", "transitions are reported"), ("O_SUP", "can be offline"), None, ("LBD_SUP", "can depend on the block"),
    ("U_SUP", "can be unavailable"), ("S_SUP", "can be standby"), ("AN_SUP", "can be active, not optimized"),
    ("AO_SUP", "can be active, optimized"),
)  # fmt: skip

GROUP = Layout(
    "target port group descriptor", _REPORT,
    _state(part("PREF", 1, "the preferred group")),
    bits(1, *(part(named[0], 1, named[1]) if named else spare(1) for named in _SUPPORTED)),
    number("TARGET PORT GROUP", 2, "number of the group"),
    reserved(1),
    number("STATUS CODE", 1, "why the state is what it is", meaning=_STATUS_CODES),
    number("VENDOR SPECIFIC", 1, "vendor specific"),
    number("TARGET PORT COUNT", 1, "ports in the group"),
    field("target ports", Bounded(lambda c: 4 * c["TARGET PORT COUNT"], Series(_PORT)), "one after the other"),
)  # fmt: skip

_LENGTH = number("RETURN DATA LENGTH", 4, "bytes that follow this field")

GROUPS = Layout(
    "REPORT TARGET PORT GROUPS data", _REPORT, _LENGTH,
    field("groups", Bounded(lambda c: c["RETURN DATA LENGTH"], Series(GROUP)), "one after the other"),
)  # fmt: skip

GROUPS_EXTENDED = Layout(
    "REPORT TARGET PORT GROUPS data, extended header", _REPORT, _LENGTH,
    bits(1, spare(1), part("FORMAT TYPE", 3, "form of this header", meaning=_FORMATS, default=1), spare(4)),
    number("IMPLICIT TRANSITION TIME", 1, "seconds that a transition may take; 0 for not told"),
    reserved(2),
    field("groups", Bounded(lambda c: c["RETURN DATA LENGTH"] - 4, Series(GROUP)), "one after the other"),
)  # fmt: skip

SET_DESCRIPTOR = Layout(
    "set target port group descriptor", _SET,
    _state(spare(1)), reserved(1), number("TARGET PORT GROUP OR TARGET PORT", 2, "what is set"),
)  # fmt: skip

SET_PARAMETERS = Layout(
    "SET TARGET PORT GROUPS parameter list", _SET,
    reserved(4), field("descriptors", Series(SET_DESCRIPTOR), "one for each group"),
)  # fmt: skip

_REPORT_GROUPS = cdb(
    0xA3, "REPORT TARGET PORT GROUPS", _REPORT,
    action(0x0A, "REPORT TARGET PORT GROUPS",
           before=part("PARAMETER DATA FORMAT", 3, "which header is wanted", meaning=_FORMATS)),
    reserved(4), allocation(4), reserved(1),
)  # fmt: skip
_SET_GROUPS = cdb(
    0xA4, "SET TARGET PORT GROUPS", _SET, action(0x0A, "SET TARGET PORT GROUPS"), reserved(4), parameters(4),
    reserved(1),
)  # fmt: skip


def _groups(values: Mapping[str, Any], data: bytes) -> Layout:
    # A device that knows the older form alone answers with it whatever was asked: its fifth byte is a state.
    extended = values.get("PARAMETER DATA FORMAT") == 1 and data[4:5] in (b"", b"\x10")
    return GROUPS_EXTENDED if extended else GROUPS


COMMANDS: tuple[Command, ...] = (
    Command(
        0xA3, "REPORT TARGET PORT GROUPS", _REPORT_GROUPS, _REPORT, service_action=0x0A, direction=IN, data_in=_groups,
        length="ALLOCATION LENGTH",
    ),
    Command(
        0xA4, "SET TARGET PORT GROUPS", _SET_GROUPS, _SET, service_action=0x0A, direction=OUT, data_out=SET_PARAMETERS,
        length="PARAMETER LIST LENGTH",
    ),
)  # fmt: skip
"""The commands of this module."""
