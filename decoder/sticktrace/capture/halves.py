"""The records of a host's capture as columns: which half of which transfer each is, without a Python step for each.

Only what an ordinary half looks like is known here; whatever else a record may be is left to the decoder of its link
type (`sticktrace.capture.linux`, `sticktrace.capture.windows`), one by one. ``usual`` says which records are halves of
bulk transfers that went well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sticktrace.capture.blocks import Block, Column
from sticktrace.capture.transfer import BULK

NOT_STATED = -1
"""In ``length``: this half does not say."""

_SUBMIT, _COMPLETE, _EMULATOR_DATA = 0x53, 0x43, 0x3D


@dataclass(slots=True)
class Halves:
    """Consecutive records as columns. The others hold where ``usual`` does: ``submits`` whether it is the submission
    or the completion, ``ident`` what joins the two, ``pipe`` bus << 16 | address << 8 | endpoint address, ``length``
    bytes submitted, asked for or moved, ``at`` and ``captured`` the payload that was recorded (of an IN submission and
    of an OUT completion none counts), ``time_ns`` since the first record."""

    usual: Column
    submits: Column
    ident: Column
    pipe: Column
    length: Column
    at: Column
    captured: Column
    time_ns: Column

    def __len__(self) -> int:
        return len(self.usual)


def linux_halves(data: Any, block: Block, origin_ns: int, order: str, size: int, emulated: set[int]) -> Halves:
    """Records of link types 189 and 220 with headers of ``size`` bytes in this byte order; see
    `sticktrace.capture.linux` for the layout. ``data`` are the capture's bytes, ``emulated`` the buses known to be an
    emulator's."""
    import numpy as np

    whole, head = _heads(data, block, size)
    event, kind, endpoint, address, data_flag = (head[:, place] for place in (8, 9, 10, 11, 15))
    bus, length = (_number(head, *field).astype(np.int64) for field in ((12, order + "u2"), (32, order + "u4")))
    status, ident = _number(head, 28, order + "i4"), _number(head, 0, order + "u8")
    submits, incoming = event == _SUBMIT, endpoint >= 0x80
    usual = whole & (kind == BULK) & (submits | ((event == _COMPLETE) & (status == 0))) & (ident != 0)
    known = np.isin(bus, list(emulated)) if emulated else np.zeros(len(bus), bool)
    usual &= (data_flag != _EMULATOR_DATA) | known
    pipe = bus << 16 | address.astype(np.int64) << 8 | endpoint
    captured = np.minimum(block.captured - size, length)
    # An emulator writes 0 on every IN submission and OUT completion.
    length = np.where(known & (length == 0) & (submits == incoming), NOT_STATED, length)
    time_ns = np.maximum(block.time_ns - origin_ns, 0)  # the clock was set back
    return Halves(usual, submits, ident, pipe, length, block.at + size, captured, time_ns)


_BULK_FUNCTIONS = (0x0009, 0x0037)
_WINDOWS_HEADER = 27


def windows_halves(data: Any, block: Block, origin_ns: int) -> Halves:
    """Records of link type 249; see `sticktrace.capture.windows` for the layout. ``data`` is the capture."""
    import numpy as np

    whole, head = _heads(data, block, _WINDOWS_HEADER)
    size, function, bus, address = (_number(head, place, "<u2") for place in (0, 14, 17, 19))
    ident, status, length = _number(head, 2, "<u8"), _number(head, 10, "<u4"), _number(head, 23, "<u4").astype(np.int64)
    info, endpoint, kind = head[:, 16], head[:, 21], head[:, 22]
    submits, incoming = info == 0, endpoint >= 0x80
    usual = whole & (size == _WINDOWS_HEADER) & (kind == BULK) & np.isin(function, _BULK_FUNCTIONS)
    usual &= (submits | ((info == 1) & (status == 0))) & (ident != 0) & (address < 128)
    pipe = bus.astype(np.int64) << 16 | address.astype(np.int64) << 8 | endpoint
    captured = np.minimum(block.captured - _WINDOWS_HEADER, length)
    # Submissions of IN transfers never say how much is asked for, completions of OUT transfers seldom how much went.
    length = np.where((submits & incoming) | (~submits & ~incoming & (length == 0)), NOT_STATED, length)
    time_ns = np.maximum(block.time_ns - origin_ns, 0)
    return Halves(usual, submits, ident, pipe, length, block.at + _WINDOWS_HEADER, captured, time_ns)


def _heads(data: Any, block: Block, size: int) -> tuple[Column, Column]:
    """Which records have a whole header of a size, and the headers as rows of bytes; others have a meaningless row."""
    import numpy as np

    whole = block.captured >= size
    overlapping = np.ndarray((max(0, len(data) - size + 1),), f"V{size}", data, strides=(1,))
    return whole, overlapping[np.where(whole, block.at, 0)].view(np.uint8).reshape(-1, size)


def _number(head: Column, place: int, kind: str) -> Column:
    """The number of a numpy type that stands at a place in each of the headers."""
    return head[:, place : place + int(kind[-1])].copy().view(kind).reshape(-1)
