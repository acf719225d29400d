"""Two captures side by side: the one on screen is GOOD, the one given with --against is BAD."""

from __future__ import annotations

import re

from textual import work

from sticktrace.diagnosis.compare import Comparison, compare
from sticktrace.diagnosis.story import Telling
from sticktrace.errors import SticktraceError
from sticktrace.output.compare_text import compare_text
from sticktrace.session import open as open_capture
from sticktrace_tui.cells import wrap
from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, Goal, TextPage
from sticktrace_tui.rows import broken
from sticktrace_tui.styled import pieces, style

NO_SECOND = "No second capture was given. Start with `sticktrace view GOOD --against BAD` to see two side by side."


class ComparePage(TextPage):
    """Compares in a thread of its own when it is first looked at."""

    def __init__(self, model: Model, against: str, id: str | None = None) -> None:
        super().__init__(self._build, id)
        self.model, self.against = model, against
        self.found: Comparison | None = None
        self.trouble = ""
        self._begun = False

    def rebuild(self) -> None:
        """Begin comparing if there is something to compare with and nothing was compared yet."""
        if self.against and not self._begun:
            self._begun = True
            self._compare()
        super().rebuild()

    @work(thread=True, group="comparing")
    def _compare(self) -> None:
        try:
            with open_capture(self.model.path) as good, open_capture(self.against) as bad:
                self.found = compare(Telling(good), Telling(bad))
        except SticktraceError as error:
            self.trouble = str(error)
        self.app.call_from_thread(self._show)

    def _show(self) -> None:
        if self.is_attached:
            super().rebuild()

    def _build(self, width: int) -> list[Entry]:
        if not self.against:
            return [Entry([]), *(Entry(line) for line in wrap(NO_SECOND, width, "quiet"))]
        if self.trouble:
            return [Entry([]), *(Entry(line) for line in wrap(self.trouble, width, "warn"))]
        if self.found is None:
            return [Entry([]), Entry([("comparing…", "quiet")])]
        out: list[Entry] = []
        for text in compare_text(self.found, style):
            line = pieces(text)
            out += [Entry(part, self._goal(text) if n == 0 else None) for n, part in enumerate(broken(line, width, 6))]
        return out

    def _goal(self, text: str) -> Goal | None:
        """The exchange of this capture that a line names."""
        named = re.search(r"GOOD: exchanges? (\d+)", text)
        row = self.model.row_of(int(named[1])) if named else None
        return None if row is None else Goal(row)
