"""`--unread`: the lines of a text that were not understood, counted and shown; and texts of which nothing was."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from conftest import capture_bytes
from sticktrace.capture.unread import MOST_SHAPES, Unread
from sticktrace.cli.main import cli

KERNEL = """\
[    1.000000] usb 1-1: new high-speed USB device number 5 using ehci-pci
[    1.100000] usb 1-1: New USB device found, idVendor=1209, idProduct=0001
[    1.200000] tide-gauge: level 17 written
[    1.300000] tide-gauge: level 18 written
[    1.400000] water pump: on
[    1.500000] usb 1-1: USB disconnect, device number 5
"""
CONSOLE = """\
gauge: 3 levels waiting
> 55 53 42 43 01 00 00 00 24 00 00 00 80 00 06 12 00 00 00 24 00 00 00 00 00 00 00 00 00 00 00
gauge: 4 levels waiting
< 55 53 42 53 01 00 00 00 24 00 00 00 00
"""


def told(text: str | bytes, folder: Path, *words: str) -> tuple[str, str]:
    path = folder / "text.log"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    done = CliRunner().invoke(cli, [*words, str(path)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.stdout, done.stderr.replace(f"{path}", "text.log")


@pytest.mark.parametrize("verb", ["diagnose", "exchanges", "devices", "check", "timing"])
def test_lines_of_a_log_that_were_not_understood(verb: str, tmp_path: Path) -> None:
    """By shape: what differs in nothing but numbers is one line, with its count."""
    assert told(KERNEL, tmp_path, verb, "--unread")[1].endswith(
        "text.log: 3 lines not understood:\n"
        "  line 3: tide-gauge: level 17 written  (1 more like it)\n"
        "  line 5: water pump: on\n"
    )


def test_nothing_is_shown_unasked(tmp_path: Path) -> None:
    assert "not understood" not in "".join(told(KERNEL, tmp_path, "diagnose"))


def test_console_lines_between_bytes(tmp_path: Path) -> None:
    assert told(CONSOLE, tmp_path, "exchanges", "--unread")[1].endswith(
        "text.log: 2 lines not understood:\n  line 1: gauge: 3 levels waiting  (1 more like it)\n"
    )


def test_lines_between_events(tmp_path: Path) -> None:
    """The kernel's own text form, with what a person typed above it."""
    text = b"$ cat 1u\n" + capture_bytes("l01_fat32_ehci-usbmon-0u.txt") + b"^C\n"
    assert told(text, tmp_path, "diagnose", "--unread")[1].endswith(
        f"2 lines not understood:\n  line 1: $ cat 1u\n  line {text.count(bytes([10]))}: ^C\n"
    )


def test_all_of_it_understood(tmp_path: Path) -> None:
    text = "".join(line for line in KERNEL.splitlines(keepends=True) if "usb" in line)
    assert told(text, tmp_path, "diagnose", "--unread")[1].endswith("text.log: 0 lines not understood\n")


def test_bytes_are_no_text(tmp_path: Path) -> None:
    said = told(capture_bytes("l01_fat32_ehci-usbmon.pcap"), tmp_path, "check", "--unread")[1]
    assert said.endswith("text.log: --unread is for text; this is none\n")


@pytest.mark.parametrize("verb", ["diagnose", "exchanges", "devices", "check", "timing"])
def test_a_text_of_which_nothing_is_understood(verb: str, tmp_path: Path) -> None:
    """Exit 3, and the first line that looks like storage traffic, by its number."""
    text = "boot\nlevels: 3\nSCSI says hm, 12 of them\nand CSW, well\n"
    path = tmp_path / "text.log"
    path.write_text(text)
    done = CliRunner().invoke(cli, [verb, "--unread", str(path)])
    assert "the first is line 3: SCSI says hm, 12 of them" in str(done.exception)
    assert getattr(done.exception, "exit_code", 3) == 3


def test_hostile_lines_are_escaped_and_kinds_are_bounded() -> None:
    """A gigabyte of lines, each of another kind, must not fill the memory; colour codes must not reach the terminal."""
    unread = Unread()
    for number in range(MOST_SHAPES + 10):
        unread.see(number + 1, "".join(chr(97 + int(digit)) for digit in str(number)) + " \x1b[31m")
    lines = list(unread.listing())
    assert len(lines) == MOST_SHAPES + 2
    assert lines[-1] == "  10 lines of other kinds"
    assert not any("\x1b" in line for line in lines)
    assert unread.missed == MOST_SHAPES + 10
