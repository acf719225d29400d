"""The map of a logical unit: which blocks were read, written, or failed, and what they are for."""

from __future__ import annotations

from rich.segment import Segment
from textual import events
from textual.binding import Binding
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from sticktrace import Cell, Medium, bytes_in_words, count_of, device_map, extent_of
from sticktrace_tui.cells import Line, fit, strip_of
from sticktrace_tui.model import Model
from sticktrace_tui.palette import CURSOR, MOODS

_HEAD, _FOOT = 3, 4
_SIGNS = {
    "failed": ("X", "bad"), "both": ("#", "head"), "written": ("W", "warn"), "read": ("r", "good"), "": ("·", "quiet"),
}  # fmt: skip


def sign(cell: Cell) -> tuple[str, str]:
    """The sign of a cell and its mood: a failure outweighs all."""
    kind = "failed" if cell.failures else "both" if cell.reads and cell.writes else ""
    return _SIGNS[kind or ("written" if cell.writes else "read" if cell.reads else "")]


class SectorsPage(Widget, can_focus=True):
    """Shows a range of blocks as cells of equal width; the cursor is a cell."""

    DEFAULT_CSS = "SectorsPage { height: 1fr; }"
    BINDINGS = [
        Binding("left,h", "move(-1, 0)", show=False),
        Binding("right,l", "move(1, 0)", show=False),
        Binding("up,k", "move(0, -1)", show=False),
        Binding("down,j", "move(0, 1)", show=False),
        Binding("plus,equals_sign", "zoom(1)", show=False),
        Binding("minus", "zoom(-1)", show=False),
        Binding("enter", "choose", show=False),
    ]

    class Chosen(Message):
        """Enter on a cell: the words that select its exchanges."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    def __init__(self, model: Model, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.media: list[Medium] = []
        self.which = 0
        self.cells: list[Cell] = []
        self.at = 0
        self._ranges: list[tuple[int, int]] = []
        """Ranges (first block, block after the last) from the widest to the one shown."""
        self._label = ""

    # -- what is shown ---------------------------------------------------------------------------------------------

    def rebuild(self) -> None:
        """Take the media as they are now."""
        self.media = [medium for medium in self.model.watchers.media() if len(medium.store)]
        self.which = min(self.which, max(0, len(self.media) - 1))
        if self.media:
            medium = self.media[self.which]
            whole = (0, extent_of(medium))
            touched = medium.store.spans()
            if not self._ranges:
                self._ranges = [whole]
                if touched and touched[-1][1] * 8 < whole[1]:
                    self._ranges.append((0, touched[-1][1]))
            self._ranges[0] = whole
        self._map()

    def _map(self) -> None:
        room = max(1, self.size.width - 2) * max(1, self.size.height - _HEAD - _FOOT)
        self.cells = []
        if self.media and self.size.width > 0:
            first, after = self._ranges[-1]
            with self.model.watchers.lock:
                self.cells = device_map(self.media[self.which], room, first, after)
        self.at = max(0, min(self.at, len(self.cells) - 1))
        self._look()

    def _look(self) -> None:
        """What the cell under the cursor is for."""
        self._label = ""
        if self.cells:
            cell = self.cells[self.at]
            with self.model.watchers.lock:
                self._label = self.media[self.which].label(cell.first, cell.last - cell.first + 1)
        self.refresh()

    def on_resize(self, event: events.Resize) -> None:
        self.rebuild()

    def next_unit(self) -> None:
        """Another logical unit, or another medium in it."""
        if self.media:
            self.which = (self.which + 1) % len(self.media)
            self._ranges, self.at = [], 0
            self.rebuild()

    def render_line(self, y: int) -> Strip:
        width, height = self.size.width, self.size.height
        if not self.cells:
            text = "  no READ or WRITE in this capture so far" if y == 1 else ""
            return strip_of([(text, "quiet")], width)
        if y < _HEAD:
            return strip_of(self._head()[y], width)
        if y >= height - _FOOT:
            return strip_of(self._foot(width)[y - height + _FOOT], width)
        return self._row(y - _HEAD, width)

    def _row(self, row: int, width: int) -> Strip:
        per = max(1, width - 2)
        segments = [Segment(" ", MOODS["plain"])]
        for at in range(row * per, min((row + 1) * per, len(self.cells))):
            text, mood = sign(self.cells[at])
            if at == self.at:
                segments.append(Segment("▣" if text == "·" else text, MOODS["lit"] + CURSOR))
            else:
                segments.append(Segment(text, MOODS[mood]))
        return Strip(segments).adjust_cell_length(width, MOODS["plain"])

    def _head(self) -> list[Line]:
        medium = self.media[self.which]
        store = medium.store
        size = extent_of(medium) * store.block_length
        known = "capacity" if store.last_lba is not None else "touched up to (READ CAPACITY not seen)"
        first, after = self._ranges[-1]
        each = self.cells[0].last - self.cells[0].first + 1
        return [
            [(f" {medium.title}", "head"),
             (f"  {known} {bytes_in_words(size)}; {store.block_length} bytes a block", "plain"),
             (f"  unit {self.which + 1} of {len(self.media)}" if len(self.media) > 1 else "", "quiet")],
            [(f" LBA {first:,}..{after - 1:,}, {count_of(each, 'block')} a cell  ", "quiet"),
             ("r", "good"), (" read  ", "quiet"), ("W", "warn"), (" written  ", "quiet"), ("#", "head"),
             (" both  ", "quiet"), ("X", "bad"), (" failed  ", "quiet"), ("·", "quiet"), (" neither", "quiet")],
            [],
        ]  # fmt: skip

    def _foot(self, width: int) -> list[Line]:
        cell = self.cells[self.at]
        blocks = f"LBA {cell.first}" if cell.first == cell.last else f"LBA {cell.first} to {cell.last}"
        counts = [(cell.reads, "reads"), (cell.writes, "writes"), (cell.failures, "failures")]
        told = ", ".join(f"{count:,} {what}" for count, what in counts if count) or "not touched"
        label = self._label or "what it is for is not known from this capture"
        return [[], [(f" {blocks}: ", "strong"), (told, "plain")], [(fit(f" {label}", width - 1), "place")], []]

    # -- moving ------------------------------------------------------------------------------------------------------

    def action_move(self, across: int, down: int) -> None:
        if self.cells:
            self.at = max(0, min(self.at + across + down * max(1, self.size.width - 2), len(self.cells) - 1))
            self._look()

    def action_zoom(self, step: int) -> None:
        """Eight times closer around the cursor, or back."""
        if not self.cells:
            return
        middle = self.cells[self.at].first
        first, after = self._ranges[-1]
        if step > 0 and after - first > 8:
            span = max(8, (after - first) // 8)
            low = max(first, min(middle - span // 2, after - span))
            self._ranges.append((low, low + span))
        elif step < 0 and len(self._ranges) > 1:
            self._ranges.pop()
        else:
            return
        self.at = 0
        self._map()
        self.at = next((n for n, cell in enumerate(self.cells) if cell.first <= middle <= cell.last), 0)
        self._look()

    def action_choose(self) -> None:
        if self.cells:
            cell, medium = self.cells[self.at], self.media[self.which]
            words = f"lba:{cell.first}..{cell.last} lun:{medium.lun} device:{medium.bus}.{medium.address}"
            self.post_message(self.Chosen(words))
