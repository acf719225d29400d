"""The three strips of one item, with byte and field moving together."""

from __future__ import annotations

from rich.segment import Segment
from textual import events
from textual.binding import Binding
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from sticktrace_tui import detail_lines, strips
from sticktrace_tui.cells import Line, strip_of
from sticktrace_tui.detail_lines import Hand
from sticktrace_tui.model import Model
from sticktrace_tui.palette import MOODS

NOTHING_CHOSEN = "   nothing chosen yet: go to the exchanges with 2 and press Enter on one"


class DetailView(Widget, can_focus=True):
    """Shows the strips of an item of the model; `show` chooses it."""

    DEFAULT_CSS = "DetailView { height: 1fr; }"
    BINDINGS = [
        Binding("up,k", "field(-1)", show=False),
        Binding("down,j", "field(1)", show=False),
        Binding("left,h", "byte(-1)", show=False),
        Binding("right,l", "byte(1)", show=False),
        Binding("home", "edge(0)", show=False),
        Binding("end", "edge(1)", show=False),
        Binding("tab", "strip(1)", show=False),
        Binding("shift+tab", "strip(-1)", show=False),
        Binding("pagedown", "page(1)", show=False),
        Binding("pageup", "page(-1)", show=False),
    ]

    class Asked(Message):
        """The reader asked to see the outcome of an item in teaching mode."""

        def __init__(self, code: int) -> None:
            super().__init__()
            self.code = code

    def __init__(self, model: Model, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.code: int | None = None
        self.hand = Hand()
        self.strips: tuple[strips.Strip, ...] = ()
        self._lines: list[Line] = []

    def show(self, code: int, teaching: bool = False) -> None:
        """Show an item, its command strip first; the strip in hand stays when only the item changes."""
        if code != self.code:
            self.hand = Hand(strip=self.hand.strip)
            self.code = code
            self.strips = strips.strips_of(self.model, code)
        self.hand.secret = teaching
        self._enter()

    def forget(self) -> None:
        """Show nothing: what was shown is there no more."""
        self.code, self.strips, self._lines, self.hand = None, (), [], Hand()
        self.refresh()

    def _enter(self) -> None:
        strip = self.strips[self.hand.strip]
        self.hand.row = detail_lines.first_row(strip)
        self.hand.byte = strip.rows[self.hand.row].offset if self.hand.row >= 0 else 0
        self.draw()

    def draw(self) -> None:
        """Make the lines anew."""
        width, height = self.size.width, self.size.height
        if self.strips and width > 0:
            self._lines = detail_lines.lines_of(self.strips, self.hand, width, height)
        self.refresh()

    def on_resize(self, event: events.Resize) -> None:
        self.draw()

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        if y < len(self._lines):
            return strip_of(self._lines[y], width)
        text = NOTHING_CHOSEN if not self.strips and y == 1 else ""
        return Strip([Segment(text.ljust(width), MOODS["quiet"])]).crop(0, width)

    # -- moving --------------------------------------------------------------------------------------------------

    def action_field(self, step: int) -> None:
        if not self.strips:
            return
        strip = self.strips[self.hand.strip]
        if self.hand.row < 0:
            self._to_byte(self.hand.byte + step * 16)
            return
        self.hand.row = detail_lines.step_row(strip, self.hand.row, step)
        self.hand.byte = strip.rows[self.hand.row].offset
        self.draw()

    def action_byte(self, step: int) -> None:
        if self.strips:
            self._to_byte(self.hand.byte + step)

    def action_edge(self, end: int) -> None:
        if self.strips:
            self._to_byte(len(self.strips[self.hand.strip].data) - 1 if end else 0)

    def _to_byte(self, byte: int) -> None:
        strip = self.strips[self.hand.strip]
        if not strip.data:
            return
        self.hand.byte = max(0, min(byte, len(strip.data) - 1))
        self.hand.row = detail_lines.row_at(strip, self.hand.byte, self.hand.row)
        self.draw()

    def action_strip(self, step: int) -> None:
        if self.strips:
            self.hand.strip = (self.hand.strip + step) % len(self.strips)
            self._enter()

    def action_page(self, step: int) -> None:
        """The next page of long data."""
        if not self.strips or self.code is None:
            return
        data = self.strips[1]
        page = max(0, min(data.page + step, data.pages - 1))
        if page != data.page:
            self.strips = strips.strips_of(self.model, self.code, page)
            self.hand.strip = 1
            self._enter()

    def reveal(self, all_of_it: bool = False) -> None:
        """In teaching mode: show the meaning in hand, or all meanings."""
        if not self.strips or self.code is None:
            return
        hand = self.hand
        if all_of_it:
            hand.asked |= {(number, -1) for number in range(len(self.strips))}
        elif hand.strip == 2 or hand.row < 0:
            hand.asked.add((hand.strip, -1))
        else:
            hand.asked.add((hand.strip, hand.row))
        if (2, -1) in hand.asked:
            self.post_message(self.Asked(self.code))
        self.draw()
