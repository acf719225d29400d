"""Keys pressed at random on the terminal screen: no key ends it but those that should, and nothing on it is a control
character."""

from __future__ import annotations

import asyncio
import os
import shutil
import tempfile
from functools import cache
from pathlib import Path

from breaking import check_printable

from conftest import ROOT
from screen_pilot import opened
from sticktrace_tui.export import text_of
from sticktrace_tui.keys import ALL, PAGES

MOVES = (
    "up", "down", "left", "right", "home", "end", "pageup", "pagedown", "tab", "shift+tab", "enter", "space", "escape",
    "backspace", "delete", "f1", "ctrl+a", "colon", "full_stop", "minus", "left_square_bracket",
)  # fmt: skip
WORDS = ("command:read", "lba:0..9", "status:bad", "slower:5ms", "lun:1", "sense:3/11", "[red]", "device:", "::", "é")
SIZES = ((80, 24), (200, 50), (12, 4), (1, 1))
_DEMOS = ("bad-sector.pcap", "usb-console.txt", "uas-stick.pcap", "no-address.pcap")
ENDS = frozenset(("q", "z", "ctrl+q", "ctrl+c"))
"""Keys that end the screen, or hand the terminal back."""


@cache
def keys() -> list[str]:
    """Every key that a page listens to, and letters and digits besides."""
    bound = [name for key in (*ALL, *(k for page in PAGES.values() for k in page.keys)) for name, _ in key.bind]
    found = dict.fromkeys([*MOVES, *bound, *"abcdefghijklmnoprstuvwxyGN0123456789"])
    return [name for name in found if name not in ENDS]


def press_all(data: bytes) -> None:
    """The first byte chooses capture and size, each other one a key, or from 240 on a selection word that is typed."""
    asyncio.run(_press_all(data))


async def _press_all(data: bytes) -> None:
    first = data[0] if data else 0
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / _DEMOS[first % 4]
        shutil.copy(ROOT / "traces" / "demo" / path.name, path)
        os.chdir(folder)  # exports and notes are written here
        try:
            async with opened(str(path), SIZES[first // 4 % 4]) as (app, pilot):
                for code in data[1:]:
                    for key in _keys_of(code):
                        app.simulate_key(key)
                        await asyncio.sleep(0)
                await app.workers.wait_for_complete()
                await pilot.pause()
                assert app.is_running and app.return_code is None
                for line in text_of(app).split("\n"):
                    check_printable(line)
        finally:
            os.chdir(before)


def _keys_of(code: int) -> list[str]:
    if code < 240:
        return [keys()[code % len(keys())]]
    names = {" ": "space", ":": "colon", ".": "full_stop", "/": "slash"}
    return ["slash", *(names.get(char, char) for char in WORDS[code % len(WORDS)]), "enter"]
