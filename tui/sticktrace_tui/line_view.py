"""A view of lines of any number: text is made only for the lines on the screen, and kept for a while."""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding
from textual.cache import LRUCache
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from sticktrace_tui.cells import Line, strip_of
from sticktrace_tui.palette import CURSOR, MOODS


class LineView(ScrollView, can_focus=True):
    """Base of the views that are lines: give `count`, `line` and what a line is known by (`key`).

    The line under the cursor is brightened and carries the sign ▶ in its first cell.
    """

    DEFAULT_CSS = "LineView { height: 1fr; scrollbar-size-vertical: 1; overflow-x: hidden; overflow-y: scroll; }"
    BINDINGS = [
        Binding("up,k", "move(-1)", show=False),
        Binding("down,j", "move(1)", show=False),
        Binding("pageup", "page(-1)", show=False),
        Binding("pagedown", "page(1)", show=False),
        Binding("home,g", "edge(0)", show=False),
        Binding("end,G", "edge(1)", show=False),
        Binding("enter", "open", show=False),
    ]

    class Moved(Message):
        """The cursor is on another line."""

    class Opened(Message):
        """Enter, or a click on the line under the cursor."""

        def __init__(self, at: int) -> None:
            super().__init__()
            self.at = at

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)
        self.at = 0
        self.made = 0
        """How many lines were turned into text so far, for tests of what is left undone."""
        self._cache: LRUCache[object, Strip] = LRUCache(1024)

    # -- what a subclass gives ---------------------------------------------------------------------------------

    def count(self) -> int:
        """How many lines there are."""
        raise NotImplementedError

    def line(self, at: int, width: int) -> Line:
        """One line; its first cell is left for the cursor."""
        raise NotImplementedError

    def key(self, at: int) -> object:
        """What the text of a line depends on besides the width."""
        return at

    def stops(self, at: int) -> bool:
        """Whether the cursor may rest on a line."""
        return True

    # -- drawing ---------------------------------------------------------------------------------------------

    def renew(self) -> None:
        """The lines changed: forget the kept text, keep the cursor within bounds."""
        self._cache.clear()
        self.resize_lines()

    def resize_lines(self) -> None:
        """The number of lines changed."""
        if self.virtual_size.height != self.count():
            self.virtual_size = Size(0, self.count())
        self.at = max(0, min(self.at, self.count() - 1))
        self.reveal()
        self.refresh()

    def render_line(self, y: int) -> Strip:
        width = self.scrollable_content_region.width
        at = y + self.scroll_offset.y
        if at >= self.count():
            return Strip([Segment(" " * width, MOODS["plain"])])
        key = (self.key(at), width)
        strip = self._cache.get(key)
        if strip is None:
            self.made += 1
            strip = strip_of(self.line(at, width), width)
            self._cache[key] = strip
        return _under_cursor(strip, width) if at == self.at and self.stops(at) else strip

    def reveal(self) -> None:
        """Scroll as little as brings the cursor into view."""
        height = self.scrollable_content_region.height
        if height <= 0:
            return
        top = self.scroll_offset.y
        if self.at < top:
            self.scroll_to(y=self.at, animate=False, force=True)
        elif self.at >= top + height:
            self.scroll_to(y=self.at - height + 1, animate=False, force=True)

    def on_resize(self, event: events.Resize) -> None:
        self.resize_lines()

    # -- moving ----------------------------------------------------------------------------------------------

    def move_to(self, at: int) -> None:
        """Put the cursor on a line, if it may rest there."""
        if not (0 <= at < self.count() and self.stops(at)):
            return
        old, self.at = self.at, at
        self.reveal()
        width = self.scrollable_content_region.width
        for y in (old, at):
            self.refresh(Region(0, y - self.scroll_offset.y, width, 1))
        if old != at:
            self.post_message(self.Moved())

    def _stop_from(self, at: int, step: int) -> int | None:
        """The first line from ``at`` on, in a direction, where the cursor may rest."""
        while 0 <= at < self.count():
            if self.stops(at):
                return at
            at += step
        return None

    def action_move(self, step: int) -> None:
        """To the next place where the cursor may rest; where that is out of sight, scroll towards it by one line."""
        top, height = self.scroll_offset.y, self.scrollable_content_region.height
        seen = top <= self.at < top + height
        start = self.at + step if seen else top if step > 0 else min(top + height, self.count()) - 1
        found = self._stop_from(start, step)
        if found is not None and top - 1 <= found <= top + height:
            self.move_to(found)
        else:
            self.scroll_relative(y=step, animate=False, force=True)

    def action_page(self, step: int) -> None:
        """A screen further; the cursor comes along as far as it may rest there."""
        height = max(1, self.scrollable_content_region.height - 1)
        goal = max(0, min(self.at + step * height, self.count() - 1))
        found = self._stop_from(goal, -step)
        if found is not None and abs(goal - found) < height and found != self.at:
            self.move_to(found)
        else:
            self.scroll_relative(y=step * height, animate=False, force=True)

    def action_edge(self, end: int) -> None:
        """To the first or the last line."""
        found = self._stop_from(self.count() - 1 if end else 0, -1 if end else 1)
        if found is not None:
            self.move_to(found)
        self.scroll_to(y=self.count() if end else 0, animate=False, force=True)

    def action_open(self) -> None:
        if self.count():
            self.post_message(self.Opened(self.at))

    def on_click(self, event: events.Click) -> None:
        at = event.y + self.scroll_offset.y
        if at >= self.count():
            return
        if at == self.at or event.chain > 1:
            self.action_open()
        else:
            self.move_to(at)


def _under_cursor(strip: Strip, width: int) -> Strip:
    lit = [Segment(segment.text, (segment.style or Style.null()) + CURSOR) for segment in strip.crop(1, width)]
    return Strip([Segment("▶", MOODS["head"] + CURSOR), *lit])
