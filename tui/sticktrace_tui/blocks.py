"""The medium's own blocks in the data strip: one block a page, shown as what it is where the volume room can tell."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from sticktrace import Exchange, LayoutRow, Piece, by_signature, count_of, layouts_at, lba_and_blocks
from sticktrace_tui.model import Model

if TYPE_CHECKING:
    from sticktrace_tui.strips import Strip

USUAL = 512
"""Bytes of a block where READ CAPACITY was not seen and the data does not tell."""


def block_strip(model: Model, item: Exchange, page: int, strip: Strip) -> Strip:
    """Fill the data strip of a READ or WRITE with one block of it."""
    lba, _ = lba_and_blocks(item.cdb)
    medium = model.watchers.medium_of(item)
    length = medium.store.block_length if medium is not None else 0
    length = length or USUAL
    strip.pages = max(1, -(-item.moved // length))
    strip.page = page = max(0, min(page, strip.pages - 1))
    strip.base = page * length
    wanted = min(length, item.moved - strip.base)
    strip.data = data = read_at(model, item, strip.base, wanted)
    row = model.row_of(item.number)
    label = "" if row is None else model.label(row)
    place = "" if lba is None else f"LBA {lba + page}, "
    strip.says.append((f"{place}block {page + 1} of {strip.pages}" + (f"  on {label}" if label else ""), "place"))
    if len(data) < wanted:
        strip.says.append((f"{len(data)} of {count_of(wanted, 'byte')} of this block captured", "warn"))
    if data and lba is not None:
        with model.watchers.lock:
            placed = layouts_at(medium, lba + page, data) if medium is not None else by_signature(data)
        for at, layout in placed:
            told = layout.explain(data[at:])
            clause = told.clause
            strip.rows.append(LayoutRow(told.title, 0, at, told.used, None, "big", b"", None, "", "", clause, True))
            strip.rows += [replace(row, offset=row.offset + at, depth=row.depth + 1) for row in told.rows]
    if data and not strip.rows:
        strip.says.append((look(data), "quiet"))
    return strip


def read_at(model: Model, item: Exchange, start: int, count: int) -> bytes:
    """``count`` bytes of an exchange's data from ``start`` on, as far as the capture holds them without a gap."""
    out = bytearray()
    place = 0
    for at, captured, actual in item.pieces:
        skip = max(0, start - place)
        if skip < actual and len(out) < count:
            take = min(count - len(out), actual - skip)
            have = max(0, min(take, captured - skip))
            out += model.read(Piece(at + skip, have, have))
            if have < take:
                break
            start += take
        place += actual
        if len(out) >= count:
            break
    return bytes(out)


def look(data: bytes) -> str:
    """What bytes look like that no layout explains."""
    if data == bytes([data[0]]) * len(data):
        return f"every byte is {data[0]:02X}h"
    printable = sum(32 <= byte < 127 or byte in (9, 10, 13) for byte in data)
    text = data.rstrip(b"\x00")
    if text and printable >= 0.95 * len(text):
        return "looks like text"
    return "not of a kind known here"
