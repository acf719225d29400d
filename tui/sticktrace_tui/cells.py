"""Lines of text in cells: pieces with a mood, cut and padded by the cells they take, harmless whatever they hold."""

from __future__ import annotations

from collections.abc import Iterable

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from textual.strip import Strip

from sticktrace import safe
from sticktrace_tui.palette import MOODS

Piece = tuple[str, str]
"""Text and its mood."""

Line = list[Piece]


def fit(text: str, width: int, right: bool = False) -> str:
    """Text in exactly ``width`` cells. What does not fit ends in "…"; wide characters count twice."""
    text = safe(text)
    size = cell_len(text)
    if size > width:
        return set_cell_size(text, width - 1) + "…" if width > 0 else ""
    return " " * (width - size) + text if right else text + " " * (width - size)


def strip_of(line: Iterable[Piece], width: int) -> Strip:
    """A line as a Strip of exactly ``width`` cells."""
    segments = [Segment(safe(text), MOODS[mood]) for text, mood in line]
    return Strip(segments).adjust_cell_length(width, MOODS["plain"])


def plain(line: Iterable[Piece]) -> str:
    """A line as bare text."""
    return "".join(text for text, _ in line)


def wrap(text: str, width: int, mood: str = "plain", indent: str = "", first: str | None = None) -> list[Line]:
    """Text broken at spaces into lines of at most ``width`` cells. ``first`` opens the first line in place of
    ``indent``. Words longer than a line are cut in pieces."""
    width = max(width, len(indent) + 8)
    room = width - cell_len(indent)
    lines: list[str] = []
    current = ""
    for word in safe(text).split(" "):
        for part in _parts(word, room):
            if current and cell_len(current) + 1 + cell_len(part) > room:
                lines.append(current)
                current = part
            else:
                current = f"{current} {part}" if current else part
    lines.append(current)
    opening = indent if first is None else first
    return [[((opening if n == 0 else indent), "plain"), (line, mood)] for n, line in enumerate(lines)]


def _parts(word: str, room: int) -> list[str]:
    if cell_len(word) <= room:
        return [word]
    parts, current, used = [], "", 0
    for char in word:
        size = cell_len(char)
        if used + size > room:
            parts.append(current)
            current, used = "", 0
        current += char
        used += size
    return [*parts, current]
