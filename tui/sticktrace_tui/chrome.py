"""The lines around every page: which page this is, how the reading goes, which keys there are."""

from __future__ import annotations

from rich.cells import cell_len
from rich.segment import Segment
from textual import events
from textual.strip import Strip
from textual.widget import Widget

from sticktrace_tui.cells import Line, fit, plain, strip_of
from sticktrace_tui.keys import ALL, PAGES, Key
from sticktrace_tui.palette import BAND, BAND_KEY, BAND_QUIET


class TopLine(Widget):
    """The pages by number, the present one in brackets, and the name of the capture."""

    DEFAULT_CSS = "TopLine { height: 1; dock: top; }"

    def __init__(self, name: str) -> None:
        super().__init__()
        self.capture = name
        self.page = "verdict"

    def show(self, page: str) -> None:
        """Another page."""
        self.page = page
        self.refresh()

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        segments: list[Segment] = []
        lead = " "
        for name, page in PAGES.items():
            here = name == self.page
            text = f"{page.number} {page.title}"
            segments += [Segment("[" if here else lead, BAND_KEY), Segment(text, BAND_KEY if here else BAND)]
            lead = "]" if here else " "
        segments.append(Segment(lead, BAND_KEY))
        room = width - sum(cell_len(segment.text) for segment in segments) - 1
        if room >= 8:
            segments.append(Segment(fit(self.capture, room, True), BAND_QUIET))
        return Strip(segments).adjust_cell_length(width, BAND)


class Band(Widget):
    """A line or more of text, set by whoever owns it."""

    DEFAULT_CSS = "Band { height: 1; }"

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)
        self._lines: list[Line] = [[]]

    def say(self, *lines: Line) -> None:
        """Show these lines."""
        if list(lines) != self._lines:
            self._lines = list(lines)
            self.refresh()

    @property
    def text(self) -> str:
        """What it shows, as plain text."""
        return "\n".join(plain(line) for line in self._lines)

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        return strip_of(self._lines[y] if y < len(self._lines) else [], width)


class KeyLine(Widget):
    """The keys of the present page and those that work everywhere; always there."""

    DEFAULT_CSS = "KeyLine { height: 2; }"

    def __init__(self) -> None:
        super().__init__()
        self.page = "verdict"

    def show(self, page: str) -> None:
        """Another page."""
        self.page = page
        self._fit()

    def on_resize(self, event: events.Resize) -> None:
        self._fit()

    def _fit(self) -> None:
        """As many lines as the keys need; on a very low screen what is being read comes first."""
        width, height = self.app.size
        needed = len(_broken(self._keys(), width)) if width > 0 else 1
        self.styles.height = max(1, min(needed, height // 6))
        self.refresh()

    def _keys(self) -> list[Key]:
        return [*PAGES[self.page].keys, *ALL]

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        lines = _broken(self._keys(), width)
        segments: list[Segment] = []
        for key in lines[y] if y < len(lines) else ():
            segments += [Segment(f" {key.shown}", BAND_KEY), Segment(f" {key.short} ", BAND)]
        return Strip(segments).adjust_cell_length(width, BAND)


def _broken(keys: list[Key], width: int) -> list[list[Key]]:
    """Keys in lines, none of them cut; the last line holds what is left."""
    lines: list[list[Key]] = [[]]
    used = 0
    for key in keys:
        size = cell_len(f" {key.shown} {key.short} ")
        if used + size > width and lines[-1]:
            lines.append([])
            used = 0
        lines[-1].append(key)
        used += size
    return lines
