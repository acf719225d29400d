"""The board that this tool is for: its console gives ladder, story, exchanges and verdict as a capture would, bytes and
words of one text together.

Requests, hub ports and addresses: USB 2.0 9.4, 11.24; what debug builds print is common practice.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from conftest import ROOT
from sticktrace.findings.verdict import Diagnosis, diagnose
from sticktrace.session import Reading
from sticktrace.session import open as open_capture

MINIMAL = ROOT / "tests" / "data" / "minimal"
UP, DEAF, HUB = (
    (MINIMAL / f"light-host-debug-{name}.log").read_text()
    for name in ("refused-then-up", "no-descriptor", "hub-without-power")
)


def diagnosed(text: str, path: Path) -> tuple[Diagnosis, Reading]:
    path.write_text(text)
    with open_capture(path) as capture:
        reading = capture.reading()
        return diagnose(reading), reading


def no_places(text: str) -> str:
    return re.sub(r"^\[0:\d?\] ", "", text, flags=re.M)


def stamped(text: str) -> str:
    return "".join(f"[{n // 10:5}.{n % 10}00000] {line}\n" for n, line in enumerate(text.splitlines()))


VARIANTS: dict[str, Callable[[str], str]] = {
    "as it is": str,
    "no places": no_places,
    "lower case": str.lower,
    "time stamps": stamped,
    "levels and tags": lambda text: "".join(f"D ({n}) usbh: {line}\n" for n, line in enumerate(text.splitlines())),
    "noise": lambda text: text.replace("\n", "\nadc: level 1874 mm\n"),
    "no text column": lambda text: re.sub(r" +\|.*\|", "", text),
    "wide": lambda text: text.replace(": OK", " :  OK").replace("with ", "with  "),
    "windows ends": lambda text: text.replace("\n", "\r\n"),
    "no queue lines": lambda text: re.sub(r"^queue .*\n", "", text, flags=re.M),
    "no setup stages": lambda text: text.replace("on EP 00 with 8 bytes: OK\n", ""),
}


@pytest.mark.parametrize("vary", VARIANTS.values(), ids=VARIANTS)
def test_refused_then_up(vary: Callable[[str], str], tmp_path: Path) -> None:
    diagnosis, reading = diagnosed(vary(UP), tmp_path / "console.log")
    (report,) = diagnosis.reports
    stages = {str(rung.stage): rung.state for rung in report.rungs}
    for name in ("attach", "address", "descriptors", "configuration", "transport", "identity", "ready", "capacity"):
        assert stages[name] == "reached", name
    assert stages["file system"] == "reached", "the words say that it was mounted"
    assert not diagnosis.faults
    stick = report.stick
    assert stick.ids == "1209:0001" and stick.exchanges == 5 and stick.failures == 1
    assert stick.device.max_lun_result == "stall"
    (unit,) = stick.units.values()
    assert unit.capacity is not None and (unit.capacity.blocks, unit.capacity.block_length) == (131_072, 512)
    assert reading.records == sum(reading.places().values()), "each record has one place"


@pytest.mark.parametrize("vary", VARIANTS.values(), ids=VARIANTS)
def test_no_descriptor(vary: Callable[[str], str], tmp_path: Path) -> None:
    diagnosis, _ = diagnosed(vary(DEAF), tmp_path / "console.log")
    (report,) = diagnosis.reports
    stages = {str(rung.stage): rung.state for rung in report.rungs}
    assert (stages["attach"], stages["address"]) == ("reached", "failed")
    assert diagnosis.faults[0].slug == "first-descriptor-no-answer"
    assert "3 reads" in diagnosis.faults[0].text
    assert report.stick.detached is not None, "the words say that it was taken off"


@pytest.mark.parametrize("vary", VARIANTS.values(), ids=VARIANTS)
def test_hub_without_power(vary: Callable[[str], str], tmp_path: Path) -> None:
    diagnosis, reading = diagnosed(vary(HUB), tmp_path / "console.log")
    assert [finding.slug for finding in diagnosis.faults] == ["over-current"]
    assert not diagnosis.of("risk")
    (hub,) = [device for device in reading.bus.devices if device.is_hub]
    assert hub.vid_pid == "1209:000f" and hub.as_hub is not None
    assert hub.as_hub.facts()["ports"] == 4 and hub.as_hub.ports[1].status == 0x0008


def test_waits_are_judged_only_where_there_is_a_clock(tmp_path: Path) -> None:
    """SET_ADDRESS and the request behind it (2 ms, USB 2.0 9.2.6.3) in a text without times, with whole seconds, and
    with microseconds."""
    lines = UP.splitlines()
    for clock, told in (("", False), ("12:00:{n:02} ", False), ("[    1.0{n:05}] ", True)):
        text = "".join(clock.format(n=n % 60) + line + "\n" for n, line in enumerate(lines[:30]))
        diagnosis, _ = diagnosed(text, tmp_path / "console.log")
        assert ("address-recovery-short" in [f.slug for f in diagnosis.findings]) is told, clock


def test_two_sticks_one_after_the_other(tmp_path: Path) -> None:
    """Taken off, another put on: two devices, each with its own commands."""
    second = UP.replace("09 12 01 00", "09 12 02 00")
    diagnosis, _ = diagnosed(UP + "[0:] USBH Device Removed\n" + second, tmp_path / "console.log")
    assert [report.stick.ids for report in diagnosis.reports] == ["1209:0001", "1209:0002"]
    assert [report.stick.exchanges for report in diagnosis.reports] == [5, 5]
    assert diagnosis.reports[0].stick.detached is not None and diagnosis.reports[1].stick.detached is None


def test_words_of_a_kernel_beside_the_bytes_of_its_driver(tmp_path: Path) -> None:
    """The driver's wrappers and the kernel's account of the same command are one stick's; the block that the kernel
    prints again is no second command."""
    text = """\
[   10.000000] usb 1-1: new high-speed USB device number 5 using ehci-pci
[   10.150000] usb 1-1: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 1.00
[   10.200000] usb-storage: Command READ_10 (10 bytes)
[   10.200100] usb-storage: bytes: 28 00 00 00 08 00 00 00 08 00
[   10.200200] usb-storage: Bulk Command S 0x43425355 T 0x4 L 4096 F 128 Trg 0 LUN 0 CL 10
[   10.200300] usb-storage: Status code 0; transferred 31/31
[   10.300000] usb-storage: Status code 0; transferred 13/13
[   10.300100] usb-storage: Bulk Status S 0x53425355 T 0x4 R 4096 Stat 0x1
[   10.400000] sd 6:0:0:0: [sdb] tag#0 CDB: Read(10) 28 00 00 00 08 00 00 00 08 00
"""
    _, reading = diagnosed(text, tmp_path / "dmesg.txt")
    exchanges = reading.router.out.numbered
    assert exchanges == 1
    assert [device.vid_pid for device in reading.bus.devices if not device.is_hub] == ["1209:0001"]


UNREAD = [
    "CBW pushed: tag five, len one sector\nCSW came back ok\n", "xyz 43425355 there\n", "SCSI INQUIRY sent\n" * 2,
    "usbc sent\n", "dCSWStatus was one\n",
]  # fmt: skip


@pytest.mark.parametrize("text", UNREAD)
def test_storage_traffic_that_is_not_read_is_never_denied(text: str, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from sticktrace.cli.main import cli
    from sticktrace.errors import CaptureError

    path = tmp_path / "console.log"
    path.write_text("starting\n" + text)
    count = text.count("\n")
    looks = "1 line looks" if count == 1 else f"{count} lines look"
    result = CliRunner().invoke(cli, ["diagnose", str(path)])
    assert isinstance(result.exception, CaptureError), "exit status 3"
    assert f"{looks} like storage traffic in a form that is not read" in str(result.exception)
    assert "line 2: " + text.split("\n")[0] in str(result.exception)
    path.write_text("usb: device attached\n" + text)
    result = CliRunner().invoke(cli, ["diagnose", str(path)])
    assert "no storage device" not in result.stdout
    assert f"{looks} like storage traffic" in result.stdout


def test_a_text_that_is_read_says_nothing_of_the_kind(tmp_path: Path) -> None:
    _, reading = diagnosed(UP, tmp_path / "console.log")
    assert not [sentence for sentence in reading.assumed if "not read" in sentence]
