"""One explanation inside another: a command block within its wrapper, sense data behind a status."""

from __future__ import annotations

from dataclasses import replace

from sticktrace.grammar.layout import Explanation, Row


def inside(outer: Explanation, inner: Explanation, at: int) -> Explanation:
    """The outer rows, with those of ``inner`` in place of the one field that holds byte ``at`` on. Where no field holds
    all of it, the outer one comes back as it is."""
    rows: list[Row] = []
    for row in outer.rows:
        holds = not row.heading and row.bits is None and row.offset == at and inner.used <= row.size
        rows += _opened(row, inner) if holds and inner.rows and row.raw else [row]
    fault = outer.fault or inner.fault
    return replace(outer, rows=rows, fault=fault)


def bytes_of(explanation: Explanation) -> bytes:
    """The bytes that an explanation was made of, as far as its rows hold them; what they do not hold is zero."""
    out = bytearray(explanation.used)
    for row in explanation.rows:
        if not row.heading and row.raw:
            out[row.offset : row.offset + row.size] = row.raw
    return bytes(out)


def _opened(row: Row, inner: Explanation) -> list[Row]:
    """A field as the heading of what it holds, and the rest of its bytes."""
    head = replace(row, heading=True, meaning=inner.title, clause=inner.clause)
    held = [replace(one, offset=one.offset + row.offset, depth=one.depth + row.depth + 1) for one in inner.rows]
    rest = row.raw[inner.used :]
    if rest:
        text = "not used by this command"
        held.append(
            Row("padding", row.depth + 1, row.offset + inner.used, len(rest), None, "big", rest, rest, "", text, "")
        )
    return [head, *held]
