"""Drawings of the library as lines of the screen."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.drawing.as_text import runs_of
from sticktrace.drawing.scene import Scene
from sticktrace_tui.cells import Line
from sticktrace_tui.palette import MOODS


def lines_of(scene: Scene) -> Iterator[Line]:
    """The lines of a drawing, each piece with its mood."""
    for runs in runs_of(scene):
        yield [(run.text, run.mood if run.mood in MOODS else "plain") for run in runs]
