"""The records of a host's capture as columns: which half of which transfer each is, without a Python step for each.

Only what an ordinary half looks like is known here; whatever else a record may be is left to the decoder of its link
type (`sticktrace.capture.linux`), one by one. ``usual`` says which records are halves of bulk transfers that went well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sticktrace.capture.blocks import Block, Column, words
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

    raw = np.frombuffer(data, np.uint8)
    whole = block.captured >= size
    starts = np.where(whole, block.at, 0)
    head = words(raw, starts, "<", 9).view(np.uint8).reshape(-1, 36)
    event, kind, endpoint, address, data_flag = (head[:, place] for place in (8, 9, 10, 11, 15))
    bus = head[:, 12:14].copy().view(order + "u2").reshape(-1).astype(np.int64)
    status = head[:, 28:32].copy().view(order + "i4").reshape(-1)
    length = head[:, 32:36].copy().view(order + "u4").reshape(-1).astype(np.int64)
    ident = head[:, :8].copy().view(order + "u8").reshape(-1)
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
