"""Two captures side by side."""

from __future__ import annotations

from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, TextPage


class ComparePage(TextPage):
    """The page; it compares when it is first looked at."""

    def __init__(self, model: Model, against: str, id: str | None = None) -> None:
        super().__init__(self._build, id)
        self.model, self.against = model, against

    def _build(self, width: int) -> list[Entry]:
        if not self.against:
            return [Entry([]), Entry([("no second capture: start with `sticktrace view GOOD --against BAD`", "quiet")])]
        return []
