"""What the tests of the screen share: an application over a capture, driven by keys, without a terminal."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

os.environ["TEXTUAL_ANIMATIONS"] = "none"
os.environ.pop("NO_COLOR", None)

from textual.pilot import Pilot

from conftest import ROOT
from sticktrace_tui.app import ScreenApp
from sticktrace_tui.export import text_of

DEMO = ROOT / "traces" / "demo"
SMALL, WIDE = (80, 24), (200, 50)

Driven = tuple[ScreenApp, Pilot[str]]
Steps = Callable[[ScreenApp, Pilot[str]], Awaitable[None]]


def demo(name: str) -> str:
    """The path of a demo capture."""
    return str(DEMO / name)


@asynccontextmanager
async def opened(path: str, size: tuple[int, int] = SMALL, **options: object) -> AsyncIterator[Driven]:
    """An application that has read its whole capture."""
    app = ScreenApp(path, **options)  # type: ignore[arg-type]
    async with app.run_test(size=size) as pilot:
        if not app.model.follow:
            await app.workers.wait_for_complete()
        await settle(app, pilot)
        yield app, pilot


async def settle(app: ScreenApp, pilot: Pilot[str]) -> None:
    """Wait until the screen shows what the model holds."""
    for _ in range(40):
        await pilot.pause()
        if app._laid_out == (len(app.model), len(app.model.woven), app.model.state) and not app._growing:
            break
        await asyncio.sleep(0.02)
    await pilot.pause()


async def press(pilot: Pilot[str], *keys: str) -> None:
    """Press keys one after the other, each dealt with before the next."""
    for key in keys:
        await pilot.press(key)
        await pilot.pause()


def typed(words: str) -> list[str]:
    """The keys that type some words."""
    names = {" ": "space", ":": "colon", ".": "full_stop", "/": "slash", "-": "minus", ",": "comma",
             "[": "left_square_bracket", "]": "right_square_bracket"}  # fmt: skip
    return [names.get(char, char) for char in words]


def run(path: str, steps: Steps, size: tuple[int, int] = SMALL, **options: object) -> None:
    """Open a capture and take steps."""

    async def whole() -> None:
        async with opened(path, size, **options) as (app, pilot):
            await steps(app, pilot)

    asyncio.run(whole())


def shown(path: str, keys: list[str], size: tuple[int, int] = SMALL, **options: object) -> str:
    """The text on the screen after some keys."""
    texts: list[str] = []

    async def steps(app: ScreenApp, pilot: Pilot[str]) -> None:
        await press(pilot, *keys)
        await app.workers.wait_for_complete()
        await pilot.pause()
        texts.append(text_of(app))

    run(path, steps, size, **options)
    return texts[0]


def copy_of(name: str, folder: Path) -> str:
    """A demo capture copied to where a test may write beside it."""
    target = folder / name
    target.write_bytes((DEMO / name).read_bytes())
    return str(target)
