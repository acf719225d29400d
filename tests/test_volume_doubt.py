"""Since when blocks are in doubt: against a medium of a few blocks on which every block is followed by itself."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from sticktrace.volume.doubt import in_doubt
from sticktrace.volume.extent_log import READ, UNSHOWN, WITHOUT_EFFECT, WRITE, WRITE_LOST
from sticktrace.volume.store import SectorStore

BLOCKS = 24


def store_of(extents: list[tuple[int, int, int]]) -> Any:
    """A store whose extents are these (first block, blocks, kind), each from an exchange of its own."""
    store = SectorStore(lambda piece: b"")
    store.block_length = 512
    for number, (lba, blocks, kind) in enumerate(extents, 1):
        store._keep(lba, blocks, number, kind)
    return store


def block_by_block(extents: list[tuple[int, int, int]]) -> list[int]:
    """For each block the exchange since which it is in doubt, 0 where it is not: the definition."""
    since = [0] * BLOCKS
    for number, (lba, blocks, kind) in enumerate(extents, 1):
        for block in range(lba, lba + blocks):
            if kind in (WRITE_LOST, UNSHOWN):
                since[block] = since[block] or number
            elif kind in (READ, WRITE):
                since[block] = 0
    return since


extents = st.lists(
    st.tuples(
        st.integers(0, BLOCKS - 1), st.integers(1, BLOCKS),
        st.sampled_from((READ, WRITE, WITHOUT_EFFECT, WRITE_LOST, UNSHOWN)),
    ).map(lambda row: (row[0], min(row[1], BLOCKS - row[0]), row[2])),
    max_size=40,
)  # fmt: skip


@given(extents, st.integers(0, 40))
def test_ranges_say_what_each_block_says(rows: list[tuple[int, int, int]], as_of: int) -> None:
    for limit in (None, as_of):
        wanted = block_by_block(rows if limit is None else rows[:limit])
        found = [0] * BLOCKS
        ranges = in_doubt(store_of(rows), limit)
        for first, after, since in ranges:
            assert not any(found[first:after]), "no block twice"
            found[first:after] = [since] * (after - first)
        assert found == wanted
        assert all(a[1] < b[0] or a[2] != b[2] for a, b in pairwise(ranges)), "neighbours are one"
