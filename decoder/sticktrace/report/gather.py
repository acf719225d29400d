"""All that a report tells, from the same code as the terminal and the JSON lines."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sticktrace.drawing.as_svg import svg
from sticktrace.drawing.scene import Scene
from sticktrace.duties.auditing import audit
from sticktrace.findings.catalogue import RULES
from sticktrace.findings.scene import Scene as Findings
from sticktrace.findings.verdict import Diagnosis, conclude
from sticktrace.output import pictures
from sticktrace.output.audit_text import audit_text
from sticktrace.output.cable_drawing import cable_of
from sticktrace.output.device_text import card_lines
from sticktrace.output.exchange_drawing import Extent, exchange_scene
from sticktrace.output.listing import line_of
from sticktrace.output.sectors import Blocks
from sticktrace.output.volume_drawing import regions_of
from sticktrace.output.volume_text import change_lines, medium_lines
from sticktrace.report.rows import Rows
from sticktrace.session import Capture
from sticktrace.transport.items import PASSED, Exchange

WIDE = 96
"""Cells across of a drawing on the page."""
MOST_RULERS = 60
"""Exchanges whose bytes are drawn: those that findings rest on, those that did not pass, the first of each command."""
_ALL = Extent(0, False)


@dataclass
class Told:
    """What the page says. Drawings are SVG by their name; ``rulers`` are by exchange number."""

    name: str
    form: str
    records: int
    span_ns: int
    diagnosis: Diagnosis
    rows: Rows
    cards: list[list[str]]
    notes: list[str]
    drawings: dict[str, list[str]] = field(default_factory=dict)
    rulers: dict[int, str] = field(default_factory=dict)
    around: list[Any] = field(default_factory=list)
    volumes: list[list[str]] = field(default_factory=list)
    score: list[str] = field(default_factory=list)


def gather(capture: Capture, *, short: bool = False) -> Told:
    """Read a capture as often as needed. ``short`` leaves out what a short page does not show."""
    reading = capture.reading()
    scene, rows, times = Findings(reading, RULES), Rows(), array("q")
    wanted = _Wanted()
    for item in reading:
        scene.see(item)
        if isinstance(item, Exchange):
            rows.add(item, scene.ledger.label)
            times.append(item.time_ns)
            wanted.see(item)
    diagnosis = conclude(scene)
    sticks = scene.ledger.sticks.in_order()
    timed = reading.reader.timed
    told = Told(
        capture.name, reading.reader.form, reading.reader.records, reading.reader.last_ns, diagnosis, rows,
        [list(card_lines(stick)) for stick in sticks], [*reading.assumed, *map(str, reading.damage)],
    )  # fmt: skip
    numbers = wanted.of(diagnosis)
    told.around = _around(capture, diagnosis)
    told.drawings["cable"] = [_svg(cable_of(sticks, WIDE, timed), "cable")] if sticks else []
    told.drawings["staircase"] = [
        _svg(pictures.staircase_of(report, WIDE, timed), f"staircase-{number}")
        for number, report in enumerate(diagnosis.reports)
    ]
    if short:
        return told
    media = scene.ledger.tracker.media
    told.drawings["regions"] = [
        _svg(regions_of(medium, times, WIDE, None, timed), f"regions-{number}") for number, medium in enumerate(media)
    ]
    told.drawings["spreads"] = [_svg(s, f"spreads-{n}") for n, s in enumerate(pictures.spreads_of(capture, WIDE))]
    told.drawings["cases"] = [_svg(pictures.cases_of(capture, WIDE), "cases")]
    told.volumes = [[*medium_lines(medium), "", *change_lines(medium)] for medium in media]
    told.score = list(audit_text(audit([capture])))
    told.rulers = dict(_rulers(capture, numbers, timed))
    return told


class _Wanted:
    """The exchanges whose bytes are worth drawing."""

    def __init__(self) -> None:
        self._first: dict[str, int] = {}
        self._failed: list[int] = []

    def see(self, exchange: Exchange) -> None:
        """Take in an exchange."""
        self._first.setdefault(exchange.command, exchange.number)
        if exchange.status is not PASSED and len(self._failed) < MOST_RULERS:
            self._failed.append(exchange.number)

    def of(self, diagnosis: Diagnosis) -> set[int]:
        """Those that findings rest on come first."""
        named = [number for finding in diagnosis.findings for number in finding.exchanges]
        return set([*named, *self._failed, *self._first.values()][:MOST_RULERS])


def _rulers(capture: Capture, numbers: set[int], timed: bool) -> Iterator[tuple[int, str]]:
    if not numbers:
        return
    reading = capture.reading(in_blocks=False)
    blocks = Blocks(reading)
    for number in sorted(numbers):
        found, _ = blocks.seek(reading, number)
        if found is None:
            return
        yield number, _svg(exchange_scene(found, reading.read, WIDE, _ALL, blocks.explain, timed), f"bytes-{number}")


def _around(capture: Capture, diagnosis: Diagnosis) -> list[Any]:
    """The lines of the exchanges around the first failure that the answer tells of, or the last ones."""
    main = diagnosis.answer.main
    numbers = main.exchanges if main is not None else ()
    if not numbers:
        return []
    first = numbers[0]
    near = (item for item in capture.exchanges() if first - 4 <= item.number)
    lines = []
    for item in near:
        if item.number > first + 4:
            break
        lines.append(line_of(item))
    return lines


def _svg(scene: Scene, ident: str) -> str:
    return svg(scene, ident, with_style=False)
