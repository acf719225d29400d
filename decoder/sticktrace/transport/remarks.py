"""Remarks on what transport saw: a kind and numbers. Words are made here, last, and are never read back.

The one table `_ROWS` gives for each kind the names of its numbers, its words and the clause that it rests on. The name
of a number decides how it is written: a ``status`` as an errno, a ``tag`` in hex, ``bytes`` with their unit, ``why`` as
a reason.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum, StrEnum
from functools import lru_cache
from typing import Any, NamedTuple

from sticktrace.codes import host_status
from sticktrace.codes.scsi import STATUS as SCSI_STATUS
from sticktrace.codes.status import in_words
from sticktrace.grammar.uas import RESPONSE_CODES, TASK_MANAGEMENT_FUNCTIONS
from sticktrace.text import count_of, time_in_words


class Why(IntEnum):
    """Why an exchange has no status, or no valid one."""

    RESET = 0
    CLASS_RESET = 1
    GONE = 2
    CONFIGURED = 3
    INTERFACE = 4
    ADDRESS = 5
    REPLACED = 6
    NEXT_COMMAND = 7
    OTHER_TRANSFER = 8
    CAPTURE_ENDS = 9
    RECORDS_MISSING = 10

    @property
    def words(self) -> str:
        """As a person says it."""
        return _REASONS[self]


_REASONS = {
    Why.RESET: "the host reset the port",
    Why.CLASS_RESET: "the host reset the device (Bulk-Only Mass Storage Reset)",
    Why.GONE: "the device is gone",
    Why.CONFIGURED: "the host configured the device anew",
    Why.INTERFACE: "the host chose an alternate setting",
    Why.ADDRESS: "the device got an address",
    Why.REPLACED: "another device was plugged in",
    Why.NEXT_COMMAND: "the next command came before it",
    Why.OTHER_TRANSFER: "another transfer took its place",
    Why.CAPTURE_ENDS: "the capture ends here",
    Why.RECORDS_MISSING: "it may be among the transfers that the recorder lost",
}

RESETS = frozenset((Why.RESET, Why.CLASS_RESET))
"""The host made the device start anew."""
BY_RECORDING = frozenset((Why.CAPTURE_ENDS, Why.CONFIGURED, Why.INTERFACE, Why.ADDRESS, Why.RECORDS_MISSING))
"""Reasons that say nothing about the device: the capture ended, or the session was set up anew around the exchange."""


class Said(StrEnum):
    """The kinds of remarks. The words are stable and stand in JSON (docs/json-lines.md)."""

    RESERVED_BITS = "reserved-bits"
    BLOCK_LENGTH_ILLEGAL = "command-block-length-illegal"
    BLOCK_LENGTH_ODD = "command-block-length-odd"
    WRAPPER_SIZE = "wrapper-size"
    WRAPPER_SIGNATURE = "wrapper-signature"
    WRAPPER_CUT = "wrapper-cut"
    COMMAND_END_LOST = "command-completion-lost"
    COMMAND_START_LOST = "command-submission-lost"
    COMMAND_NOT_SENT = "command-not-sent"
    DATA_END_LOST = "data-completion-lost"
    READ_END_LOST = "read-completion-lost"
    STILL_WAITING = "still-waiting"
    MISSING_BEFORE = "commands-missing-before"
    DATA_FAILED = "data-transfer-failed"
    TRANSFER_FAILED = "transfer-failed"
    DATA_NOT_CAPTURED = "data-not-captured"
    WRONG_WAY = "wrong-direction"
    BEYOND_LENGTH = "beyond-announced-length"
    MORE_MOVED = "more-than-announced"
    EMPTY_AFTER_DATA = "empty-packet-after-data"
    EMPTY_BEFORE_STATUS = "empty-packet-before-status"
    STALL_BY_CLEARING = "stall-told-by-clearing"
    STATUS_CUT = "status-byte-not-captured"
    STATUS_RESERVED = "status-reserved"
    STATUS_START_LOST = "status-submission-lost"
    STATUS_SIZE = "status-size"
    STATUS_SIGNATURE = "status-signature"
    OTHER_TAG = "other-tag"
    LATE_STATUS_HERE = "late-status-of-another"
    STATUS_LATE = "status-late"
    RESIDUE_TOO_LARGE = "residue-too-large"
    NO_STATUS = "no-status"
    NO_VALID_STATUS = "no-valid-status"
    TRANSFERS_MISSING = "transfers-missing"
    SENSE_DOUBTED = "sense-against-residue"
    SCSI_STATUS = "scsi-status"
    RESPONSE_UNIT = "response-unit"
    UNKNOWN_UNIT = "unknown-unit"
    TAG_REUSED = "tag-reused"
    OWNER_UNSURE = "data-owner-unsure"
    BLOCK_RESET = "command-block-reset"
    INTERRUPT_SENSE = "interrupt-sense"
    HOST_SAYS = "host-says"
    HOST_GAVE_UP = "host-gave-up"
    SENSE_DECIMAL = "sense-read-as-decimal"
    MORE = "more-remarks"
    # of strays
    REST_OF_MISSING = "rest-of-missing-command"
    STRAY_BYTES = "bytes-outside-exchange"
    STRAY_STATUS = "status-answers-nothing"
    STRAY_STALL = "stall-outside-exchange"
    STRAY_FAILURE = "failure-outside-exchange"
    NO_COMMAND_UNIT = "no-command-unit"
    COMMAND_UNIT_CUT = "command-unit-cut"
    STATUS_PIPE_BYTES = "status-pipe-bytes"
    UNASKED_DATA = "data-nobody-waits-for"
    INTERRUPT_ENDS_NOTHING = "interrupt-ends-nothing"
    INTERRUPT_SIZE = "interrupt-size"
    STATUS_NOT_READ = "status-not-read"
    TASK = "task-management"


class Remark(NamedTuple):
    """One remark: its kind, and the numbers that the kind names."""

    kind: Said
    numbers: tuple[int, ...] = ()

    @property
    def words(self) -> str:
        """In one line."""
        return _words(self)

    def facts(self) -> dict[str, Any]:
        """As JSON says it: the kind, each number by its name, and the clause where there is one."""
        row = _ROWS[self.kind]
        named = dict(zip(row.names, self.numbers, strict=False))
        said = {name: Why(value).name.lower().replace("_", "-") if name == "why" else value
                for name, value in named.items()}  # fmt: skip
        return {
            "kind": "remark", "what": str(self.kind), "text": self.words, "numbers": said,
            "clause": row.clause or None,
        }  # fmt: skip


class _Row(NamedTuple):
    """Names of the numbers, the words, the clause."""

    names: tuple[str, ...]
    words: str
    clause: str = ""


_BOT = "BOT 1.0 "
_ROWS: dict[Said, _Row] = {
    Said.RESERVED_BITS: _Row((), "reserved bits of the CBW are set", _BOT + "6.2.2"),
    Said.BLOCK_LENGTH_ILLEGAL: _Row(("size",), "bCBWCBLength is {size}, legal are 1 to 16", _BOT + "5.1"),
    Said.BLOCK_LENGTH_ODD: _Row(("size", "group"), "bCBWCBLength is {size}, the opcode's group has {group}"),
    Said.WRAPPER_SIZE: _Row(
        ("stalled", "bytes"), "the CBW is not valid: {bytes} instead of 31{stalled}", _BOT + "6.2.1"
    ),
    Said.WRAPPER_SIGNATURE: _Row(
        ("stalled",), "the CBW is not valid: the signature is not 43425355h{stalled}", _BOT + "6.2.1"
    ),
    Said.WRAPPER_CUT: _Row(
        ("captured", "bytes"), "a CBW of which only {captured} of {bytes} are captured", _BOT + "6.2.1"
    ),
    Said.COMMAND_END_LOST: _Row((), "the completion of the command transfer was not recorded"),
    Said.COMMAND_START_LOST: _Row((), "the submission of the command transfer was not recorded"),
    Said.COMMAND_NOT_SENT: _Row(("status",), "the command was not sent: {status}"),
    Said.DATA_END_LOST: _Row((), "the completion of a data transfer was not recorded"),
    Said.READ_END_LOST: _Row((), "the completion of a read was not recorded"),
    Said.MISSING_BEFORE: _Row(("count",), "commands missing from the recording before this one: {count}"),
    Said.STILL_WAITING: _Row(("waited_ns",), "still waiting after {waited_ns}, when the capture ends"),
    Said.DATA_FAILED: _Row(("bytes", "status"), "a data transfer ended after {bytes}: {status}"),
    Said.TRANSFER_FAILED: _Row(("status",), "a transfer ended without success: {status}"),
    Said.DATA_NOT_CAPTURED: _Row(("bytes",), "{bytes} of the data phase are not in this capture"),
    Said.WRONG_WAY: _Row(("bytes",), "{bytes} went against the announced direction", _BOT + "3.5"),
    Said.BEYOND_LENGTH: _Row(("bytes",), "{bytes} sent beyond dCBWDataTransferLength", _BOT + "5.1"),
    Said.MORE_MOVED: _Row(("bytes",), "{bytes} more than announced were moved", _BOT + "5.1"),
    Said.EMPTY_AFTER_DATA: _Row((), "a zero-length packet was sent after the data"),
    Said.EMPTY_BEFORE_STATUS: _Row((), "a zero-length packet came before the CSW"),
    Said.STALL_BY_CLEARING: _Row((), "the stall of the data phase shows only by the clearing that followed"),
    Said.STATUS_CUT: _Row((), "the status byte of the CSW is beyond what was captured"),
    Said.STATUS_RESERVED: _Row(("value",), "bCSWStatus {value:02X}h is reserved", _BOT + "Table 5.3"),
    Said.STATUS_START_LOST: _Row((), "the submission of the status transfer was not recorded"),
    Said.STATUS_SIZE: _Row(("bytes",), "what came as CSW is not valid: {bytes}", _BOT + "6.3.1"),
    Said.STATUS_SIGNATURE: _Row((), "what came as CSW is not valid: wrong signature", _BOT + "6.3.1"),
    Said.OTHER_TAG: _Row(("tag", "due"), "a CSW with tag {tag} came, {due} was due", _BOT + "6.3.1"),
    Said.LATE_STATUS_HERE: _Row(("tag",), "the late CSW of the command before, tag {tag}, came here", _BOT + "6.3.1"),
    Said.STATUS_LATE: _Row((), "its CSW came late, after the next command", _BOT + "3.4"),
    Said.RESIDUE_TOO_LARGE: _Row((), "dCSWDataResidue is larger than dCBWDataTransferLength", _BOT + "6.3.2"),
    Said.NO_STATUS: _Row(("why",), "no status: {why}"),
    Said.NO_VALID_STATUS: _Row(("why",), "no valid CSW: {why}"),
    Said.TRANSFERS_MISSING: _Row((), "the recorder lost transfers here"),
    Said.SENSE_DOUBTED: _Row((), "its sense is taken though the residue says that none of it counts"),
    Said.SCSI_STATUS: _Row(("value",), "SCSI status {value:02X}h, {scsi}"),
    Said.RESPONSE_UNIT: _Row(("value",), "response IU {value:02X}h: {response}"),
    Said.UNKNOWN_UNIT: _Row(("value",), "an IU {value:02X}h on the status pipe that is not understood"),
    Said.TAG_REUSED: _Row((), "no sense IU: its tag was used again"),
    Said.OWNER_UNSURE: _Row((), "several commands waited for such data; one of them is taken as its owner"),
    Said.BLOCK_RESET: _Row((), "Command Block Reset", "CBI 1.1 2.2"),
    Said.INTERRUPT_SENSE: _Row(("asc", "ascq"), "the interrupt says ASC {asc:02X}h, ASCQ {ascq:02X}h"),
    Said.HOST_SAYS: _Row(("host",), "the log: {host}"),
    Said.HOST_GAVE_UP: _Row((), "the log: the host gave the command up for its time"),
    Said.SENSE_DECIMAL: _Row((), "the sense code is taken as printed in decimal, since it goes with the key so"),
    Said.MORE: _Row(("count",), "and {count} remarks more"),
    Said.REST_OF_MISSING: _Row(("bytes",), "{bytes} whose command may be among the transfers that the recorder lost"),
    Said.STRAY_BYTES: _Row(("bytes",), "{bytes} of data outside any exchange", _BOT + "3.3"),
    Said.STRAY_STATUS: _Row(("tag", "value"), "a CSW with tag {tag}, status {value}, answers no command", _BOT + "3.3"),
    Said.STRAY_STALL: _Row((), "a STALL outside any exchange"),
    Said.STRAY_FAILURE: _Row(("status",), "a transfer outside any exchange ended without success: {status}"),
    Said.NO_COMMAND_UNIT: _Row(("bytes",), "{bytes} on the command pipe that are no command IU"),
    Said.COMMAND_UNIT_CUT: _Row(("bytes",), "{bytes} on the command pipe whose start is not in the capture"),
    Said.STATUS_PIPE_BYTES: _Row(("bytes",), "status pipe: {bytes} that answer no open command"),
    Said.UNASKED_DATA: _Row(("bytes",), "{bytes} of data while no command waits for them"),
    Said.INTERRUPT_ENDS_NOTHING: _Row((), "an interrupt that ends no command"),
    Said.INTERRUPT_SIZE: _Row(("bytes",), "an interrupt of {bytes} instead of 2"),
    Said.STATUS_NOT_READ: _Row(("status",), "the status was not read: {status}"),
    Said.TASK: _Row(("function", "about", "value"), "task management: {task}"),
}


def _task(function: int, about: int = -1, value: int = -1) -> str:
    """A task management function, whom it is about (a tag, -1 for nobody), and the response (-1 for none)."""
    called = TASK_MANAGEMENT_FUNCTIONS.get(function, f"function {function:02X}h")
    of = f" of tag {about:04X}h" if about >= 0 else ""
    return f"{called}{of}: {'no response' if value < 0 else RESPONSE_CODES.get(value, f'response {value:02X}h')}"


PHASES = ("command", "data", "status")
"""The phases of a command (BOT 1.0 5.3) as the bits of a number named ``stalled``."""


def _stalled(bits: int) -> str:
    phases = [phase for bit, phase in enumerate(PHASES) if bits >> bit & 1]
    return f"; the device stalled the {' and the '.join(phases)} phase" if phases else ""


_WRITTEN: dict[str, Callable[[int], str]] = {
    "status": in_words,
    "tag": lambda value: f"{value:08X}h",
    "due": lambda value: f"{value:08X}h",
    "waited_ns": time_in_words,
    "bytes": lambda value: count_of(value, "byte"),
    "why": lambda value: Why(value).words,
    "host": host_status.in_words,
    "stalled": _stalled,
}
"""Number's name -> how it is written, where a plain number will not do."""


@lru_cache(maxsize=4096)
def _words(remark: Remark) -> str:
    row = _ROWS[remark.kind]
    named: dict[str, Any] = {
        name: _WRITTEN.get(name, int)(value) for name, value in zip(row.names, remark.numbers, strict=False)
    }
    if "value" in named:
        value = remark.numbers[row.names.index("value")]
        named |= {"scsi": SCSI_STATUS.get(value, "reserved"), "response": RESPONSE_CODES.get(value, "see INCITS 471")}
    if remark.kind is Said.TASK:
        named["task"] = _task(*remark.numbers)
    text = row.words.format_map(named)
    return f"{text} ({row.clause})" if row.clause else text


def statuses(remarks: tuple[Remark, ...]) -> set[int]:
    """The error statuses (errno) of the transfers that the remarks tell of."""
    found = set()
    for kind, numbers in remarks:
        names = _ROWS[kind].names
        if "status" in names:
            found.add(numbers[names.index("status")])
    return found


def reason(remarks: tuple[Remark, ...]) -> Why | None:
    """Why there is no status; None where there is one, or nothing tells."""
    for kind, numbers in remarks:
        if kind in (Said.NO_STATUS, Said.NO_VALID_STATUS):
            return Why(numbers[0])
    return None


LOST = frozenset((Said.COMMAND_END_LOST, Said.COMMAND_START_LOST, Said.DATA_END_LOST, Said.READ_END_LOST,
                  Said.STATUS_START_LOST, Said.STATUS_CUT, Said.DATA_NOT_CAPTURED, Said.WRAPPER_CUT,
                  Said.TRANSFERS_MISSING))  # fmt: skip
"""The recording, not the bus, lacks something: nothing that follows may rest on it."""


def catalogue() -> list[tuple[str, tuple[str, ...], str, str]]:
    """Every kind with the names of its numbers, its words and its clause, for docs and tests."""
    return [(str(kind), row.names, row.words, row.clause) for kind, row in _ROWS.items()]
