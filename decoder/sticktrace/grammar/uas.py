"""USB Attached SCSI information units: what the command and status pipes carry (INCITS 471, T10 2095-D r04).

`IU_LAYOUTS` finds the layout by the first byte of the unit. All numbers are big-endian. Without streams (high speed)
the status pipe also carries READ READY and WRITE READY, which tell the host to start the data pipe.
"""

from __future__ import annotations

from typing import Any

from construct import Bytes, GreedyBytes, Int8ub

from sticktrace.grammar.cdb import number
from sticktrace.grammar.layout import Bounded, Field, Layout, bits, field, part, reserved, spare

UAS = "UAS"

IU_NAMES = {
    0x01: "COMMAND",
    0x03: "SENSE",
    0x04: "RESPONSE",
    0x05: "TASK MANAGEMENT",
    0x06: "READ READY",
    0x07: "WRITE READY",
}
"""IU ID values (INCITS 471, information units)."""

TASK_ATTRIBUTES = {0: "SIMPLE", 1: "HEAD OF QUEUE", 2: "ORDERED", 4: "ACA"}
"""TASK ATTRIBUTE values of the COMMAND IU."""

TASK_MANAGEMENT_FUNCTIONS = {
    0x01: "ABORT TASK",
    0x02: "ABORT TASK SET",
    0x04: "CLEAR TASK SET",
    0x08: "LOGICAL UNIT RESET",
    0x10: "I_T NEXUS RESET",
    0x40: "CLEAR ACA",
    0x80: "QUERY TASK",
    0x81: "QUERY TASK SET",
    0x82: "QUERY ASYNCHRONOUS EVENT",
}
"""TASK MANAGEMENT FUNCTION values."""

RESPONSE_CODES = {
    0x00: "TASK MANAGEMENT FUNCTION COMPLETE",
    0x02: "INVALID INFORMATION UNIT",
    0x04: "TASK MANAGEMENT FUNCTION NOT SUPPORTED",
    0x05: "TASK MANAGEMENT FUNCTION FAILED",
    0x08: "TASK MANAGEMENT FUNCTION SUCCEEDED",
    0x09: "INCORRECT LOGICAL UNIT NUMBER",
    0x0A: "OVERLAPPED TAG ATTEMPTED",
}
"""RESPONSE CODE values of the RESPONSE IU."""

STATUS = {
    0x00: "GOOD",
    0x02: "CHECK CONDITION",
    0x04: "CONDITION MET",
    0x08: "BUSY",
    0x18: "RESERVATION CONFLICT",
    0x28: "TASK SET FULL",
    0x30: "ACA ACTIVE",
    0x40: "TASK ABORTED",
}
"""SCSI status codes (SAM-5, status codes), which UAS carries in full where BOT has only passed and failed."""


def single_level_lun(raw: bytes) -> int | None:
    """The logical unit number of an 8-byte LUN field in peripheral or flat addressing, None for other methods
    (SAM-5, LUN structures)."""
    if len(raw) != 8 or any(raw[2:]):
        return None
    if raw[0] == 0:
        return raw[1]
    return (raw[0] & 0x3F) << 8 | raw[1] if raw[0] >> 6 == 1 else None


def _lun_in_words(value: Any, _seen: Any) -> str:
    lun = single_level_lun(value)
    return "" if lun is None else f"LUN {lun}"


def _head(iu: int) -> tuple[Field, ...]:
    return (
        field("IU ID", Int8ub, "which information unit this is", UAS, meaning=IU_NAMES, default=iu),
        reserved(1, UAS),
        number("TAG", 2, "ties the unit to its command", UAS),
    )


def _lun() -> Field:
    return field("LOGICAL UNIT NUMBER", Bytes(8), "which logical unit", "SAM-5, LUN", meaning=_lun_in_words)


COMMAND_IU = Layout(
    "COMMAND IU",
    UAS,
    *_head(0x01),
    bits(
        1,
        spare(1),
        part("COMMAND PRIORITY", 4, "0 for none given", UAS),
        part("TASK ATTRIBUTE", 3, "place in the queue", UAS, meaning=TASK_ATTRIBUTES),
    ),
    reserved(1, UAS),
    bits(1, part("ADDITIONAL CDB LENGTH", 6, "CDB beyond 16 bytes, in 4-byte units", UAS), spare(2)),
    reserved(1, UAS),
    _lun(),
    field("CDB", Bytes(16), "the command descriptor block", UAS),
    field(
        "ADDITIONAL CDB BYTES",
        Bounded(lambda c: 4 * c["ADDITIONAL CDB LENGTH"], GreedyBytes),
        "the rest of a CDB longer than 16 bytes",
        UAS,
    ),
)

SENSE_IU = Layout(
    "SENSE IU",
    UAS,
    *_head(0x03),
    number("STATUS QUALIFIER", 2, "more about the status", UAS),
    number("STATUS", 1, "SCSI status of the command", UAS, meaning=STATUS),
    reserved(7, UAS),
    number("SENSE DATA LENGTH", 2, "bytes of sense data that follow", UAS),
    field("SENSE DATA", Bounded(lambda c: c["SENSE DATA LENGTH"], GreedyBytes), "sense data of this command", UAS),
)

RESPONSE_IU = Layout(
    "RESPONSE IU",
    UAS,
    *_head(0x04),
    field("ADDITIONAL RESPONSE INFORMATION", Bytes(3), "only for some functions", UAS),
    number("RESPONSE CODE", 1, "what became of the unit that is answered", UAS, meaning=RESPONSE_CODES),
)

TASK_MANAGEMENT_IU = Layout(
    "TASK MANAGEMENT IU",
    UAS,
    *_head(0x05),
    number("TASK MANAGEMENT FUNCTION", 1, "what is asked", UAS, meaning=TASK_MANAGEMENT_FUNCTIONS),
    reserved(1, UAS),
    number("TAG OF TASK TO BE MANAGED", 2, "for ABORT TASK and QUERY TASK", UAS),
    _lun(),
)

READ_READY_IU = Layout("READ READY IU", UAS, *_head(0x06))
WRITE_READY_IU = Layout("WRITE READY IU", UAS, *_head(0x07))

IU_LAYOUTS: dict[int, Layout] = {
    0x01: COMMAND_IU,
    0x03: SENSE_IU,
    0x04: RESPONSE_IU,
    0x05: TASK_MANAGEMENT_IU,
    0x06: READ_READY_IU,
    0x07: WRITE_READY_IU,
}
"""Layout of an information unit by its IU ID."""
