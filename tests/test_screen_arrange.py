"""Folding and weaving, without a screen. The rules are the project's own; the traffic is made by the workshop."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sticktrace_tui.arrange import arrange, continues, order_of


def _columns(name: list[int], lba: list[int], status: list[int]) -> dict[str, np.ndarray]:
    count = len(name)
    zeros = np.zeros(count, np.int64)
    return {
        "name": np.array(name), "bus": zeros, "address": zeros, "lun": zeros, "status": np.array(status),
        "sense": zeros - 1, "direction": zeros, "lba": np.array(lba), "blocks": zeros + 1, "expected": zeros + 512,
    }  # fmt: skip


def _arranged(goes_on, attached, after=(), requests=(), **options):
    rows = np.arange(len(goes_on), dtype=np.int64)
    return arrange(
        rows, np.array(goes_on, bool), np.array(attached, np.uint8), np.array(after, np.int64),
        np.array(requests, bool), **options,
    )  # fmt: skip


def test_sequential_reads_go_on_and_a_gap_ends_them() -> None:
    columns = _columns([0] * 5, [10, 11, 12, 20, 21], [0] * 5)
    assert continues(columns, np.zeros(5, np.uint8)).tolist() == [False, True, True, False, True]


def test_another_outcome_ends_a_run() -> None:
    columns = _columns([0] * 4, [5] * 4, [1, 1, 0, 0])
    assert continues(columns, np.zeros(4, np.uint8)).tolist() == [False, True, False, True]


def test_polling_with_request_sense_in_between_is_one_run() -> None:
    """TEST UNIT READY, REQUEST SENSE, TEST UNIT READY, ...: a host's polling (common practice), one line."""
    columns = _columns([0, 1] * 4, [7] * 8, [1, 0] * 4)
    attached = np.array([0, 1] * 4, np.uint8)
    goes_on = continues(columns, attached)
    assert goes_on.tolist() == [False] + [True] * 7
    lines = _arranged(goes_on, attached)
    assert (lines.codes.tolist(), lines.sizes.tolist(), lines.repeats.tolist()) == ([0], [8], [4])


def test_growth_gives_the_same_as_all_at_once() -> None:
    columns = _columns([0, 0, 0, 1, 1, 1], [1, 2, 3, 4, 5, 6], [0] * 6)
    attached = np.zeros(6, np.uint8)
    parts = np.concatenate([continues(columns, attached[:n], n - 1) for n in range(1, 7)])
    assert parts.tolist() == continues(columns, attached).tolist()


def test_two_alike_stay_apart_and_three_fold() -> None:
    lines = _arranged([False, True, False, True, True], [0] * 5)
    assert lines.codes.tolist() == [0, 1, 2]
    assert lines.sizes.tolist() == [1, 1, 3]


def test_opened_fold_shows_every_item() -> None:
    lines = _arranged([False, True, True, True], [0] * 4, opened=frozenset([0]))
    assert lines.codes.tolist() == [0, 1, 2, 3]


def test_requests_are_woven_before_the_exchange_that_follows_and_fold() -> None:
    lines = _arranged([False, False], [0, 0], after=[0, 0, 1, 2], requests=[True, True, False, True])
    assert lines.codes.tolist() == [-1, 0, -3, 1, -4]
    assert lines.sizes.tolist() == [2, 1, 1, 1, 1]


def test_a_request_in_between_ends_a_run_of_exchanges() -> None:
    lines = _arranged([False, True, True, True], [0] * 4, after=[2], requests=[True])
    assert lines.codes.tolist() == [0, 1, -1, 2, 3]


def test_place_is_found_again_inside_a_fold() -> None:
    lines = _arranged([False, False, True, True, True], [0] * 5)
    assert lines.codes.tolist() == [0, 1]
    assert lines.index_of(3, 2 * 3 + 1) == 1


RUNS = st.lists(st.booleans(), min_size=1, max_size=60)
PLACES = st.lists(st.integers(0, 60), max_size=20)


@given(RUNS, PLACES, st.booleans(), st.booleans())
def test_every_item_is_in_one_line(goes_on: list[bool], places: list[int], fold: bool, fold_requests: bool) -> None:
    """Whatever is folded, the lines account for every item once, in order."""
    goes_on[0] = False
    after = sorted(min(place, len(goes_on)) for place in places)
    lines = _arranged(
        goes_on, [0] * len(goes_on), after, [True] * len(after), fold=fold, fold_requests=fold_requests
    )  # fmt: skip
    assert int(lines.sizes.sum()) == len(goes_on) + len(after)
    assert (np.diff(lines.order) >= 0).all()
    assert lines.order.tolist() == order_of(lines.codes, np.array(after, np.int64)).tolist()
    for at, code in enumerate(lines.codes.tolist()):
        assert lines.index_of(code, int(lines.order[at])) == at
