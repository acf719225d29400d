"""The model and the view over real and demo captures, without a screen."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.pilot import Pilot

from conftest import capture_path, truth_of
from screen_pilot import copy_of, demo, press, run
from sticktrace.errors import SticktraceError
from sticktrace.session import open as open_capture
from sticktrace.transport.items import Exchange
from sticktrace_tui.app import ScreenApp
from sticktrace_tui.marks import Marks
from sticktrace_tui.model import DONE, STOPPED, UNREADABLE, Model
from sticktrace_tui.strips import strips_of
from sticktrace_tui.view import View

_open: list[Model] = []


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    """Lets go of the captures that a test opened."""
    yield
    while _open:
        _open.pop().close()


def model_of(path: str | Path) -> Model:
    """A model that will be closed after the test."""
    _open.append(Model(path))
    return _open[-1]


def read(path: str | Path) -> tuple[Model, View]:
    """A model that has read everything, and a view of it."""
    model = model_of(path)
    model.run()
    view = View(model)
    view.refresh()
    return model, view


def test_model_holds_what_the_library_gives() -> None:
    path = demo("healthy-boot.pcap")
    model, _ = read(path)
    with open_capture(path) as capture:
        wanted = [item.number for item in capture.items() if isinstance(item, Exchange)]
    assert model.state == DONE
    assert [model.table[row].number for row in range(len(model))] == wanted
    assert model.watchers.diagnosis is not None


def test_polling_of_an_empty_unit_folds() -> None:
    """A real host polled a unit without medium (truth file of the capture): the polls are one line."""
    name = "g05_no_medium-usbmon.pcap"
    assert "polled" in truth_of(name)["what"] if "what" in truth_of(name) else True
    model, view = read(capture_path(name))
    folds = [int(r) for r, s in zip(view.lines.repeats, view.lines.sizes, strict=True) if s > 1 and r >= 3]
    assert folds and int(view.lines.sizes.sum()) == len(model) + len(model.woven)


def test_fold_opens_and_closes_and_the_cursor_stays() -> None:
    _, view = read(capture_path("g05_no_medium-usbmon.pcap"))
    at = next(n for n, (c, s) in enumerate(zip(view.lines.codes, view.lines.sizes, strict=True)) if c >= 0 and s > 3)
    view.at, before = at, len(view)
    first, size = int(view.lines.codes[at]), int(view.lines.sizes[at])
    assert view.toggle_fold() and len(view) == before + size - 1
    view.at = at + 2
    assert view.toggle_fold() and len(view) == before and int(view.lines.codes[view.at]) == first


def test_selection_is_that_of_the_command_line() -> None:
    model, view = read(demo("healthy-boot.pcap"))
    assert view.select("command:write")
    assert all(model.item(int(code)).cdb[0] == 0x2A for code in view.lines.codes)
    chosen = len(view)
    assert not view.select("nonsense:1") and len(view) == chosen and "nonsense" in view.trouble
    assert view.select("") and view.trouble == ""
    assert view.select("touches:/levels/2031-04") and len(view) == 6


def test_jumps_find_faults_commands_and_blocks() -> None:
    model, view = read(demo("bad-sector.pcap"))
    found = []
    while view.next_fault():
        found.append(view.code)
    assert found == model.faults().tolist()
    while view.next_fault(forward=False):
        found.pop()
    assert len(found) == 1 and view.code == found[0]
    row = model.row_of(13)
    assert row is not None and view.go_to(row)
    assert view.next_same_lba() and view.code is not None and model.item(view.code).number > 13
    assert view.next_same_command() and model.item(view.code).cdb[0] == 0x28


def test_jump_leaves_a_selection_that_hides_its_goal() -> None:
    model, view = read(demo("bad-sector.pcap"))
    view.select("command:inquiry")
    assert view.next_fault() and view.code == model.faults().tolist()[0] and view.words == ""


def test_requests_fold_show_and_hide() -> None:
    model, view = read(demo("healthy-boot.pcap"))
    folded = len(view)
    view.cycle_requests()
    assert len(view) > folded
    view.cycle_requests()
    assert (view.lines.codes >= 0).all()
    view.cycle_requests()
    assert len(view) == folded and len(model.woven) > 0


def test_a_request_stands_before_the_event_that_it_told_of() -> None:
    model, _ = read(demo("healthy-boot.pcap"))
    times = [item.time_ns for item in model.woven.items]
    assert times == sorted(times)


REAL = ("g17_raw_bot_orderly-usbmon.pcap", "l19_uas_ehci-usbmon.pcap", "l23_snap128-usbmon.pcap",
        "f05_uboot_x86_ehci-emu.pcap", "l21_keyboard_only-usbmon.pcap")  # fmt: skip


@pytest.mark.parametrize("name", REAL)
def test_every_item_of_real_captures_has_three_strips(name: str) -> None:
    """Protocol abuse, UAS, payloads cut by the recorder, descriptors only: each item can be shown."""
    model, _ = read(capture_path(name))
    codes = [*range(len(model)), *(-1 - n for n in range(len(model.woven)))]
    assert codes
    for code in codes:
        strips = strips_of(model, code)
        assert len(strips) == 3 and all(strip.summary[0] for strip in strips)
        for strip in strips:
            fields = [row for row in strip.rows if not row.heading]
            assert all(row.offset >= 0 and row.offset + row.size <= len(strip.data) for row in fields)


def test_data_pages_hold_the_block_and_no_more() -> None:
    """A READ of 16 blocks has 16 pages of one block each (READ CAPACITY of the capture: 512 bytes a block)."""
    model, _ = read(demo("healthy-boot.pcap"))
    row = next(r for r in range(len(model)) if model.table[r].moved == 8192)
    whole = b"".join(strips_of(model, row, page)[1].data for page in range(16))
    with open_capture(demo("healthy-boot.pcap")) as capture:
        item = next(e for e in capture.exchanges() if e.number == model.table[row].number)
        assert whole == capture.data(item)
    assert strips_of(model, row, 99)[1].page == 15


def test_stopping_keeps_what_was_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sticktrace_tui.model._BATCH", 8)
    model = model_of(capture_path("l14_hot_unplug-usbmon.pcap"))
    model.run(lambda: model.stop() if len(model) > 20 else None)
    assert model.state == STOPPED and 20 < len(model) < 5000 and model.watchers.diagnosis is None


def test_following_ends_with_the_pipe(tmp_path: Path) -> None:
    """What comes through a pipe is followed until the pipe ends; then there is a verdict."""
    data = Path(demo("healthy-boot.pcap")).read_bytes()
    path = tmp_path / "spool"
    path.write_bytes(data[:5000])
    looks = iter([True, True, False])

    def grows() -> bool:
        alive = next(looks, False)
        if not alive:
            path.write_bytes(data)
        return alive

    model = Model(path, follow=True, grows=grows)
    _open.append(model)
    model.run()
    assert model.state == DONE and len(model) == 25 and model.watchers.diagnosis is not None


def test_unreadable_capture_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "junk"
    path.write_bytes(bytes(range(256)) * 4)
    model = model_of(path)
    model.run()
    assert model.state == UNREADABLE and "\n" not in model.error and str(path) in model.error


def test_marks_come_back_and_junk_is_left_alone(tmp_path: Path) -> None:
    marks = Marks(str(tmp_path / "a.pcap"))
    assert marks.toggle(4)
    marks.write(-3, "look here")
    marks.save()
    again = Marks(str(tmp_path / "a.pcap"))
    again.load()
    assert again.notes == {4: "", -3: "look here"} and (again.sign(4), again.sign(-3), again.sign(5)) == ("◆", "✎", " ")
    for junk in (b"{}", b"[1]", b"\xff", b'{"exchanges":{"x":1},"between":{}}', b"[" * 100_000):
        again.path.write_bytes(junk)
        with pytest.raises(Exception, match="is no file of marks"):
            again.load()


def test_a_foreign_file_of_the_name_of_the_marks_is_left_alone(tmp_path: Path) -> None:
    """Whether it was there at the beginning or came later, itself or behind a link."""
    (tmp_path / "letter.txt").write_text("mine")
    for foreign in ("file", "link", "dangling link", "folder"):
        marks = Marks(str(tmp_path / f"{foreign}.pcap"))
        marks.toggle(4)
        if foreign == "file":
            marks.path.write_text("mine")
        elif foreign == "folder":
            marks.path.mkdir()
        else:
            marks.path.symlink_to("letter.txt" if foreign == "link" else "nowhere")
        before = marks.path.lstat()
        with pytest.raises(SticktraceError, match="left alone"):
            marks.save()
        assert marks.unsaved and marks.path.lstat().st_ino == before.st_ino
    assert (tmp_path / "letter.txt").read_text() == "mine" and not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("numbers", [{"5000": "x"}, {"99999999999999999999999999": "x"}, {"3": "\ud800\u202e\x1b"}])
@pytest.mark.parametrize("place", ["exchanges", "between"])
def test_marks_beyond_the_end_are_kept_and_passed_over(tmp_path: Path, numbers: dict[str, str], place: str) -> None:
    """A capture that was cut, or that grows: the marks stay in the file, and no key ends the program."""
    path = copy_of("bad-sector.pcap", tmp_path)
    kept = Path(path + ".marks.json")
    other = "between" if place == "exchanges" else "exchanges"
    kept.write_text(json.dumps({"marks": 1, place: numbers, other: {}}))

    async def steps(app: ScreenApp, pilot: Pilot[str]) -> None:
        for page in ("2", "3"):
            await press(pilot, page, "M", "M", "end", "M", "home", "M", "S", "m", "M", "S")

    run(path, steps)
    facts = json.loads(kept.read_text())
    assert set(numbers) <= set(facts[place])


@pytest.mark.parametrize("numbers", [{"-1": "x"}, {"-5000": "x"}])
def test_marks_with_numbers_that_cannot_be_are_no_marks(tmp_path: Path, numbers: dict[str, str]) -> None:
    marks = Marks(str(tmp_path / "a.pcap"))
    marks.path.write_text(json.dumps({"marks": 1, "exchanges": numbers, "between": {}}))
    with pytest.raises(SticktraceError, match="is no file of marks"):
        marks.load()
