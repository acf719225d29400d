"""One layout as Markdown: its size, a picture of its bits where that helps, its fields as a table. `make_reference`
makes pages of it."""

from __future__ import annotations

import re
from collections.abc import Iterator

from sticktrace.grammar.layout import Layout, Outline

FEW = 6
"""Up to this many values stand in the field's own row, more in a list below the table."""


def cell(text: str) -> str:
    """Text fit for a table cell."""
    return text.replace("|", "\\|").replace("<", "&lt;").replace("\n", " ")


def hexadecimal(value: int) -> str:
    """A number below ten as it is, others in the standards' hex."""
    return str(value) if 0 <= value < 10 else f"{value:X}h"


def place(row: Outline) -> str:
    """Byte and bits, "?" where they depend on the data."""
    if row.offset is None:
        where = "?"
    elif row.size is None:
        where = f"{row.offset}-"
    elif row.size > 1:
        where = f"{row.offset}-{row.offset + row.size - 1}"
    else:
        where = str(row.offset)
    if row.bits is None:
        return where
    high, low = row.bits
    return f"{where}, bit {high}" if high == low else f"{where}, bits {high}-{low}"


def values_of(row: Outline) -> str:
    """The values of a field in one line."""
    return "; ".join(f"{hexadecimal(value)} = {text}" for value, text in (row.values or {}).items())


def table(layout: Layout) -> Iterator[str]:
    """The fields of a layout as a table, and the long lists of values below it."""
    yield "| byte | field | meaning | clause |"
    yield "|---|---|---|---|"
    long: list[Outline] = []
    for row in layout.outline():
        text = row.text
        if row.values and len(row.values) <= FEW:
            text += f": {values_of(row)}" if text else values_of(row)
        elif row.values:
            text += " (values below)"
            long.append(row)
        name = "&nbsp;&nbsp;" * row.depth + f"`{row.name}`"
        clause = row.clause if row.clause != layout.clause else ""
        yield f"| {place(row)} | {name} | {cell(text)} | {cell(clause)} |"
    for row in long:
        yield ""
        yield f"`{row.name}`: {values_of(row)}."


WIDTH = 7
"""Characters of one bit in a picture."""


def drawable(layout: Layout) -> bool:
    """Whether a picture says more than the table: command blocks, wrappers, setup packets; all at fixed places."""
    drawn = layout.title.endswith(("CDB", "Wrapper")) or layout.title == "Setup packet"
    return drawn and all(row.offset is not None and row.size is not None for row in layout.outline())


def picture(layout: Layout) -> Iterator[str]:
    """The bits as a grid, bit 7 on the left, as the standards print them. Names too long for their cell are numbered
    and written out below."""
    rule = "      +" + ("-" * WIDTH + "+") * 8
    yield " byte |" + "|".join(str(bit).center(WIDTH) for bit in range(7, -1, -1)) + "|"
    yield rule
    key: list[str] = []
    for first, last, cells in _lines(layout):
        where = str(first) if first == last else f"{first}-{last}"
        drawn = "|".join(_fit(name, width, key) for name, width in cells)
        yield f"{where:>5} |{drawn}|"
        yield rule
    yield from key


def _lines(layout: Layout) -> Iterator[tuple[int, int, list[tuple[str, int]]]]:
    """(first byte, last byte, cells of name and bits) from top to bottom."""
    rows = [row for row in layout.outline() if not (row.bits is None and _has_parts(layout, row))]
    byte, cells, filled = -1, [], 0
    for row in rows:
        assert row.offset is not None and row.size is not None
        if row.bits is None:
            yield row.offset, row.offset + row.size - 1, [(row.name, 8)]
            continue
        for at, name, width in _by_byte(row):
            if at != byte:
                byte, cells, filled = at, [], 0
            cells.append((name, width))
            filled += width
            if filled == 8:
                yield byte, byte, cells


def _by_byte(row: Outline) -> Iterator[tuple[int, str, int]]:
    """(byte, name, bits) of a run of bits, byte by byte; after the first byte the name is not repeated."""
    assert row.offset is not None and row.size is not None and row.bits is not None
    high, low = row.bits
    for index in range(row.size):
        top = 8 * (row.size - index) - 1
        width = min(high, top) - max(low, top - 7) + 1
        yield row.offset + index, row.name if not index else f"({row.name})", width


def _has_parts(layout: Layout, row: Outline) -> bool:
    """Whether a row is the heading of bits below it."""
    rows = layout.outline()
    at = rows.index(row)
    return at + 1 < len(rows) and rows[at + 1].depth > row.depth


def _fit(name: str, bits: int, key: list[str]) -> str:
    room = bits * (WIDTH + 1) - 1
    name = re.sub(r"^reserved \d+$", "reserved", name)
    if len(name) > room and name == "reserved":
        return "-".center(room)
    if len(name) > room:
        sign = f"({len(key) + 1})"
        key.append(f"  {sign} {name}")
        return sign.center(room)
    return name.center(room)


def section(layout: Layout) -> Iterator[str]:
    """One layout on its page."""
    size = _size(layout)
    yield f"## {layout.title}\n"
    yield f"{layout.clause}; {size}.\n"
    if drawable(layout):
        yield "```text"
        yield from picture(layout)
        yield "```\n"
    yield from table(layout)
    yield ""


def _size(layout: Layout) -> str:
    try:
        size = int(layout.sizeof())
    except Exception:  # construct raises several kinds where the length is told by the data
        return "length told by the data"
    return f"{size} byte" if size == 1 else f"{size} bytes"
