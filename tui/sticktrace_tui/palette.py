"""Colours and signs of the screen. Every sign says by itself what its colour says again."""

from __future__ import annotations

from rich.style import Style
from textual.theme import Theme

INK, DECK, LIFT = "#0f1a21", "#16252e", "#274a5c"
FOAM, FOG, AMBER, WEED, FLARE, SAND, SLATE = "#d9e2e6", "#83949e", "#e3aa4b", "#86bd8c", "#ea6a58", "#e6cf6a", "#7db4d6"
THRIFT = "#cf93c4"

THEME = Theme(
    name="harbour", primary=AMBER, secondary=SLATE, warning=SAND, error=FLARE, success=WEED, accent=AMBER,
    foreground=FOAM, background=INK, surface=DECK, panel=DECK, dark=True,
)  # fmt: skip

MOODS: dict[str, Style] = {
    "plain": Style(color=FOAM, bgcolor=INK),
    "good": Style(color=WEED, bgcolor=INK),
    "bad": Style(color=FLARE, bgcolor=INK, bold=True),
    "warn": Style(color=SAND, bgcolor=INK),
    "quiet": Style(color=FOG, bgcolor=INK),
    "head": Style(color=AMBER, bgcolor=INK, bold=True),
    "place": Style(color=SLATE, bgcolor=INK),
    "bar": Style(color=SLATE, bgcolor=INK),
    "strong": Style(color=FOAM, bgcolor=INK, bold=True),
    "mark": Style(color=THRIFT, bgcolor=INK),
    "byte": Style(color=FOAM, bgcolor=INK),
    "lit": Style(color=FOAM, bgcolor=INK, bold=True, reverse=True),
}
"""Mood of a piece of text -> its style. Moods are the words used everywhere else."""

CURSOR = Style(bgcolor=LIFT, bold=True)
"""Laid over the line under the cursor, which also carries the sign ▶."""


BAND = Style(color=FOAM, bgcolor=DECK)
BAND_KEY = Style(color=AMBER, bgcolor=DECK, bold=True)
BAND_QUIET = Style(color=FOG, bgcolor=DECK)

EIGHTHS = " ▏▎▍▌▋▊▉█"
"""Parts of a cell filled from the left, in eighths."""

HEIGHTS = " ▁▂▃▄▅▆▇█"
"""Parts of a cell filled from below, in eighths."""


def bar(share: float, width: int) -> str:
    """A bar of ``width`` cells, filled by a share from 0 to 1. Anything above 0 shows at least a sliver."""
    eighths = max(1, round(min(1.0, share) * 8 * width)) if share > 0 else 0
    full, part = divmod(eighths, 8)
    return ("█" * full + (EIGHTHS[part] if part else "")).ljust(width)
