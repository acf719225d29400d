"""Pages of text: lines, some of which lead to an item or to a selection."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from textual.message import Message

from sticktrace_tui.cells import Line
from sticktrace_tui.line_view import LineView


class Goal(NamedTuple):
    """Where Enter on a line leads: the item of a code, or the exchanges that words select if there are any."""

    code: int = 0
    words: str = ""


class Entry(NamedTuple):
    """One line of a page of text."""

    line: Line
    goal: Goal | None = None


Build = Callable[[int], list[Entry]]
"""Makes the lines for a width."""


class TextPage(LineView):
    """A page made by a function of its width. The cursor rests on the lines that lead somewhere."""

    class Follow(Message):
        """Enter on a line that leads somewhere."""

        def __init__(self, goal: Goal) -> None:
            super().__init__()
            self.goal = goal

    def __init__(self, build: Build, id: str | None = None) -> None:
        super().__init__(id)
        self.build = build
        self.entries: list[Entry] = []
        self._width = -1

    def count(self) -> int:
        return len(self.entries)

    def line(self, at: int, width: int) -> Line:
        return [(" ", "plain"), *self.entries[at].line]

    def stops(self, at: int) -> bool:
        return self.entries[at].goal is not None

    def rebuild(self) -> None:
        """Make the lines anew, as after the capture has grown."""
        width = self.scrollable_content_region.width
        if width <= 0:
            return
        self._width = width
        self.entries = self.build(width - 2)
        if not (0 <= self.at < len(self.entries) and self.stops(self.at)):
            self.at = next((at for at in range(len(self.entries)) if self.stops(at)), 0)
            top = True
        else:
            top = False
        self._cache.clear()
        self.resize_lines()
        if top:
            self.scroll_to(y=0, animate=False, force=True)

    def resize_lines(self) -> None:
        width = self.scrollable_content_region.width
        if width != self._width and width > 0:
            self.rebuild()
            return
        super().resize_lines()

    def action_open(self) -> None:
        if 0 <= self.at < len(self.entries) and (goal := self.entries[self.at].goal) is not None:
            self.post_message(self.Follow(goal))
