"""The screen driven by keys: every page, every key, evidence jumps, selection, teaching, marks, export, resize."""

from __future__ import annotations

import asyncio
import contextlib
import json
from itertools import pairwise
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.worker import WorkerCancelled

from conftest import capture_path
from screen_pilot import SMALL, WIDE, copy_of, demo, opened, press, run, settle, typed
from sticktrace.drawing.as_text import text_lines
from sticktrace.output.cable_drawing import cable_of
from sticktrace.output.volume_drawing import regions_of
from sticktrace_tui.app import ScreenApp
from sticktrace_tui.chrome import Band, KeyLine
from sticktrace_tui.detail_view import DetailView
from sticktrace_tui.export import text_of
from sticktrace_tui.keys import ALL, NAMES, PAGES
from sticktrace_tui.model import _LOOK_AGAIN
from sticktrace_tui.pages import TextPage
from sticktrace_tui.sectors_page import SectorsPage
from sticktrace_tui.table_view import TableView

BAD = demo("bad-sector.pcap")
App, Keys = ScreenApp, Pilot[str]


def test_every_page_by_its_number_and_keys_always_in_view() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        for number, name in zip("1234567?", NAMES, strict=True):
            await press(pilot, {"?": "question_mark"}.get(number, number))
            text = text_of(app)
            assert app.page == name and f"[{PAGES[name].number} {PAGES[name].title}]" in text
            foot = " ".join(text.splitlines()[-3:])
            for key in (*PAGES[name].keys, *ALL):
                assert f"{key.shown} {key.short}" in foot, (name, key.short)

    run(BAD, steps)


@pytest.mark.parametrize("size", [(80, 24), (200, 50), (12, 4)])
def test_every_key_on_every_page(size: tuple[int, int]) -> None:
    """No key ends the application, whatever the page and however small the screen."""
    keys = [name for key in (*ALL, *(k for page in PAGES.values() for k in page.keys)) for name, _ in key.bind]
    moves = ["up", "down", "left", "right", "home", "end", "pageup", "pagedown", "tab", "shift+tab", "enter", "space",
             "plus", "minus", "j", "k", "g", "G", "h", "l", "escape"]  # fmt: skip

    async def steps(app: App, pilot: Keys) -> None:
        for page in ("1", "2", "3", "4", "5", "6", "7", "question_mark"):
            for key in [*moves, *keys]:
                if key not in ("q", "z", "S"):
                    for one in (page, key, *(("escape",) if key in ("slash", "n", "x") else ())):
                        app.simulate_key(one)
                        await asyncio.sleep(0)
            await pilot.pause()
        assert app.is_running and app.return_code is None

    run(BAD, steps, size)


def test_evidence_leads_to_the_exchange() -> None:
    """The finding on the verdict page names exchange 13 or later; Enter shows it with its strips."""

    async def steps(app: App, pilot: Keys) -> None:
        page = app.query_one("#verdict", TextPage)
        at = next(n for n, e in enumerate(page.entries) if e.goal and "Blocks cannot be read" in str(e.line))
        page.move_to(at)
        await press(pilot, "enter")
        assert app.page == "detail"
        code = app.query_one(DetailView).code
        assert code is not None and app.model.item(code).sense[:3] == (3, 0x11, 0)
        await press(pilot, "escape")
        assert app.page == "exchanges" and app.view.code == code

    run(BAD, steps, WIDE)


def test_device_story_leads_to_its_request() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "4", "enter")
        assert app.page == "detail" and (app.query_one(DetailView).code or 0) < 0

    run(BAD, steps)


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_devices_hang_on_the_cable_that_the_verb_draws(width: int) -> None:
    """The page shows what `devices --cable` prints, within its width, and below it the life with its moments."""
    capture = demo("hub-port-overcurrent.pcap")

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "4")
        page = app.query_one("#devices", TextPage)
        printed = list(text_lines(cable_of(app.model.watchers.sticks(), width - 3)))
        drawn = ["".join(text for text, _ in entry.line).rstrip() for entry in page.entries]
        assert len(printed) > 8 and drawn[: len(printed)] == printed and max(map(len, printed)) <= width - 3
        assert any(mood == "bad" and "over-" in text for entry in page.entries for text, mood in entry.line)
        assert any(entry.goal for entry in page.entries[len(printed) :])

    run(capture, steps, (width, 60))


def test_selection_lives_as_it_is_typed_and_escape_takes_it_back() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "slash", *typed("status:ba"))
        assert "not known" in app.query_one("#status", Band).text and app.view.words == ""
        await press(pilot, "d")
        assert app.view.words == "status:bad" and len(app.view) == 5
        await press(pilot, "enter", "down", "escape")
        assert app.view.words == "" and len(app.view) > 5
        await press(pilot, "slash", *typed("lun:7"))
        assert len(app.view) == 0
        await press(pilot, "down", "enter", "space", "f", "escape", "escape")
        assert app.view.words == "" and len(app.view) > 5

    run(BAD, steps)


def test_sectors_zoom_and_select() -> None:
    """The failed block has a row of its own; + goes down to one block, - comes back, Enter selects what touched it."""

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "5")
        page = app.query_one(SectorsPage)
        await made(app, pilot)
        whole = set(page.rows.values())
        at, row = next((at, row) for at, row in page.rows.items() if row.name.endswith(", failed"))
        first, last = row.blocks
        page.move_to(at)
        while page.zooms[-1:] != [(first, first)]:
            before = len(page.zooms)
            await press(pilot, "plus")
            await made(app, pilot)
            assert len(page.zooms) == before + 1 and all(first <= r.blocks[0] <= last for r in page.rows.values())
        await press(pilot, "plus")
        assert page.zooms[-1] == (first, first)
        await press(pilot, "enter")
        assert app.page == "exchanges" and app.view.words.startswith(f"lba:{first}..{first} ")
        assert {app.model.item(int(code)).status for code in app.view.lines.codes} >= {"failed"}
        await press(pilot, "5", *["minus"] * 9)
        await made(app, pilot)
        assert not page.zooms and set(page.rows.values()) == whole

    run(BAD, steps)


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_sectors_are_the_regions_that_the_verb_draws(width: int) -> None:
    """The page shows what `volume --map` prints, within its width; no mark is cut off."""

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "5")
        page = app.query_one(SectorsPage)
        await made(app, pilot)
        times = app.model.columns("time_ns")["time_ns"].tolist()
        printed = list(text_lines(regions_of(page.media[0], times, width - 3)))
        drawn = ["".join(text for text, _ in entry.line).rstrip() for entry in page.entries]
        assert len(printed) > 8 and drawn[-len(printed) :] == printed and max(map(len, printed)) <= width - 3
        assert sum(mark.kind == "failed" for row in page.rows.values() for mark in row.marks) > 0

    run(BAD, steps, (width, 40))


def test_sectors_marks_lead_to_their_exchange_and_are_told() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "5")
        page = app.query_one(SectorsPage)
        await made(app, pilot)
        page.move_to(next(at for at, row in page.rows.items() if row.name.endswith(", failed")))
        await press(pilot, "right")
        assert page.row is not None and page.row.marks[0].hint in app.query_one("#status", Band).text
        await press(pilot, "left", "right", "enter")
        code = app.query_one(DetailView).code
        assert app.page == "detail" and code is not None and app.model.item(code).status == "failed"

    run(BAD, steps)


def test_sectors_beyond_a_range_come_the_next_touched_blocks() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "5", "plus")
        page = app.query_one(SectorsPage)
        await made(app, pilot)
        seen = [page.zooms[-1]]
        for key in ("down", "down", "up", "up"):
            page.move_to(max(page.rows) if key == "down" else min(page.rows))
            await press(pilot, key)
            await made(app, pilot)
            assert page.rows
            seen.append(page.zooms[-1])
        assert seen[0][1] < seen[1][0] <= seen[1][1] < seen[2][0] and seen[3][1] < seen[2][0]

    run(BAD, steps)


async def made(app: App, pilot: Keys) -> None:
    """Wait for lines that are made in a thread."""
    await app.workers.wait_for_complete()
    await pilot.pause()
    await pilot.pause()


def test_moving_over_fields_lights_their_bytes_and_the_reverse() -> None:
    """dCBWTag is bytes 4 to 7 of a CBW (BOT 1.0 Table 5.1)."""

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "f", "enter", "down")
        detail = app.query_one(DetailView)
        strip = detail.strips[0]
        assert strip.rows[detail.hand.row].name == "dCBWTag" and detail.hand.byte == 4
        lit = [text for line in detail._lines for text, mood in line if mood == "lit" and len(text) == 2]
        assert lit == [f"{byte:02x}" for byte in strip.data[4:8]]
        await press(pilot, "right", "right", "right", "right")
        assert strip.rows[detail.hand.row].name == "dCBWDataTransferLength"
        await press(pilot, "end")
        assert detail.hand.byte == len(strip.data) - 1
        await press(pilot, "tab", "tab")
        assert detail.hand.strip == 2 and "what next:" in text_of(app)

    run(BAD, steps)


def test_teaching_keeps_outcome_and_meanings_back_until_asked() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "f", "t")
        assert "FAILED" not in text_of(app) and "UNIT ATTENTION" not in text_of(app)
        await press(pilot, "enter")
        assert '"USBC"' not in text_of(app) and "····" in text_of(app)
        await press(pilot, "v")
        assert '"USBC"' in text_of(app)
        await press(pilot, "shift+tab")
        assert "FAILED" not in text_of(app)
        await press(pilot, "v")
        assert "FAILED; UNIT ATTENTION" in text_of(app)
        await press(pilot, "2")
        assert "FAILED" in text_of(app)
        await press(pilot, "t")
        assert "? ask" not in text_of(app)

    run(BAD, steps)


def test_marks_and_notes_are_saved_only_when_asked(tmp_path: Path) -> None:
    path = copy_of("bad-sector.pcap", tmp_path)
    kept = Path(path + ".marks.json")

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "f", "m", "f", "n", *typed("[b]pier"), "enter", "home", "M", "M")
        assert not kept.exists() and "note: [b]pier" in text_of(app)
        await press(pilot, "S")

    run(path, steps)
    facts = json.loads(kept.read_text())
    assert sorted(facts["exchanges"].values()) == ["", "[b]pier"]

    async def again(app: App, pilot: Keys) -> None:
        assert sorted(app.marks.notes.values()) == ["", "[b]pier"]

    run(path, again)


def test_export_writes_svg_or_text_and_never_over_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "x", "enter", "x", "enter")
        assert "exists; not overwritten" in app.query_one("#status", Band).text
        await press(pilot, "x", *["backspace"] * 3, *typed("txt"), "enter", "x", "escape")

    run(BAD, steps)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bad-sector-exchanges.svg", "bad-sector-exchanges.txt"]
    assert (tmp_path / "bad-sector-exchanges.svg").read_text().startswith("<svg")
    assert "TEST UNIT READY" in (tmp_path / "bad-sector-exchanges.txt").read_text()


def test_resize_from_large_to_tiny_and_back() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        for page in ("1", "2", "3", "4", "5", "6", "7", "question_mark"):
            await press(pilot, page)
            for size in ((200, 60), (20, 6), (1, 1), (80, 24)):
                await pilot.resize_terminal(*size)
                await pilot.pause()
        assert app.is_running

    run(BAD, steps)


def test_mouse_is_optional_but_works() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2")
        await pilot.click(TableView, offset=(20, 5))
        assert app.view.at == 5
        await pilot.click(TableView, offset=(20, 5))
        assert app.page == "detail"

    run(BAD, steps)


def test_no_text_is_made_for_lines_off_the_screen() -> None:
    """A capture of thousands of lines makes no more lines than the screen shows, moves included."""

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "o")
        table = app.query_one(TableView)
        height = table.scrollable_content_region.height
        assert len(app.view) > 4 * height
        table.renew()
        await pilot.pause()
        before = table.made
        await press(pilot, "end")
        assert table.made - before <= 2 * height
        before = table.made
        await press(pilot, "up", "up", "up")
        assert table.made == before  # still on the screen: nothing made anew

    run(str(capture_path("l14_hot_unplug-usbmon.pcap")), steps)


def test_unreadable_capture_leaves_with_one_line(tmp_path: Path) -> None:
    path = tmp_path / "junk.bin"
    path.write_bytes(b"\x00\x01\x02" * 50)

    async def whole() -> None:
        app = ScreenApp(str(path))
        async with app.run_test(size=SMALL) as pilot:
            with contextlib.suppress(WorkerCancelled):
                await app.workers.wait_for_complete()
            await pilot.pause(0.2)
        assert app.return_code == 3 and app.return_value is not None and "junk.bin" in app.return_value

    asyncio.run(whole())


def test_follow_keeps_the_place_and_reads_what_comes(tmp_path: Path) -> None:
    """A recorder writes in bursts that cut records in two; the screen follows, the cursor stays on its item."""
    data = Path(demo("healthy-boot.pcap")).read_bytes()
    path = tmp_path / "growing.pcap"
    path.write_bytes(b"")
    parts = [0, 10, 3000, 9001, 40_000, len(data)]

    async def whole() -> None:
        async with opened(str(path), SMALL, follow=True, first_page="exchanges") as (app, pilot):
            seen = []
            for low, high in pairwise(parts):
                with path.open("ab") as out:
                    out.write(data[low:high])
                await asyncio.sleep(3 * _LOOK_AGAIN)
                await settle(app, pilot)
                if high == 9001:
                    await press(pilot, "home", "down", "down")
                    place = app.view.code
                if high > 9001:
                    assert app.view.code == place
                seen.append(len(app.model))
            assert seen == sorted(seen) and seen[0] == 0
            await press(pilot, "z")
            await app.workers.wait_for_complete()
            await settle(app, pilot)
            assert app.model.state == "done" and app.model.watchers.diagnosis is not None
            assert app.model.reading is not None and not app.model.reading.damage
            total = len(app.model)
        async with opened(demo("healthy-boot.pcap")) as (app, pilot):
            assert len(app.model) == total

    asyncio.run(whole())


def test_ladder_and_verdict_are_there_while_it_grows(tmp_path: Path) -> None:
    """Not only at the end: the stages as they are reached, and what failed first as soon as it has failed."""
    data = Path(demo("bad-sector.pcap")).read_bytes()
    path = tmp_path / "growing.pcap"
    path.write_bytes(data[:9_000])

    async def until(app: App, words: str) -> str:
        for _ in range(300):
            await asyncio.sleep(0.05)
            lines = ("".join(piece for piece, _ in entry.line) for entry in app.query_one("#verdict", TextPage).entries)
            text = " ".join(" ".join(lines).split())
            if words in text:
                break
        assert words in text
        return text

    async def whole() -> None:
        async with opened(str(path), SMALL, follow=True) as (app, pilot):
            text = await until(app, "✓ identity reached SKERRY TIDE LOGGER")
            assert "· files not seen" in text and "Failed first" not in text
            with path.open("ab") as out:
                out.write(data[9_000:])
            text = await until(app, "Failed first: exchange 13, LUN 0, LBA 2362")
            assert "✓ files reached" in text and "Following the capture as it grows" in text
            assert app.model.state == "following"
            await press(pilot, "z")
            await app.workers.wait_for_complete()
            await settle(app, pilot)
            assert app.model.watchers.diagnosis is not None

    asyncio.run(whole())


def test_what_turns_out_to_be_another_form_is_read_again(tmp_path: Path) -> None:
    """A console speaks of its boot first; with the bytes, all is read as what it is and the old lines are gone."""
    path = tmp_path / "console.log"
    boot = b"[    1.000000] usb 1-1: new high-speed USB device number 5 using ehci-pci\n"
    path.write_bytes(boot * 20)

    async def whole() -> None:
        async with opened(str(path), SMALL, follow=True, first_page="exchanges") as (app, pilot):
            for _ in range(300):
                await asyncio.sleep(0.05)
                if len(app.model.woven) == 20:
                    break
            await press(pilot, "end", "enter")
            with path.open("ab") as out:
                out.write(Path(demo("usb-console.txt")).read_bytes())
            for _ in range(300):
                await asyncio.sleep(0.05)
                if len(app.model) == 5:
                    break
            await settle(app, pilot)
            assert len(app.model) == 5 and app.model.reading is not None
            assert app.model.reading.reader.form == "hex text"
            await press(pilot, "2", "home", "down", "z")
            await app.workers.wait_for_complete()

    asyncio.run(whole())


def test_help_page_explains_every_key() -> None:
    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "question_mark")
        lines = ("".join(piece for piece, _ in entry.line) for entry in app.query_one("#help", TextPage).entries)
        text = " ".join(" ".join(lines).split())
        for key in (*ALL, *(key for page in PAGES.values() for key in page.keys)):
            assert key.long in text
        assert app.query_one(KeyLine).page == "help"

    run(BAD, steps)


def test_no_colour_leaves_every_sign(monkeypatch: pytest.MonkeyPatch) -> None:
    """With NO_COLOR the screen says the same: failures, cursor and page by signs, not by colour."""
    monkeypatch.setenv("NO_COLOR", "1")

    async def steps(app: App, pilot: Keys) -> None:
        await press(pilot, "2", "f")
        text = text_of(app)
        assert "▶!" in text and "FAILED" in text and "[2 exchanges]" in text

    run(BAD, steps)
