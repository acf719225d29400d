"""Link type 249: the Windows host's capture header (registry of link types; layout in its published description).

Always little-endian and packed. The recorder sits above the host controller driver and writes one record when a request
goes down and one when it comes back; control requests have a stage byte and, depending on the recorder's age, up to
four records. Many requests are made by function code alone: they have no setup bytes, and `Transfer.function` says
what was asked. Submissions of IN transfers do not state the length asked for: ``requested`` is then -1.
"""

from __future__ import annotations

import struct
from typing import Any

from sticktrace.capture.blocks import Frame
from sticktrace.capture.reader import Reader
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, Transfer
from sticktrace.codes.status import from_usbd

HEADER_SIZE = 27
SETUP_SIZE = 8
SETUP_STAGE, DATA_STAGE, STATUS_STAGE, COMPLETE_STAGE = 0, 1, 2, 3

# headerLen, request id, USBD status, URB function, info, bus, device, endpoint, transfer, dataLength
_HEAD = struct.Struct("<HQIHBHHBBI").unpack_from
_COMING_BACK = 1  # info bit 0

_KINDS = {
    0x0009: (BULK, INTERRUPT, ISOCHRONOUS), 0x0037: (BULK, INTERRUPT), 0x000A: (ISOCHRONOUS,), 0x0038: (ISOCHRONOUS,),
}  # fmt: skip
"""URB functions that move data through a pipe other than the control pipe (0037h and 0038h: the same with a chain of
buffers), and the kinds that the header may then name; the first holds if it names another. Numbers from memory of the
public usb.h."""


class WindowsFrames:
    """Turns records of this link type into transfers."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader
        self.joiner = reader.join_as(reader.skipped)

    def feed(self, frame: Frame, number: int, time_ns: int, data: Any) -> Transfer | None:
        """One record in; a transfer out when this record completes one, or shows that an earlier one never will."""
        at, captured = frame[1], frame[2]
        if captured < HEADER_SIZE:
            self.reader.skipped[f"record shorter than the {HEADER_SIZE}-byte header of link type 249"] += 1
            return None
        size, ident, status, function, info, bus, device, endpoint, kind, length = _HEAD(data, at)
        if not HEADER_SIZE <= size <= captured:
            self.reader.skipped["record of link type 249 whose header length cannot be right"] += 1
            return None
        stage = data[at + HEADER_SIZE] if kind == CONTROL and size > HEADER_SIZE else COMPLETE_STAGE
        at, captured = at + size, min(captured - size, length)
        kind = _kind(function, kind)
        key = (ident, bus)
        transfer = self.joiner.waiting.get(key)
        if info & _COMING_BACK:
            if transfer is None or (transfer.kind, transfer.endpoint & 0x7F) != (kind, endpoint & 0x7F):
                if self.joiner.repeats(key, endpoint, from_usbd(status), length, time_ns):
                    return None
                transfer = self.joiner.alone(Transfer(bus, device, endpoint, kind, function=function), time_ns)
            transfer.records += (number,)
            _come_back(transfer, from_usbd(status), time_ns, at, captured, length)
            return self._hand_on(key, transfer, stage)
        if transfer is not None and kind == CONTROL and stage in (DATA_STAGE, STATUS_STAGE):
            transfer.records += (number,)
            if length:
                transfer.data_at, transfer.captured, transfer.actual = at, captured, length
            return None
        transfer = Transfer(bus, device, endpoint, kind, submitted_ns=time_ns, records=(number,), function=function)
        _go_down(transfer, stage, data, at, captured, length)
        return self.joiner.submit(key, transfer)

    def _hand_on(self, key: tuple[int, int], transfer: Transfer, stage: int) -> Transfer | None:
        """A request that came back is done, unless an older recorder has one more record for its status stage."""
        waiting = self.joiner.waiting.get(key) is transfer
        if stage == DATA_STAGE:
            return None if waiting else self.joiner.submit(key, transfer)
        if waiting:
            self.joiner.take(key, transfer.endpoint)
        return transfer


def _kind(function: int, stated: int) -> int:
    """The kind of transfer. The URB function is asked first: for a request to the host's driver (pipe reset, abort)
    some recorders write the kind of the pipe that it is about, others FEh or FFh. Everything that is not a transfer
    through a pipe is a control request or stands for one."""
    kinds = _KINDS.get(function, (CONTROL,))
    return stated if stated in kinds else kinds[0]


def _go_down(transfer: Transfer, stage: int, data: Any, at: int, captured: int, length: int) -> None:
    """What a submission tells: the setup bytes come first where there are any, then what goes out."""
    if transfer.kind == CONTROL and stage == SETUP_STAGE and captured >= SETUP_SIZE:
        transfer.setup = bytes(data[at : at + SETUP_SIZE])
        transfer.requested = int.from_bytes(transfer.setup[6:8], "little")
        at, captured, length = at + SETUP_SIZE, captured - SETUP_SIZE, length - SETUP_SIZE
    if not transfer.incoming:
        transfer.data_at, transfer.captured, transfer.actual = at, captured, length
        if not transfer.setup:
            transfer.requested = length


def _come_back(transfer: Transfer, status: int, time_ns: int, at: int, captured: int, length: int) -> None:
    """What a completion tells. A completed OUT transfer states no length: then all that was submitted went out; of a
    failed one it is not known how much did, and none is claimed. What was submitted stays readable either way."""
    transfer.status, transfer.completed_ns = status, time_ns
    if transfer.incoming:
        if length:
            transfer.data_at, transfer.captured, transfer.actual = at, captured, length
    elif length:
        transfer.actual = length
    elif status:
        transfer.actual = 0
