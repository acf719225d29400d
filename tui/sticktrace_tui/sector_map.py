"""Cells of a map of blocks, counted from the table's columns: a million exchanges in a blink."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sticktrace import Cell, ExchangeTable, LayoutError, Medium, commands_named
from sticktrace_tui.model import Model

Numbers = NDArray[np.int64]


def cells(model: Model, medium: Medium, room: int, first: int, after: int) -> list[Cell]:
    """Blocks ``first`` to ``after`` - 1 of a medium divided into at most ``room`` cells of equal width."""
    total = after - first
    if total <= 0 or room <= 0:
        return []
    width = -(-total // room)
    count = -(-total // width)
    with model.lock:
        counts = _counts(model.table, medium, first, total, width, count)
    return [
        Cell(first + cell * width, first + min(total, (cell + 1) * width) - 1, int(reads), int(writes), int(failures))
        for cell, (reads, writes, failures) in enumerate(zip(*counts, strict=True))
    ]


def _counts(table: ExchangeTable, medium: Medium, first: int, total: int, width: int, count: int) -> list[Numbers]:
    kinds = np.array([_kind(name) for name in table.names])
    rows = _rows(table, medium)
    kind = kinds[table.column("name")[rows]] if len(kinds) else np.zeros(0, np.int64)
    rows, kind = rows[kind > 0], kind[kind > 0]
    low = table.column("lba")[rows] - first
    high = low + table.column("blocks")[rows]
    inside = (low < total) & (high > 0) & (high > low)
    low, high, kind = np.maximum(low[inside], 0) // width, (np.minimum(high[inside], total) - 1) // width, kind[inside]
    kind = np.where(table.column("status")[rows][inside] != 0, 3, kind)
    return [_cover(low[kind == wanted], high[kind == wanted], count) for wanted in (1, 2, 3)]


def _cover(low: Numbers, high: Numbers, count: int) -> Numbers:
    """How many of the ranges of cells reach over each cell."""
    edges = np.bincount(low, minlength=count + 1) - np.bincount(high + 1, minlength=count + 1)[: count + 1]
    covered: Numbers = np.cumsum(edges)[:count]
    return covered


def _rows(table: ExchangeTable, medium: Medium) -> Numbers:
    """The exchanges of one medium: those of its unit from its first to its last."""
    store = medium.store
    numbers = table.column("number")
    begin = int(np.searchsorted(numbers, store.exchange_of(0), "left"))
    end = int(np.searchsorted(numbers, store.exchange_of(len(store) - 1), "right"))
    mask = table.column("bus")[begin:end] == medium.bus
    mask &= table.column("address")[begin:end] == medium.address
    mask &= table.column("lun")[begin:end] == medium.lun
    rows: Numbers = np.flatnonzero(mask) + begin
    return rows


def _kind(name: str) -> int:
    """1 for a command that reads blocks, 2 for one that writes them, 0 for any other."""
    try:
        return {"read": 1, "write": 2}.get(commands_named(name).medium, 0)
    except LayoutError:
        return 0
