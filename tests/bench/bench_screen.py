"""Measures the screen on a large capture: first lines, answer to a key, memory. Run by hand:

    python tests/bench/bench_screen.py [--exchanges 1000000]

Writes the capture with make_big.py into a temporary directory, opens it under the Textual pilot in 120 x 40 cells, and
prints seconds from the start of the application to the first lines, the same to the end of reading, milliseconds from a
key press to the next idle screen, and the peak of resident memory.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from textual import events

os.environ["TEXTUAL_ANIMATIONS"] = "none"
KEYS = {
    "down": "down", "page down": "pagedown", "end": "end", "home": "home", "next fault": "f", "same command": "c",
    "same LBA": "a", "fold all": "o", "unfold": "o", "requests": "r", "mark": "m", "detail": "enter",
    "next field": "down", "next item": "right_square_bracket", "back": "escape",
}  # fmt: skip
WORDS = "command:read lba:5000.."


async def press(pilot, key: str) -> float:  # type: ignore[no-untyped-def]
    """Milliseconds until every widget has dealt with a key and the screen is drawn. The pilot's own `press` would add
    the time in which it waits for the process to become idle."""
    start = time.perf_counter()
    pilot.app.simulate_key(key) if len(key) > 1 else pilot.app.post_message(events.Key(key, key))
    for _ in range(2):
        await pilot._wait_for_screen(30)
    pilot.app.screen._compositor.render_update(full=True)
    return (time.perf_counter() - start) * 1000


async def measure(path: str) -> None:
    """The whole run."""
    start = time.perf_counter()
    from sticktrace_tui.app import ScreenApp

    app = ScreenApp(path, first_page="exchanges")
    async with app.run_test(size=(120, 40)) as pilot:
        while not len(app.view):
            await asyncio.sleep(0.01)
        await pilot._wait_for_screen()
        print(f"first lines            {time.perf_counter() - start:8.2f} s")
        slowest = 0.0
        while app.model.busy:
            slowest = max(slowest, await press(pilot, "down"))
            await asyncio.sleep(0.2)
        print(f"all read               {time.perf_counter() - start:8.2f} s, {len(app.model):,} exchanges")
        print(f"slowest key meanwhile  {slowest:8.1f} ms")
        await asyncio.sleep(1.5)
        for name, key in KEYS.items():
            print(f"{name:<22} {await press(pilot, key):8.1f} ms, {len(app.view):,} lines")
        await press(pilot, "slash")
        each = [await press(pilot, char) for char in WORDS]
        print(f"typing a selection     {max(each):8.1f} ms at most, {len(app.view):,} lines")
        await press(pilot, "enter")
        for page in "1567":
            print(f"page {page}                 {await press(pilot, page):8.1f} ms")
    print(f"peak memory            {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:8.0f} MiB")


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--exchanges", type=int, default=1_000_000)
    parser.add_argument("--capture", help="measure this capture instead of making one")
    options = parser.parse_args()
    if options.capture:
        asyncio.run(measure(options.capture))
        return
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "big.pcap")
        maker = Path(__file__).with_name("make_big.py")
        subprocess.run([sys.executable, str(maker), path, "--exchanges", str(options.exchanges)], check=True)
        asyncio.run(measure(path))


if __name__ == "__main__":
    main()
