"""Drawings of a whole capture: bring-up as a staircase, the cases that it shows, how long its commands took."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from sticktrace.drawing.case_grid import case_grid
from sticktrace.drawing.scene import Scene
from sticktrace.drawing.spreads import Kind, spreads
from sticktrace.drawing.staircase import Tread, staircase
from sticktrace.drawing.state_table import state_table
from sticktrace.findings.verdict import StickReport, diagnose
from sticktrace.session import Capture
from sticktrace.timing.measure import StickTiming, time_of
from sticktrace.transport.bot_table import TABLE
from sticktrace.transport.items import Exchange


def staircase_of(report: StickReport, width: int, timed: bool = True) -> Scene:
    """How far one stick came."""
    treads = [
        Tread(str(rung.stage), str(rung.state), rung.time_ns if timed else -1, rung.text) for rung in report.rungs
    ]  # fmt: skip
    return staircase(treads, width, f"Bring-up of {report.title}")


def staircases_of(capture: Capture, width: int) -> Iterator[Scene]:
    """One staircase for each stick of a capture."""
    reading = capture.reading()
    for report in diagnose(reading).reports:
        yield staircase_of(report, width, reading.reader.timed)


def cases_of(capture: Capture, width: int) -> Scene:
    """The thirteen cases, those of this capture counted."""
    items = (item for item in capture.reading() if isinstance(item, Exchange))
    seen = Counter(item.case for item in items if item.case is not None)
    return case_grid(seen, width)


def spread_of(timing: StickTiming, width: int) -> Scene | None:
    """How long the commands of one stick took; None without a command."""
    kinds = []
    for kind in timing.kinds.values():
        spread = kind.spreads["whole"]
        facts = spread.facts()
        if facts is not None:
            kinds.append(Kind(kind.name, spread.values, facts["p50"], facts["p90"], facts["max"]))
    return spreads(kinds, width, f"How long the commands of {timing.stick.named_place} took") if kinds else None


def spreads_of(capture: Capture, width: int) -> Iterator[Scene]:
    """One drawing for each stick of a capture that took commands."""
    for part in time_of(capture.reading()).parts:
        scene = spread_of(part, width)
        if scene is not None:
            yield scene


def states(width: int) -> Scene:
    """The state table of Bulk-Only Transport, as the code has it."""
    return state_table(TABLE, width)
