"""Drawings of a whole capture: bring-up as a staircase, the cases that it shows, how long its commands took."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from difflib import get_close_matches
from importlib import import_module
from pkgutil import iter_modules

from sticktrace import grammar
from sticktrace.drawing.case_grid import case_grid
from sticktrace.drawing.ruler import DRAWN, ruler
from sticktrace.drawing.scene import Scene
from sticktrace.drawing.spreads import Kind, spreads
from sticktrace.drawing.staircase import Tread, staircase
from sticktrace.drawing.state_table import state_table
from sticktrace.errors import LayoutError, SticktraceError
from sticktrace.findings.verdict import StickReport, diagnose
from sticktrace.grammar.layout import Layout
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


def layout_scene(layout: Layout, width: int) -> Scene:
    """The ruler of a layout, filled with what it is built from when nothing is given; of one that nothing builds, with
    zeros."""
    try:
        data = layout.build()
    except LayoutError:
        data = b""
    size = sum(row.size or 0 for row in layout.outline() if not row.depth and row.bits is None)
    data = data or bytes(min(max(size, 1), DRAWN))
    return ruler(layout.explain(data), data, width)


def layout_named(title: str, width: int) -> Scene:
    """The ruler of the layout with this title, in any case. Raises SticktraceError with the nearest ones."""
    known = layouts()
    wanted = title.strip().lower()
    if wanted not in known:
        close = get_close_matches(wanted, known, 3, 0.4) or [name for name in known if wanted and wanted in name][:3]
        hint = f"; near it are {', '.join(close)}" if close else ""
        raise SticktraceError(f"{title!r} is the title of no layout{hint}")
    return layout_scene(known[wanted], width)


def layouts() -> dict[str, Layout]:
    """Every layout of the grammar that stands under a name in its module, by its title in small letters."""
    found: dict[str, Layout] = {}
    for module in iter_modules(grammar.__path__, "sticktrace.grammar."):
        for value in vars(import_module(module.name)).values():
            if isinstance(value, Layout):
                found.setdefault(value.title.lower(), value)
    return found
