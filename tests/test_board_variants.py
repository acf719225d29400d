"""The debug build of a light host stack, varied: another bus number, line ends of a terminal, another end. What an
expert would say was written down before the first run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import sticktrace
from conftest import ROOT
from sticktrace.sticks.stages import Stage

FOLDER = ROOT / "tests" / "data" / "minimal"
SILENT = (FOLDER / "light-host-debug-no-descriptor.log").read_text()
UP = (FOLDER / "light-host-debug-refused-then-up.log").read_text()


def as_it_is(text: str) -> str:
    return text


def timed_out(text: str) -> str:
    return text.replace("with 0 bytes: FAILED", "with 0 bytes: TIMEOUT")


def on_another_bus(text: str) -> str:
    return text.replace("[0:]", "[1:]").replace("[0:0]", "[1:0]")


def through_a_terminal(text: str) -> str:
    return text.replace("\n", "\r\n")


@pytest.mark.parametrize("change", [as_it_is, timed_out, on_another_bus, through_a_terminal])
def test_a_device_that_never_answers(change: Callable[[str], str], tmp_path: Path) -> None:
    """Attached, and then silent: whatever the stack calls that end, and on whichever bus."""
    path = tmp_path / "console.log"
    path.write_bytes(change(SILENT).encode())
    with sticktrace.open(path) as capture:
        diagnosis = sticktrace.diagnose(capture.reading())
    assert diagnosis.answer.main is not None
    assert diagnosis.answer.main.slug == "first-descriptor-no-answer"
    assert [r.furthest.stage for r in diagnosis.reports if r.furthest is not None] == [Stage.ATTACH]


def test_a_device_that_is_mounted_is_no_volume_that_is(tmp_path: Path) -> None:
    """The class driver hands the device on; then the FAT layer finds no volume."""
    path = tmp_path / "console.log"
    path.write_text(UP.replace("FR_OK\n> ls\nSTATION.TXT", "FR_NO_FILESYSTEM"))
    with sticktrace.open(path) as capture:
        diagnosis = sticktrace.diagnose(capture.reading())
    assert diagnosis.answer.main is not None
    assert diagnosis.answer.main.slug == "volume-not-recognised"
    (report,) = diagnosis.reports
    assert report.stopped is not None
    assert report.stopped.stage is Stage.FILE_SYSTEM
