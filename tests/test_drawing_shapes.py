"""Every drawing but the ruler, over facts of all kinds and sizes: nothing overlaps, nothing is outside."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import geometry
from sticktrace.drawing.as_text import text_lines
from sticktrace.drawing.axis import Axis
from sticktrace.drawing.cable import Box, Leg, cable
from sticktrace.drawing.case_grid import case_grid
from sticktrace.drawing.chain import Part, Run, chain
from sticktrace.drawing.phases import Phase, strips
from sticktrace.drawing.regions import FAILED, READ, WRITE, Region, Touch, regions
from sticktrace.drawing.scene import Bar, Mark, Scene
from sticktrace.drawing.spreads import Kind, spreads
from sticktrace.drawing.staircase import FAILED as STAGE_FAILED
from sticktrace.drawing.staircase import NOT_SEEN, REACHED, Tread, staircase
from sticktrace.drawing.state_table import state_table
from sticktrace.drawing.time_ladder import BOTH, IN, LOST, OUT, Step, time_ladder
from sticktrace.sticks.stages import Stage
from sticktrace.transport.bot_table import TABLE

WIDTHS = st.integers(60, 160)
TEXT = st.text(alphabet="abcdefgh 漢µ<&>\"'", min_size=0, max_size=60)
NS = st.integers(0, 10**10)
MANY = settings(max_examples=30, deadline=None)


def text(scene: Scene) -> list[str]:
    return list(text_lines(scene))


@MANY
@given(WIDTHS, NS, st.lists(st.tuples(NS, TEXT), min_size=1, max_size=4))
def test_strips(width: int, start: int, parts: list[tuple[int, str]]) -> None:
    phases, at = [], start
    for name, (took, words) in zip(("command", "data", "status", "more"), parts, strict=False):
        phases.append(Phase(name, at, at + took, words))
        at += took
    geometry.check(strips(phases, width, "An exchange"))


def test_strips_are_as_long_as_they_took() -> None:
    scene = strips([Phase("command", 0, 100), Phase("data", 100, 900), Phase("status", 900, 1000)], 109)
    bars = [shape for shape in scene.shapes if isinstance(shape, Bar)]
    assert [round(bar.w) for bar in bars] == [10, 80, 10] and [round(bar.x) for bar in bars] == [9, 19, 99]
    assert "times" not in "".join(text(strips([Phase("command", 0, -1, "31 bytes")], 80)))


@MANY
@given(WIDTHS, st.lists(st.tuples(st.integers(-1, 10**9), st.sampled_from((OUT, IN, BOTH, LOST)), TEXT), max_size=90))
def test_time_ladder(width: int, steps: list[tuple[int, str, str]]) -> None:
    geometry.check(time_ladder([Step(*step) for step in sorted(steps)], width))


def test_a_ladder_is_drawn_to_time() -> None:
    """A gap ten times as long takes about ten times the lines beyond the one that each step needs."""
    lines = text(time_ladder([Step(0, OUT, "CBW"), Step(10**6, IN, "data"), Step(11 * 10**6, IN, "CSW")], 60))
    rows = [next(n for n, line in enumerate(lines) if word in line) for word in ("CBW", "data", "CSW")]
    assert rows[2] - rows[1] - 1 == pytest.approx(10 * (rows[1] - rows[0] - 1), abs=10)
    assert "+11.00 ms" in lines[rows[2]] and "◀" in lines[rows[2]] and "▶" in lines[rows[0]]


@MANY
@given(WIDTHS, st.lists(st.tuples(st.sampled_from((REACHED, STAGE_FAILED, NOT_SEEN)), NS, TEXT), max_size=11))
def test_staircase(width: int, states: list[tuple[str, int, str]]) -> None:
    treads = [Tread(stage, *state) for stage, state in zip(Stage, states, strict=False)]
    scene = staircase(treads, width)
    geometry.check(scene)
    marks = [shape for shape in scene.shapes if isinstance(shape, Mark)]
    assert [mark.key for mark in marks] == list(range(len(treads)))
    assert sorted(marks, key=lambda mark: -mark.y) == marks, "each step is higher than the one before"


@MANY
@given(WIDTHS, st.dictionaries(st.integers(1, 13), st.integers(0, 10**7)))
def test_case_grid(width: int, seen: dict[int, int]) -> None:
    scene = case_grid(seen, width)
    geometry.check(scene)
    done = {shape.key for shape in scene.shapes if isinstance(shape, Mark) and shape.kind == "done"} - {-1}
    assert done == {case for case, count in seen.items() if count}


@pytest.mark.parametrize("width", (60, 80, 120))
def test_state_table(width: int) -> None:
    """Every row of the table in the code is there."""
    scene = state_table(TABLE, width)
    geometry.check(scene)
    lines = " ".join(text(scene))
    for (state, signal), (action, _) in TABLE.items():
        assert state in lines and signal.split()[0] in lines and action.replace("_", " ") in lines


def box(random: Random, depth: int) -> Box:
    """A box with up to two legs, which have boxes in their turn."""
    words = ("hub", "TIDE LOGGER with a long name", "漢字", "1209:0001", "x" * 40)
    lines = tuple(random.choice(words) for _ in range(random.randint(1, 3)))
    broken = ("", "", "over-current")
    legs = [
        Leg(box(random, depth - 1), random.choice(words), (random.choice(words),), random.choice(broken))
        for _ in range(random.randint(0, 2) if depth else 0)
    ]
    return Box(lines, tuple(legs))


@settings(max_examples=40, deadline=None)
@given(WIDTHS, st.integers(0, 5), st.integers(0, 10**6))
def test_cable(width: int, depth: int, seed: int) -> None:
    geometry.check(cable([box(Random(seed), depth)], width))


@pytest.mark.parametrize("width", (60, 80, 120))
@pytest.mark.parametrize("hubs", range(6))
def test_a_way_through_as_many_hubs_as_there_may_be(hubs: int, width: int) -> None:
    """Five hubs in a row are the most that USB allows (USB 2.0 4.1.1: seven tiers, root and device too)."""
    end = Box(("TIDE LOGGER", "1209:0001"), key=0)
    for number in range(hubs):
        end = Box((f"hub {number}",), (Leg(end, f"port {number + 1}", ("high speed", "500 mA")),), number + 1)
    scene = cable([Box(("host",), (Leg(end, "root port", ("high speed",)),))], width)
    geometry.check(scene)
    assert all(f"hub {number}" in " ".join(text(scene)) for number in range(hubs))


def test_a_cable_that_broke() -> None:
    stick = Box(("TIDE LOGGER", "1209:0001"), key=1)
    hub = Box(("hub", "4 ports"), (Leg(stick, "port 3", ("full speed", "100 mA"), "over-current"),))
    lines = text(cable([Box(("host",), (Leg(hub, "port 1", ("high speed",)),))], 80))
    assert any("╳" in line for line in lines) and any("over-current" in line for line in lines)
    (names,) = [line for line in lines if "TIDE LOGGER" in line]
    assert names.index("host") < names.index("hub") < names.index("TIDE")


@MANY
@given(WIDTHS, st.lists(st.tuples(TEXT, st.integers(0, 1 << 40)), min_size=1, max_size=12), st.data())
def test_regions(width: int, rows: list[tuple[str, int]], data: st.DataObject) -> None:
    touch = st.builds(Touch, NS, st.integers(0, len(rows) - 1), st.integers(1, 7), st.integers(1, 10**6))
    touches = data.draw(st.lists(touch, max_size=60))
    geometry.check(regions([Region(name, first, first + 7) for name, first in rows], touches, width))


def test_where_the_marks_of_regions_stand() -> None:
    rows = [Region("FAT 1", 1, 8), Region("/A.TXT", 40, 47)]
    touches = [
        Touch(0, 0, READ, 1),
        Touch(500, 1, WRITE, 2),
        Touch(1000, 1, WRITE | FAILED, 3),
        Touch(1000, 0, READ, 4),
    ]
    lines = text(regions(rows, touches, 80))
    fat, file = ([line for line in lines if name in line] for name in ("FAT 1", "/A.TXT"))
    assert fat[0].rstrip()[-1] == "▽" and file[0].rstrip()[-1] == "✗"
    assert file[0].index("▲") == pytest.approx((fat[0].index("▽") + len(fat[0])) / 2, abs=1)


@MANY
@given(
    WIDTHS,
    st.lists(st.tuples(st.integers(2, 5000), st.integers(1, 300), st.integers(0, 10**9)), max_size=40),
    st.lists(TEXT.filter(str.strip), min_size=1, max_size=6),
)
def test_chain(width: int, runs: list[tuple[int, int, int]], names: list[str]) -> None:
    parts = [Part(name, 10 * at, 10 * at + 9) for at, name in enumerate(names)]
    geometry.check(chain(parts, [Run(*run) for run in runs], "first cluster 5", "end of chain", width, "/A.TXT", 5000))


@MANY
@given(WIDTHS, st.lists(st.tuples(TEXT, st.lists(st.integers(0, 10**13), min_size=1, max_size=30)), max_size=6))
def test_spreads(width: int, kinds: list[tuple[str, list[int]]]) -> None:
    found = [Kind(n, v, sorted(v)[len(v) // 2], sorted(v)[len(v) * 9 // 10], max(v)) for n, v in kinds]
    geometry.check(spreads(found, width))


def test_spreads_show_more_than_one_bar() -> None:
    values = np.random.default_rng(7).lognormal(13, 0.6, 2000).astype(np.int64)
    scene = spreads(
        [Kind("READ(10)", values, int(np.median(values)), int(np.quantile(values, 0.9)), int(values.max()))], 80
    )
    assert sum(isinstance(shape, Bar) for shape in scene.shapes) > 15


def test_a_logarithmic_axis() -> None:
    axis = Axis(1e3, 1e9, 10, 60, log=True)
    assert [round(axis.at(value)) for value in axis.ticks()] == [10, 20, 30, 40, 50, 60, 70]
