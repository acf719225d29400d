"""Lines of the output room with their moods, as lines of the screen."""

from __future__ import annotations

import re

from sticktrace_tui.cells import Line
from sticktrace_tui.palette import MOODS

_OPEN, _CLOSE = "\x01", "\x02"
_PART = re.compile("\x01(\\w+):([^\x02]*)\x02|([^\x01]+)")


def style(text: str, mood: str) -> str:
    """Takes the place of colouring: marks a mood with control characters, which no displayed text can hold because
    the library escapes them."""
    return f"{_OPEN}{mood}:{text}{_CLOSE}"


def pieces(text: str) -> Line:
    """The marked text as pieces."""
    return [
        (plain, "plain") if plain else (inner, mood if mood in MOODS else "plain")
        for mood, inner, plain in _PART.findall(text)
    ]
