"""The present view as SVG or text, for slides and notes."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import NamedTuple

from rich.console import Console
from textual.app import App

from sticktrace import SticktraceError, new_text, safe


class Picture(NamedTuple):
    """One view in both forms."""

    svg: str
    text: str


def of_screen(app: App[str]) -> Picture:
    """What the screen shows now."""
    return Picture(_alone(app.export_screenshot(title="sticktrace")), text_of(app))


def _alone(svg: str) -> str:
    """The picture without references to fonts elsewhere: it must look the same without a network."""
    svg = re.sub(r"@font-face\s*\{.*?\}\s*", "", svg, flags=re.DOTALL)
    return svg.replace("font-family: Fira Code, monospace", "font-family: 'DejaVu Sans Mono', monospace")


def text_of(app: App[str]) -> str:
    """The screen as lines of text without colour."""
    width, height = app.size
    console = Console(
        width=width, height=height, file=io.StringIO(), force_terminal=True, color_system="truecolor", record=True,
        legacy_windows=False, safe_box=False,
    )  # fmt: skip
    console.print(app.screen._compositor.render_update(full=True))
    lines = console.export_text(styles=False).split("\n")
    return "\n".join(line.rstrip() for line in lines).rstrip("\n") + "\n"


def write(picture: Picture, path: str) -> str:
    """Write a view to a file that does not exist yet; returns what to tell the reader."""
    target = Path(path).expanduser()
    text = picture.text if target.suffix.lower() == ".txt" else picture.svg
    try:
        with new_text(target) as out:
            out.write(text)
    except SticktraceError as error:
        return f"not written: {safe(str(error))}"
    return f"written: {safe(str(target))}"
