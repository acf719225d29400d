"""What must hold for every layout, whatever it lays out (rows cover every bit once, round trips, cut data)."""

from __future__ import annotations

from sticktrace.errors import LayoutError
from sticktrace.grammar.layout import Layout, Row


def bits_of(row: Row) -> list[tuple[int, int]]:
    """The (byte, bit) places that a row covers."""
    if row.bits is None:
        return [(row.offset + at, bit) for at in range(row.size) for bit in range(8)]
    high, low = row.bits
    if row.order == "little":
        return [(row.offset + bit // 8, bit % 8) for bit in range(low, high + 1)]
    return [(row.offset + row.size - 1 - bit // 8, bit % 8) for bit in range(low, high + 1)]


def check_cover(layout: Layout, data: bytes) -> None:
    """Rows cover every bit up to where they stop, and none twice; what they call raw is what lies there."""
    account = layout.explain(data)
    places = [place for row in account.rows if not row.heading for place in bits_of(row)]
    assert len(places) == len(set(places)), f"{layout.title}: a bit has two rows"
    every = {(at, bit) for at in range(account.used) for bit in range(8)}
    assert set(places) == every, f"{layout.title}: a bit has no row"
    assert account.used <= len(data)
    for row in account.rows:
        assert row.raw == data[row.offset : row.offset + row.size], (layout.title, row.name)


def check_cut(layout: Layout, data: bytes) -> None:
    """Cut anywhere, data gives at most one fault line, rows for what is there, and values without an exception."""
    for end in range(len(data) + 1):
        account = layout.explain(data[:end])
        assert "\n" not in account.fault
        check_cover(layout, data[:end])
        layout.read(data[:end])


def check_round_trip(layout: Layout, data: bytes) -> None:
    """What parses builds the same bytes again; what does not parse says so in one line."""
    try:
        values = layout.parse(data)
    except LayoutError as error:
        assert "\n" not in str(error)
        return
    built = layout.build(values)
    assert built == data[: len(built)], layout.title
    assert len(built) == layout.explain(data).used, layout.title


def check_everything(layout: Layout, data: bytes) -> None:
    """All of the above."""
    check_cut(layout, data)
    check_round_trip(layout, data)
