"""Chains of descriptors, as GET_DESCRIPTOR returns them (USB 2.0 9.4.3, 9.5): walked as far as they are sound.

Devices lie: a bLength of 0 or past the end, a bLength too small for its type, counts that disagree with what follows.
Each lie is reported once, in a line, and the walk goes on where that is possible.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from sticktrace.codes import msc
from sticktrace.codes.usb_requests import DESCRIPTOR_TYPES
from sticktrace.grammar import usb, usb3
from sticktrace.grammar.layout import Explanation, Layout, Row
from sticktrace.text import count_of

_HEADED = {2: 9, 7: 9, 15: 5}
"""Types that head a chain whose length stands in bytes 2-3 (wTotalLength), with the length of the head."""

_SMALLEST = {1: 18, 2: 9, 3: 2, 4: 9, 5: 7, 6: 10, 7: 9, 11: 8, 15: 5, 16: 3, 0x29: 9, 0x2A: 12, 0x30: 6}
"""The fixed part of each type in bytes (USB 2.0 Tables 9-8 to 9-16, 11-13; USB 3.2 9.6)."""


class Item(NamedTuple):
    """One descriptor of a chain: its layout, where it starts, its bytes (as many as bLength says and data holds)."""

    layout: Layout
    offset: int
    data: bytes


class Chain(NamedTuple):
    """Descriptors in order. ``lies`` are contradictions in the descriptors themselves; ``cut`` says, or is "", that the
    data ends before the chain does, which is no fault of the device: hosts first ask for 9 bytes."""

    items: list[Item]
    lies: list[str]
    cut: str


def descriptors(data: bytes, *, languages: bool = False) -> Chain:
    """The descriptors in ``data``, the answer to one GET_DESCRIPTOR. ``languages`` tells that string 0 was asked for.

    A configuration or BOS descriptor heads a chain of wTotalLength bytes; any other type stands alone.
    """
    items: list[Item] = []
    lies: list[str] = []
    total = _announced(data)
    if data[1:2] and data[1] in _HEADED and total < _HEADED[data[1]]:
        lies.append(f"wTotalLength {total} is less than the first descriptor itself")
        total = len(data)
    end = min(total, len(data))
    at, cut, uas = 0, "", False
    while at < end:
        if end - at < 2:
            cut = "one byte is left, too few for a descriptor"
            break
        length, kind = data[at], data[at + 1]
        fault = _unsound(length, kind, at, total)
        if fault:
            lies.append(fault)
        if length < 2:
            break
        piece = data[at : min(at + length, end)]
        if kind == 4 and length >= 9 and len(piece) >= 8:
            uas = piece[5] == msc.CLASS and piece[7] == msc.UAS
        items.append(Item(_layout(kind, piece, uas, languages), at, piece))
        at += length
    if end < total:
        cut = cut or f"{total} bytes announced, {len(data)} present"
    if not cut and len(data) > total:
        lies.append(f"{count_of(len(data) - total, 'byte')} beyond the {total} bytes that the descriptor states")
    if not cut and not any("bLength" in lie or "wTotalLength" in lie for lie in lies):
        lies += _miscounted(items)
    return Chain(items, lies, cut)


def _announced(data: bytes) -> int:
    """How long the first descriptor says that everything is."""
    if len(data) < 2:
        return len(data)
    if data[1] in _HEADED:
        return int.from_bytes(data[2:4], "little") if len(data) >= 4 else max(data[0], len(data))
    return data[0] if data[0] >= 2 else len(data)


def _name(kind: int) -> str:
    return DESCRIPTOR_TYPES.get(kind, f"type {kind:02X}h")


def _unsound(length: int, kind: int, at: int, total: int) -> str:
    if length < 2:
        return f"bLength {length} at byte {at}: nothing beyond can be found"
    if length < _SMALLEST.get(kind, 2):
        return f"bLength {length} at byte {at} is too short for a descriptor of {_name(kind)} ({_SMALLEST[kind]} bytes)"
    if at + length > total:
        return f"bLength {length} at byte {at} runs past the announced total of {total} bytes"
    return ""


def _layout(kind: int, piece: bytes, uas: bool, languages: bool) -> Layout:
    if piece[0] < _SMALLEST.get(kind, 2):
        return usb.OTHER
    if kind == 16:
        return usb3.capability(piece[2] if len(piece) > 2 else 0)
    if kind == 3 and languages:
        return usb.LANGUAGES
    if kind == 3 and piece[2:16] == usb.OS_SIGNATURE and piece[0] >= 18:
        return usb.OS_STRING
    # 24h is class-specific: a pipe usage only below a UAS interface.
    if kind == 0x24 and uas and piece[0] >= 4:
        return usb.PIPE_USAGE
    return usb.LAYOUTS.get(kind, usb.OTHER)


def _miscounted(items: list[Item]) -> list[str]:
    """Counts in a whole chain that disagree with what follows."""
    if not items or len(items[0].data) < _HEADED.get(items[0].data[1], 999):
        return []
    first = items[0].data
    if first[1] == 15:
        found = sum(1 for item in items if item.data[1] == 16)
        return [] if found == first[4] else [f"bNumDeviceCaps is {first[4]}, found {found}"]
    lies = list(_interface_lies(items))
    numbers = {item.data[2] for item in items if item.data[1] == 4}
    if len(numbers) != first[4]:
        lies.insert(0, f"bNumInterfaces is {first[4]}, found {len(numbers)}")
    return lies


def _interface_lies(items: list[Item]) -> Iterator[str]:
    seen: set[bytes] = set()
    current, endpoints = b"", list[int]()
    for data in [item.data for item in items[1:]] + [b"\0\4"]:
        if data[1] == 5:
            endpoints.append(data[2])
        if data[1] != 4:
            continue
        if current:
            where = f"interface {current[2]} alternate {current[3]}"
            if current[4] != len(endpoints):
                yield f"{where}: bNumEndpoints is {current[4]}, found {len(endpoints)}"
            if len(set(endpoints)) < len(endpoints):
                yield f"{where}: an endpoint address stands twice"
        if data[2:4] in seen:
            yield f"interface {data[2]} alternate {data[3]} stands twice"
        seen.add(data[2:4])
        current, endpoints = data, []


def explain_descriptors(data: bytes, *, languages: bool = False) -> Explanation:
    """Rows for a whole chain: a heading per descriptor, its fields below it, every byte of ``data`` accounted for."""
    chain = descriptors(data, languages=languages)
    rows: list[Row] = []
    at = 0
    for item in chain.items:
        told = item.layout.explain(item.data)
        rows.append(_row(item.layout.title, 0, item.offset, item.data, "", item.layout.clause, heading=True))
        rows += [replace(row, offset=row.offset + item.offset, depth=row.depth + 1) for row in told.rows]
        at = item.offset + told.used
        left = item.data[told.used :]
        if left:
            rows.append(_row("unexplained", 1, at, left, "beyond the fields known here", ""))
            at += len(left)
    if data[at:]:
        rows.append(_row("unexplained", 0, at, data[at:], "not part of a sound descriptor", ""))
    first = chain.items[0].layout if chain.items else usb.OTHER
    fault = "; ".join([*chain.lies, *([chain.cut] if chain.cut else [])])
    return Explanation(first.title, first.clause, rows, len(data), fault)


def _row(name: str, depth: int, at: int, raw: bytes, text: str, clause: str, *, heading: bool = False) -> Row:
    return Row(name, depth, at, len(raw), None, "little", raw, raw, "", text, clause, heading)
