"""Makes the pictures of the screen in docs/screens from the demo captures:

    python docs/make_screens.py

Each picture is what the keys named beside it bring up in a terminal of that size.
"""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

os.environ["TEXTUAL_ANIMATIONS"] = "none"

HERE = Path(__file__).parent
DEMO = HERE.parent / "traces" / "demo"
OUT = HERE / "screens"

LEVELS = ["2", "slash", *"lba", "colon", *"2337", "enter", "home", "enter", "tab"]
"""To the directory /LEVELS, in the data strip of the READ that fetched it."""

SCREENS: dict[str, tuple[str, list[str], tuple[int, int]]] = {
    "verdict": ("brown-out-on-write.pcap", [], (110, 52)),
    "exchanges": ("bad-sector.pcap", ["2", "f", "f"], (150, 32)),
    "exchanges-80x24": ("bad-sector.pcap", ["2", "f", "f"], (80, 24)),
    "command": ("bad-sector.pcap", ["2", "f", "f", "enter", *["down"] * 14], (120, 36)),
    "directory": ("healthy-boot.pcap", [*LEVELS, *["down"] * 30], (120, 40)),
    "sense": ("bad-sector.pcap", ["2", "f", "f", "enter", "shift+tab", *["down"] * 6], (110, 36)),
    "devices": ("hub-port-overcurrent.pcap", ["4"], (110, 40)),
    "sectors": ("healthy-boot.pcap", ["5"], (110, 32)),
    "timing": ("healthy-boot.pcap", ["6"], (120, 34)),
    "compare": ("healthy-boot.pcap", ["7"], (120, 44)),
    "teaching": ("bad-sector.pcap", ["2", "t", "f", "f"], (110, 28)),
    "help": ("healthy-boot.pcap", ["question_mark"], (84, 50)),
}
"""Name -> capture, keys, columns and rows."""

AGAINST = "bad-sector.pcap"
"""The second capture of the compare page."""


async def picture(capture: str, keys: list[str], size: tuple[int, int]) -> str:
    """The screen as SVG after some keys."""
    from sticktrace_tui.app import ScreenApp
    from sticktrace_tui.export import of_screen

    app = ScreenApp(str(DEMO / capture), against=str(DEMO / AGAINST))
    async with app.run_test(size=size) as pilot:
        await app.workers.wait_for_complete()
        await pilot.pause(0.3)
        await pilot.press(*keys)
        await app.workers.wait_for_complete()
        await pilot.pause(0.3)
        return of_screen(app).svg


def main() -> None:
    """Write every picture."""
    os.chdir(DEMO)
    OUT.mkdir(exist_ok=True)
    for name, (capture, keys, size) in SCREENS.items():
        svg = asyncio.run(picture(capture, keys, size))
        (OUT / f"{name}.svg").write_text(svg.replace(f"{DEMO}/", ""), "utf-8")
        print(f"{name}.svg: {capture}, {size[0]} x {size[1]}")


if __name__ == "__main__":
    main()
