"""What must hold for every layout, whatever it lays out (rows cover every bit once, round trips, cut data)."""

from __future__ import annotations

from sticktrace.errors import LayoutError
from sticktrace.grammar.layout import Layout, Row


def bits_of(row: Row) -> int:
    """The bits that a row covers, as a number in which bit 8 n + m stands for bit m of byte n."""
    high, low = row.bits or (8 * row.size - 1, 0)
    covered = (1 << high + 1) - (1 << low) if row.size else 0
    if row.bits is not None and row.order != "little":
        covered = int.from_bytes(covered.to_bytes(row.size, "big"), "little")
    return covered << 8 * row.offset


def check_cover(layout: Layout, data: bytes) -> None:
    """Rows cover every bit up to where they stop, and none twice; what they call raw is what lies there."""
    account = layout.explain(data)
    covered = 0
    for row in account.rows:
        if not row.heading:
            assert not covered & bits_of(row), f"{layout.title}: a bit has two rows"
            covered |= bits_of(row)
    assert covered == (1 << 8 * account.used) - 1, f"{layout.title}: a bit has no row"
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
