"""The regions of a medium over time, as `volume --map` draws them: what blocks are for, and what was done to them."""

from __future__ import annotations

import time
from contextlib import nullcontext
from typing import NamedTuple

from rich.segment import Segment
from textual import work
from textual.binding import Binding
from textual.message import Message
from textual.strip import Strip

from sticktrace import Medium, bytes_in_words, count_of, extent_of
from sticktrace.drawing.scene import Label, Mark
from sticktrace.output.volume_drawing import regions_of, zones_shown
from sticktrace_tui.cells import Line
from sticktrace_tui.drawn import lines_of
from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, Goal, TextPage
from sticktrace_tui.palette import CURSOR, MOODS

Blocks = tuple[int, int]
"""The first and the last of some blocks."""

_WINDOW = 16
"""Blocks of a range in which each has a row of its own."""

_REST = 8
"""While a capture is still read, what comes is left for so many times as long as the page took to make."""


class Row(NamedTuple):
    """A region on the page: its name and blocks, and its marks from left to right."""

    name: str
    blocks: Blocks
    marks: tuple[Mark, ...]


Made = tuple[int, int, int, Blocks | None]
"""What the lines depend on: exchanges, unit, width, zoom."""


class SectorsPage(TextPage):
    """Each region is a line; the cursor is on a region, or on one of its marks. Every command on the medium counts, so
    the lines are made in a thread of their own."""

    BINDINGS = [
        Binding("left,h", "mark(-1)", show=False),
        Binding("right,l", "mark(1)", show=False),
        Binding("plus,equals_sign", "zoom(1)", show=False),
        Binding("minus", "zoom(-1)", show=False),
    ]

    class Ready(Message):
        """The lines are made, the regions among them by line."""

        def __init__(self, entries: list[Entry], rows: dict[int, Row], took: float) -> None:
            super().__init__()
            self.entries, self.rows, self.took = entries, rows, took

    class Looked(Message):
        """The cursor is on another region or mark: what there is to say of it."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    def __init__(self, model: Model, id: str | None = None) -> None:
        super().__init__(lambda width: self._lines, id)
        self.model = model
        self.media: list[Medium] = []
        self.which = 0
        self.zooms: list[Blocks] = []
        """Ranges from the widest to the one shown; none is the whole medium."""
        self.rows: dict[int, Row] = {}
        """The regions by their lines."""
        self.mark = -1
        """The mark of the row that the cursor is on, -1 for the row itself."""
        self._lines = [Entry([]), Entry([("looking at every command…", "quiet")])]
        self._made: Made | None = None
        self._making = False
        self._resting = False

    # -- making the lines --------------------------------------------------------------------------------------------

    def rebuild(self) -> None:
        """Make the lines anew if there is anything new."""
        if not self._making:
            self._look_again()
        super().rebuild()

    def _look_again(self) -> None:
        size = self._made[0] if self._resting and self._made is not None else len(self.model)
        made = size, self.which, self.scrollable_content_region.width, self.zooms[-1] if self.zooms else None
        if made[2] <= 0 or made == self._made:
            return
        if self._made is None or made[0] != self._made[0]:
            self.media = [medium for medium in self.model.watchers.media() if len(medium.store)]
        self._made = made
        if self.media:
            self._making = True
            self._make(self.media[self.which], made[2] - 2, made[3])
        else:
            self._lines = [Entry([]), Entry([("  no READ or WRITE in this capture so far", "quiet")])]

    @work(thread=True, group="sectors")
    def _make(self, medium: Medium, width: int, zoom: Blocks | None) -> None:
        start = time.monotonic()
        entries, rows = build(self.model, medium, width, zoom)
        self.post_message(self.Ready(entries, rows, time.monotonic() - start))

    def on_sectors_page_ready(self, message: Ready) -> None:
        self._making, self._resting = False, self.model.busy
        if self._resting:
            self.set_timer(_REST * message.took, self._rested)
        self._lines, self.rows, self.mark = message.entries, message.rows, -1
        self.rebuild()

    def _rested(self) -> None:
        self._resting = False
        self.rebuild()

    # -- what is under the cursor --------------------------------------------------------------------------------------

    @property
    def row(self) -> Row | None:
        """The region under the cursor."""
        return self.rows.get(self.at)

    def render_line(self, y: int) -> Strip:
        strip = super().render_line(y)
        row = self.row
        if row is None or self.mark < 0 or y + self.scroll_offset.y != self.at:
            return strip
        x = row.marks[self.mark].x + 1
        lit = Segment(strip.crop(x, x + 1).text, MOODS["lit"] + CURSOR)
        return Strip.join([strip.crop(0, x), Strip([lit]), strip.crop(x + 1)])

    def move_to(self, at: int) -> None:
        if at != self.at:
            self.mark = -1
        super().move_to(at)
        self._say()

    def _say(self) -> None:
        if (row := self.row) is None:
            return
        first, last = row.blocks
        where = f"LBA {first:,}" if first == last else f"LBA {first:,} to {last:,}"
        what = row.marks[self.mark].hint if self.mark >= 0 else count_of(len(row.marks), "mark")
        self.post_message(self.Looked(f"{row.name}, {where}: {what}"))

    # -- keys ----------------------------------------------------------------------------------------------------------

    def next_unit(self) -> None:
        """Another logical unit, or another medium in it."""
        if self.media:
            self.which = (self.which + 1) % len(self.media)
            self.zooms, self.at = [], 0
            self.rebuild()

    def action_mark(self, step: int) -> None:
        """To the next mark of the region; before the first of them is the region itself."""
        if (row := self.row) is not None:
            self.mark = max(-1, min(self.mark + step, len(row.marks) - 1))
            self.refresh()
            self._say()

    def action_zoom(self, step: int) -> None:
        """Closer to the region under the cursor, down to one block, or back."""
        row = self.row
        if step < 0 and self.zooms:
            self.zooms.pop()
        elif step > 0 and row is not None and not self._making and (closer := self._closer(row.blocks)) is not None:
            self.zooms.append(closer)
        else:
            return
        self.at = 0
        self.rebuild()

    def _closer(self, blocks: Blocks) -> Blocks | None:
        shown = self.zooms[-1] if self.zooms else None
        if blocks != shown:
            return blocks
        first, last = blocks
        return (first, first + _WINDOW - 1) if last - first >= _WINDOW else None

    def action_move(self, step: int) -> None:
        """To the next region; behind the last of a range to the blocks touched beyond it."""
        ends = self.row is not None and self._stop_from(self.at + step, step) is None
        beyond = self._beyond(step) if ends and self.zooms and not self._making else None
        if beyond is None:
            super().action_move(step)
            return
        self.zooms[-1] = beyond
        self.at = 0
        self.rebuild()

    def _beyond(self, step: int) -> Blocks | None:
        """As many blocks as are shown, from the nearest touched one beyond them."""
        first, last = self.zooms[-1]
        size = last - first + 1
        spans = self.media[self.which].store.spans()
        if step > 0:
            low = min((max(begin, last + 1) for begin, after in spans if after > last + 1), default=-1)
            return (low, low + size - 1) if low >= 0 else None
        high = max((min(after, first) - 1 for begin, after in spans if begin < first), default=-1)
        return (max(0, high - size + 1), high) if high >= 0 else None

    def action_open(self) -> None:
        """The exchange of the mark, or all those of the region."""
        row = self.row
        if row is not None and self.mark >= 0:
            code = self.model.row_of(row.marks[self.mark].key)
            if code is not None:
                self.post_message(self.Follow(Goal(code)))
                return
        super().action_open()


def build(model: Model, medium: Medium, width: int, zoom: Blocks | None) -> tuple[list[Entry], dict[int, Row]]:
    """The lines of the page for one medium, and the regions among them by line."""
    times = model.columns("time_ns")["time_ns"].tolist()
    with model.watchers.lock if model.busy else nullcontext():  # nobody writes any more: no other page need wait
        head, zones = _head(medium), zones_shown(medium, zoom)
    timed = model.reading is not None and model.reading.reader.timed
    scene = regions_of(medium, times, width, zoom, timed, zones)
    names = {shape.key: shape.y for shape in scene.shapes if isinstance(shape, Label) and shape.mood == "strong"}
    marks: dict[int, list[Mark]] = {y: [] for y in names.values()}
    for shape in scene.shapes:
        if isinstance(shape, Mark) and shape.y in marks:
            marks[shape.y].append(shape)
    rows = {
        names[at] + 1: Row(zone.name, (zone.first, zone.last), tuple(sorted(marks[names[at]], key=lambda mark: mark.x)))
        for at, zone in enumerate(zones)
    }
    unit = f"lun:{medium.lun} device:{medium.bus}.{medium.address}"
    goals = {y: Goal(words=f"lba:{row.blocks[0]}..{row.blocks[1]} {unit}") for y, row in rows.items()}
    lines = [head, *lines_of(scene)]
    return [Entry(line, goals.get(y)) for y, line in enumerate(lines)], rows


def _head(medium: Medium) -> Line:
    """How large the medium is."""
    store = medium.store
    known = "capacity" if store.last_lba is not None else "touched up to (READ CAPACITY not seen)"
    size = bytes_in_words(extent_of(medium) * store.block_length)
    return [(f"{known} {size}; {store.block_length} bytes a block", "quiet")]
