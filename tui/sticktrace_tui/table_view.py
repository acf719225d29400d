"""The exchange table: the lines of a `View`."""

from __future__ import annotations

from rich.segment import Segment
from textual.strip import Strip
from textual.widget import Widget

from sticktrace_tui import rows
from sticktrace_tui.cells import Line, strip_of
from sticktrace_tui.line_view import LineView
from sticktrace_tui.marks import Marks
from sticktrace_tui.palette import BAND_KEY
from sticktrace_tui.view import View


class TableView(LineView):
    """Shows a view; its cursor is the view's."""

    def __init__(self, view: View, marks: Marks, id: str | None = None) -> None:
        super().__init__(id)
        self.view, self.marks = view, marks
        self.teaching = False
        self.revealed: set[int] = set()

    def count(self) -> int:
        return len(self.view)

    def hidden(self, code: int) -> bool:
        """Whether the outcome of an item is kept back until asked for."""
        return self.teaching and code >= 0 and code not in self.revealed

    def key(self, at: int) -> object:
        lines = self.view.lines
        code = int(lines.codes[at])
        return code, int(lines.sizes[at]), self.marks.sign(code), self.hidden(code)

    def line(self, at: int, width: int) -> Line:
        lines, code = self.view.lines, int(self.view.lines.codes[at])
        size, repeats = int(lines.sizes[at]), int(lines.repeats[at])
        return rows.line_of(self.view.model, code, size, repeats, width, self.marks.sign(code), self.hidden(code))

    def move_to(self, at: int) -> None:
        super().move_to(at)
        self.view.at = self.at

    def follow_view(self) -> None:
        """The view laid its lines out anew: take its cursor."""
        self.at = self.view.at
        self.resize_lines()
        self.post_message(self.Moved())


class TableHead(Widget):
    """The titles of the columns."""

    DEFAULT_CSS = "TableHead { height: 1; }"

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        strip = strip_of(rows.head(width - 1), width)
        return Strip([Segment(segment.text, BAND_KEY) for segment in strip])
