"""What a ruler draws: the rows of an explanation as groups, fields and fields split into bits, over numbered bytes."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field

from sticktrace.grammar.layout import Explanation, Row

Keyed = tuple[int, Row]
"""A row with its number in the explanation, which is the key of its shapes."""


@dataclass(frozen=True, slots=True)
class Field:
    """Bytes ``start`` to ``end`` (not included) that one field covers, or several that split them into bits. Without
    rows no layout says what they are."""

    start: int
    end: int
    rows: tuple[Keyed, ...] = ()

    @property
    def split(self) -> bool:
        """Whether bits are to be shown one by one."""
        return len(self.rows) > 1 or (len(self.rows) == 1 and not _whole(self.rows[0][1]))


@dataclass(frozen=True, slots=True)
class Group:
    """Bytes that a heading holds together."""

    start: int
    end: int
    key: int
    row: Row


@dataclass(slots=True)
class Laid:
    """A layout over ``size`` bytes: its fields in order without a hole, its groups, and the bytes not printed."""

    size: int
    fields: list[Field] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    unprinted: list[range] = field(default_factory=list)

    def at(self, byte: int) -> Field:
        """The field that holds a byte."""
        return self.fields[bisect_right(self.fields, byte, key=lambda one: one.start) - 1]

    def beginning(self, start: int, end: int) -> list[Group]:
        """The groups that begin between two bytes, the second not included."""
        first = bisect_left(self.groups, start, key=lambda group: group.start)
        last = bisect_left(self.groups, end, key=lambda group: group.start)
        return self.groups[first:last]

    def printed(self, byte: int) -> bool:
        """Whether the capture shows this byte at all."""
        return not any(byte in one for one in self.unprinted)


def laid_out(explanation: Explanation | None, size: int) -> Laid:
    """The rows laid over as many bytes; what no row covers becomes fields without rows."""
    out = Laid(size)
    at = 0
    for one in _joined(explanation.rows if explanation else [], out.groups):
        if one.start < at:  # a second layout over the same bytes; the first one holds
            continue
        if one.start > at:
            out.fields.append(Field(at, one.start))
        out.fields.append(one)
        if not any(row.raw for _, row in one.rows):
            out.unprinted.append(range(one.start, one.end))
        at = one.end
    if at < size:
        out.fields.append(Field(at, size))
    out.size = max(at, size)
    out.groups.sort(key=lambda group: (group.start, -group.end))
    return out


def _joined(rows: list[Row], groups: list[Group]) -> Iterator[Field]:
    """Fields in order; bits of the same bytes as one. Headings go to ``groups``."""
    waiting: list[Keyed] = []
    for key, row in enumerate(rows):
        if row.heading and row.size:
            groups.append(Group(row.offset, row.offset + row.size, key, row))
        if row.heading or not row.size:
            continue
        if waiting and (row.bits is None or row.offset >= _end(waiting)):
            yield _field(waiting)
            waiting = []
        waiting.append((key, row))
        if row.bits is None:
            yield _field(waiting)
            waiting = []
    if waiting:
        yield _field(waiting)


def _end(rows: list[Keyed]) -> int:
    return max(row.offset + row.size for _, row in rows)


def _field(rows: list[Keyed]) -> Field:
    return Field(min(row.offset for _, row in rows), _end(rows), tuple(rows))


def _whole(row: Row) -> bool:
    return row.bits is None or row.bits == (8 * row.size - 1, 0)


def places_of(row: Row, start: int, size: int) -> tuple[int, int]:
    """The first and the last bit of a row, counted from the most significant one of the ``size`` bytes at ``start``
    that are drawn as one number in the row's order."""
    high, low = row.bits if row.bits is not None else (8 * row.size - 1, 0)
    behind = 8 * (start + size - row.offset - row.size) if row.order == "big" else 8 * (row.offset - start)
    top = 8 * size - 1
    return top - (high + behind), top - (low + behind)
