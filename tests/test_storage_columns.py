"""Columns give back what went into them, one by one or many at once, whatever it is."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sticktrace.storage.columns import Column, Narrow, Plain, Scattered, Streaks

EDGES = (-1, 0, 1, 31, (1 << 32) - 3, (1 << 32) - 2, (1 << 32) - 1, 1 << 32, (1 << 63) - 1, -2, -(1 << 63))
NUMBERS = st.lists(st.lists(st.sampled_from(EDGES), max_size=6), max_size=6)


@pytest.mark.parametrize("make", [Narrow, Streaks, lambda: Plain("q")])
@given(parts=NUMBERS)
def test_what_goes_in_comes_out(make: Callable[[], Column], parts: list[list[int]]) -> None:
    column, expected = make(), []
    for turn, part in enumerate(parts):
        expected += part
        if turn % 2 and part:
            column.extend(np.array(part, np.int64))
        else:
            for value in part:
                column.append(value)
    assert [column[row] for row in range(len(expected))] == expected
    assert column.whole().tolist() == expected


def test_a_number_without_end_counts_as_the_largest() -> None:
    for column, most in ((Plain("H"), 65_535), (Streaks(), (1 << 63) - 1)):
        column.append(1 << 80)
        assert column[0] == most


def test_lists_of_some_rows() -> None:
    lists = Scattered()
    lists.add(2, [7, 8])
    lists.add(5, [])
    lists.add(9, [1])
    assert [lists.of(row) and list(lists.of(row) or ()) for row in (0, 2, 5, 9, 10)] == [
        None,
        [7, 8],
        lists.of(5),
        [1],
        None,
    ]
    assert list(lists.of(5) or ()) == []
