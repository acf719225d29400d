"""Hex text written anew, with other payload (docs/hex-text.md)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from sticktrace.capture.hex_text import HexTextReader
from sticktrace.capture.logs import Statement
from sticktrace.capture.payload import Payload
from sticktrace.capture.transfer import BREAK, CONTROL, GAP, Transfer
from sticktrace.redaction.log_lines import LogCopy

if TYPE_CHECKING:
    from sticktrace.session import Capture

_PER_LINE = 32


def hex_lines(capture: Capture, payload: Payload, words: LogCopy) -> Iterator[str]:
    """The transfers of hex text in the preferred form, with their bytes taken from ``payload``, and between them what
    the text says in words that are understood."""
    reader = capture.reading().reader
    for source in (reader.transfers(), reader.finish()):
        for transfer in source:
            timed = isinstance(reader, HexTextReader) and reader.timed
            if isinstance(transfer, Statement):
                yield f"{words.redacted(transfer)}\n"
                continue
            if transfer.kind == BREAK:
                continue
            yield from _transfer(transfer, payload, timed)


def _transfer(transfer: Transfer, payload: Payload, timed: bool) -> Iterator[str]:
    """One transfer: a control request as its setup packet and its data or status stage."""
    if transfer.kind == GAP:
        yield f"lost {transfer.requested} transfers\n"
        return
    device = f" bus {transfer.bus}" if transfer.bus else ""
    device += f" dev {transfer.address}" if transfer.address or transfer.bus else ""
    if transfer.kind == CONTROL and transfer.setup:
        yield f"{_clock(transfer.submitted_ns, timed)}SETUP{device}: {transfer.setup.hex(' ')}\n"
        if transfer.status is None:
            return
    data = payload.read(transfer.data_at, transfer.captured)
    if transfer.not_printed and data[:4] in _FIELDS:
        yield from _labelled(transfer, data, timed)
        return
    way = "IN" if transfer.incoming else "OUT"
    amount = str(transfer.actual)
    if transfer.actual != transfer.requested >= 0:
        amount += f"/{transfer.requested}"
    status = " status UNKNOWN" if transfer.status is None else f" status {transfer.status}" if transfer.status else ""
    clock = _clock(transfer.end_ns, timed, transfer.end_ns - transfer.start_ns)
    yield f"{clock}{device.lstrip()}{' ' if device else ''}{way} ep {transfer.endpoint:02x} {amount}{status}:\n"
    for at in range(0, len(data), _PER_LINE):
        yield f"  {data[at : at + _PER_LINE].hex(' ')}\n"


_FIELDS = {
    b"USBC": (("dCBWTag", 4, 4), ("dCBWDataTransferLength", 8, 4), ("bmCBWFlags", 12, 1), ("bCBWLUN", 13, 1),
              ("bCBWCBLength", 14, 1)),
    b"USBS": (("dCSWTag", 4, 4), ("dCSWDataResidue", 8, 4), ("bCSWStatus", 12, 1)),
}  # fmt: skip
"""Fields of the wrappers with place and size (BOT 1.0 Tables 5.1 and 5.2)."""


def _labelled(transfer: Transfer, data: bytes, timed: bool) -> Iterator[str]:
    """A wrapper of which not all is known: its fields by name, without those that were not printed."""
    clock = _clock(transfer.end_ns, timed, 0)
    for name, at, size in _FIELDS[data[:4]]:
        if name not in transfer.not_printed:
            yield f"{clock}{name}: {int.from_bytes(data[at : at + size], 'little'):#x}\n"
    block = data[15 : 15 + data[14]] if data[:4] == b"USBC" else b""
    if block:
        yield f"{clock}CBWCB: {block.hex(' ')}\n"


def _clock(time_ns: int, timed: bool, took_ns: int = 0) -> str:
    """Nanoseconds, which every clock fits in, with how long it took up to then."""
    if not timed:
        return ""
    return f"{max(0, time_ns)}-{took_ns} ns " if took_ns > 0 else f"{max(0, time_ns)} ns "
