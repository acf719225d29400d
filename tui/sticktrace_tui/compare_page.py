"""Two captures side by side: the one on screen is GOOD, the one given with --against is BAD."""

from __future__ import annotations

import re

from textual import work
from textual.message import Message

from sticktrace import STEP_TROUBLE, Comparison, Step, SticktraceError, Telling, align, compare
from sticktrace import open as open_capture
from sticktrace.output.compare_text import compare_text
from sticktrace_tui.cells import fit, wrap
from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, Goal, TextPage
from sticktrace_tui.rows import broken
from sticktrace_tui.styled import pieces, style

NO_SECOND = "No second capture was given. Start with `sticktrace view GOOD --against BAD` to see two side by side."


MOST_PAIRS = 20_000
"""Aligned steps that get a line."""


def sign_of(good: Step | None, bad: Step | None) -> tuple[str, str]:
    """= alike, ≠ ended otherwise or asked otherwise, < only in GOOD, > only in BAD; with the mood of the line."""
    if bad is None:
        return "<", "place"
    if good is None:
        return ">", "warn" if bad.shade != STEP_TROUBLE else "bad"
    if good.end != bad.end:
        return "≠", "bad" if STEP_TROUBLE in (good.shade, bad.shade) else "warn"
    alike = (good.place, good.blocks, good.cdb[:1]) == (bad.place, bad.blocks, bad.cdb[:1])
    return ("=", "quiet") if alike else ("≠", "warn")


def _words(step: Step | None) -> str:
    if step is None:
        return ""
    return step.words if step.end in ("", "passed", "done") else f"{step.words}: {step.end}"


class ComparePage(TextPage):
    """Compares in a thread of its own when it is first looked at."""

    class Compared(Message):
        """The comparison is done."""

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
        self.post_message(self.Compared())

    def on_compare_page_compared(self, _message: Compared) -> None:
        super().rebuild()

    def _build(self, width: int) -> list[Entry]:
        if not self.against:
            return [Entry([]), *(Entry(line) for line in wrap(NO_SECOND, width, "quiet"))]
        if self.trouble:
            return [Entry([]), *(Entry(line) for line in wrap(self.trouble, width, "warn"))]
        if self.found is None:
            return [Entry([]), Entry([("comparing…", "quiet")])]
        out = self._side_by_side(self.found, width)
        for text in compare_text(self.found, style):
            line = pieces(text)
            out += [Entry(part, self._goal(text) if n == 0 else None) for n, part in enumerate(broken(line, width, 6))]
        return out

    def _side_by_side(self, found: Comparison, width: int) -> list[Entry]:
        """The steps of both, aligned; what differs is marked."""
        column = max(16, (width - 5) // 2)
        first = found.first
        said = f"The first difference: {first.text}" if first is not None else "The two are identical in every step."
        out = [Entry(line) for line in wrap(said, width, "good" if first is None else "strong")]
        head = fit("GOOD, on this screen", column) + "     " + fit("BAD, the other capture", column)
        out += [Entry([]), Entry([(head.rstrip(), "head")])]
        good, bad = found.good.steps, found.bad.steps
        pairs = align([step.key for step in good], [step.key for step in bad])
        for left, right in pairs[:MOST_PAIRS]:
            out.append(self._pair(None if left is None else good[left], None if right is None else bad[right], column))
        if len(pairs) > MOST_PAIRS:
            out.append(Entry([(f"  {len(pairs) - MOST_PAIRS:,} more steps", "quiet")]))
        return [*out, Entry([]), Entry([("The whole comparison", "head")])]

    def _pair(self, good: Step | None, bad: Step | None, column: int) -> Entry:
        sign, mood = sign_of(good, bad)
        goal = None
        if good is not None:
            row = self.model.row_of(good.first) if good.first else None
            code = self.model.code_of_record(good.record) if row is None else row
            goal = None if code is None else Goal(code)
        left, right = fit(_words(good), column), fit(_words(bad), column)
        return Entry([(left, mood), (f"  {sign}  ", mood), (right.rstrip(), mood)], goal)

    def _goal(self, text: str) -> Goal | None:
        """The exchange of this capture that a line names."""
        named = re.search(r"GOOD: exchanges? (\d+)", text)
        row = self.model.row_of(int(named[1])) if named else None
        return None if row is None else Goal(row)
