"""Hostile strings on every page: markup, escape codes, right-to-left overrides, zero-width and wide characters."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from textual.pilot import Pilot

from screen_pilot import press, run
from sticktrace_tui.app import ScreenApp
from sticktrace_tui.cells import fit, wrap
from sticktrace_tui.detail_view import DetailView
from sticktrace_tui.export import text_of
from workshop import FatVolume, Host, Identity, Recorder, Stick, Unit, session

NASTY = ["[/b][red]", "\x1b[2J\x1b]0;x\x07", "\u202egnp.exe", "a\u200bb\u2066c", "潮位計漢字", "[", "\\[x",
         "e\u0301" * 30]  # fmt: skip
FORBIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f\u200b-\u200f\u202a-\u202e\u2066-\u2069]")
PAGES = ("1", "2", "3", "4", "5", "6", "7", "question_mark")


def capture_with(text: str, folder: Path) -> str:
    """A capture whose device strings, INQUIRY data and file names are hostile."""
    raw = text.encode("utf-8")
    volume = FatVolume(64, 131_000)
    volume.add("/TIDES1" + (re.sub(r'[/\x00-\x1f"*:<>?|\\\\]', "_", text)[:40] or "x") + ".csv", b"x" * 600)
    medium = session.tide_medium(volume)
    identity = Identity(manufacturer=text, product=text, serial=text)
    unit = Unit(medium, vendor=raw[:8].decode("latin-1"), product=raw[:16].decode("latin-1"))
    host = Host(Recorder(), Stick(identity, [unit]))
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    path = folder / "capture.pcap"
    path.write_bytes(host.recorder.pcap())
    return str(path)


@pytest.mark.parametrize("text", NASTY)
def test_hostile_strings_are_harmless_on_every_page(text: str, tmp_path: Path) -> None:
    path = capture_with(text, tmp_path)

    async def steps(app: ScreenApp, pilot: Pilot[str]) -> None:
        assert len(app.model) > 3
        for page in PAGES:
            await press(pilot, page, "end", "home", "enter")
            shown = text_of(app).replace("\n", "")
            assert not FORBIDDEN.search(shown), (page, FORBIDDEN.search(shown))
        await press(pilot, "3")
        for code in (*range(len(app.model)), *(-1 - n for n in range(len(app.model.woven)))):
            detail = app.query_one(DetailView)
            detail.show(code)
            for _ in range(3):
                detail.action_strip(1)
                strips = [detail.render_line(y) for y in range(detail.size.height)]
                assert not any(FORBIDDEN.search(segment.text) for strip in strips for segment in strip)

    run(path, steps)


def test_hostile_file_name(tmp_path: Path) -> None:
    """The name of the capture itself stands on the screen too."""
    path = tmp_path / "[bold]\x1b[31m\u202e.pcap"
    path.write_bytes(Path(capture_with("x", tmp_path)).read_bytes())

    async def steps(app: ScreenApp, pilot: Pilot[str]) -> None:
        await press(pilot, "2")
        assert not FORBIDDEN.search(text_of(app).replace("\n", ""))

    run(str(path), steps, (120, 30))


@pytest.mark.parametrize("text", [*NASTY, "", "x" * 500, "漢" * 100])
@pytest.mark.parametrize("width", [1, 2, 9, 40])
def test_cells_are_exactly_as_wide_as_asked(text: str, width: int) -> None:
    """Wide characters take two cells (Unicode UAX 11); whatever the text, the columns stay straight."""
    from rich.cells import cell_len

    assert cell_len(fit(text, width)) == width
    assert all(cell_len("".join(piece for piece, _ in line)) <= max(width, 8) for line in wrap(text, width))
