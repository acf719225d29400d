"""Rows of an explanation as text: place, bytes, field, value, meaning, clause."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from sticktrace.grammar.layout import Explanation, Row
from sticktrace.grammar.row_words import place_of, text_of
from sticktrace.grammar.row_words import value_of as value_of
from sticktrace.output.listing import Style, plain
from sticktrace.text import safe

_BYTES_SHOWN = 8
_LEAST_WORDS = 24
"""Columns that words need to be read; with less they get lines of their own."""

_BELOW = " " * 10


def bytes_of(row: Row) -> str:
    """The row's bytes in hex, long ones cut with their count."""
    if row.heading or not row.raw:
        return ""
    if len(row.raw) <= _BYTES_SHOWN:
        return row.raw.hex(" ")
    return row.raw[: _BYTES_SHOWN - 1].hex(" ") + f" +{len(row.raw) - _BYTES_SHOWN + 1}"


def lines(explanation: Explanation, style: Style = plain, base: int = 0, width: int = 0) -> Iterator[str]:
    """The explanation as text lines, its title first. ``base`` is added to the byte places; words that would go beyond
    ``width`` are wrapped (0: no limit, as in a pipe)."""
    yield style(f"{explanation.title}", "head") + style(f"  {explanation.clause}", "quiet")
    rows = [row for row in explanation.rows if row.size]
    table = [_cells(row, base) for row in rows]
    widths = [max((len(cells[i]) for cells in table), default=0) for i in range(4)]
    for row, cells in zip(rows, table, strict=True):
        place, raw, name, value = (cell.ljust(size) for cell, size in zip(cells, widths, strict=False))
        start = f"  {place}  {raw}  {name}  {value}  "
        words = safe(row.meaning) or (row.text if row.heading else text_of(row))
        mood = "" if row.meaning or row.heading else "quiet"
        clause = f"  [{row.clause}]" if row.clause and row.clause != explanation.clause else ""
        if width and len(start + words + clause) > width:
            yield from _wrapped(start, words + clause, width, style, mood)
        else:
            shown = style(words, mood) if mood else words
            yield f"{start}{shown}{style(clause, 'quiet') if clause else ''}".rstrip()
    if explanation.fault:
        yield style(f"  stops here: {safe(explanation.fault)}", "warn")


def _wrapped(start: str, words: str, width: int, style: Style, mood: str) -> Iterator[str]:
    """A row whose words do not fit: they go on below their column, or on lines of their own if that is too narrow."""
    indent = " " * len(start)
    if width - len(start) < _LEAST_WORDS:
        yield start.rstrip()
        start = indent = _BELOW
    for piece in textwrap.wrap(words, max(_LEAST_WORDS, width - len(indent))):
        yield start + (style(piece, mood) if mood else piece)
        start = indent


def _cells(row: Row, base: int) -> tuple[str, str, str, str]:
    moved = row if not base else Row(
        row.name, row.depth, row.offset + base, row.size, row.bits, row.order, row.raw, row.value, row.meaning,
        row.text, row.clause, row.heading,
    )  # fmt: skip
    return place_of(moved), bytes_of(row), "  " * row.depth + row.name, value_of(row)


def facts(explanation: Explanation) -> dict[str, Any]:
    """The explanation as plain data for JSON."""
    return {
        "title": explanation.title,
        "clause": explanation.clause,
        "fault": explanation.fault or None,
        "fields": [
            {
                "name": row.name,
                "depth": row.depth,
                "offset": row.offset,
                "size": row.size,
                "bits": list(row.bits) if row.bits else None,
                "bytes": row.raw.hex(),
                "value": row.value if isinstance(row.value, int | str) else None,
                "meaning": row.meaning or None,
                "text": row.text,
                "clause": row.clause,
                "heading": row.heading,
            }
            for row in explanation.rows
        ],
    }


def dump(data: bytes, start: int = 0, limit: int = 512) -> Iterator[str]:
    """Bytes sixteen a line with their offset and text; lines that repeat the one before are counted, not shown."""
    before, same = b"", 0
    for at in range(0, min(len(data), limit), 16):
        part = data[at : at + 16]
        if part == before:
            same += 1
            continue
        if same:
            yield f"            {same} more lines of the same"
        before, same = part, 0
        text = "".join(chr(b) if 32 <= b < 127 else "·" for b in part)
        yield f"  {start + at:>8x}  {part[:8].hex(' '):<23}  {part[8:].hex(' '):<23}  {text}"
    if same:
        yield f"            {same} more lines of the same"
    if len(data) > limit:
        yield f"  … {len(data) - limit:,} bytes more"
