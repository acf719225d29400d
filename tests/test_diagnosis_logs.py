"""What diagnosis makes of logs: every pattern that only logs show, with a near miss; and the invented logs of
data/logs against what an expert would say of them, which stands in expected.toml with the reason."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sticktrace
from conftest import CAPTURES, LOGS, capture_path, kernel_log
from sticktrace.capture.source import Source
from sticktrace.cli.main import cli
from sticktrace.findings.verdict import Diagnosis, diagnose
from sticktrace.session import Capture
from sticktrace.sticks.stages import Stage
from sticktrace.transport.items import Exchange, Saying

EXPECTED: dict[str, dict[str, Any]] = tomllib.loads((LOGS / "expected.toml").read_text())


@contextmanager
def opened(text: str, folder: Path) -> Iterator[Capture]:
    """A text as a capture."""
    path = folder / "some.log"
    path.write_bytes(text.encode())
    with sticktrace.open(path) as capture:
        yield capture


def diagnosed(text: str, folder: Path) -> Diagnosis:
    """What is said of a text; every line of it ends in one place."""
    with opened(text, folder) as capture:
        assert capture.form == "log"
        reading = capture.reading()
        found = diagnose(reading)
        assert sum(reading.places().values()) == reading.records == len(text.splitlines())
    return found


# -- the catalogue ---------------------------------------------------------------------------------------------------

PLUG = "[   10.0] usb 1-1: new high-speed USB device number 5 using ehci-pci\n"
IDS = "[   10.2] usb 1-1: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 1.02\n"
HOST = "[   10.3] scsi host6: usb-storage 1-1:1.0\n"
WHO = "[   11.0] scsi 6:0:0:0: Direct-Access     SKERRY   TIDE LOGGER      2.31 PQ: 0 ANSI: 5\n"
SIZE = "[   11.1] sd 6:0:0:0: [sdb] 614400 512-byte logical blocks: (315 MB/300 MiB)\n"
UP = PLUG + IDS + HOST + WHO + SIZE
RESET = "usb 1-1: reset high-speed USB device number 5 using ehci-pci\n"
READ = "[   60.0] sd 6:0:0:0: [sdb] tag#0 CDB: Read(10) 28 00 00 00 08 00 00 00 08 00\n"


def failed(result: str) -> str:
    """A READ that the host's layers end in some way."""
    return f"[   60.0] sd 6:0:0:0: [sdb] tag#0 FAILED Result: hostbyte={result} driverbyte=DRIVER_OK\n{READ}"


def sensed(key: str, code: str) -> str:
    """A READ that the device refuses."""
    sense = f"sd 6:0:0:0: [sdb] tag#0 Sense Key : {key} [current]\nsd 6:0:0:0: [sdb] tag#0 Add. Sense: {code}\n"
    return failed("DID_OK").replace(READ, sense + READ)


GIVEN_UP = "usb usb1-port1: unable to enumerate USB device\n"
BOARD = "USB Device Attached\nMSC class started.\nMSC Device ready\n"


@dataclass(frozen=True)
class Case:
    """A pattern, a log that shows it and one that nearly does."""

    slug: str
    severity: str
    shows: str
    near: str


CASES = [
    Case("enumeration-garbled", "fault", PLUG + "usb 1-1: device descriptor read/64, error -71\n" * 3 + GIVEN_UP,
         PLUG + "usb 1-1: device descriptor read/64, error -110\n" * 3 + GIVEN_UP),
    Case("enumeration-silent", "fault", PLUG + "usb 1-1: device descriptor read/64, error -110\n" * 3 + GIVEN_UP,
         PLUG + "usb 1-1: device descriptor read/64, error -71\n" * 3 + GIVEN_UP),
    Case("enumeration-failed", "fault", "USB Device Attached\nenumeration failed\n",
         "USB Device Attached\nenumeration done\n"),
    Case("enumeration-laborious", "risk", PLUG + "usb 1-1: device descriptor read/64, error -71\n" + IDS + HOST,
         PLUG + IDS + HOST),
    Case("configuration-refused", "fault", PLUG + IDS + "usb 1-1: can't set config #1, error -110\n",
         PLUG + IDS + "usb 1-1: can't set config #1, error -110\n" + HOST),
    Case("port-dead", "fault", "usb usb1-port1: cannot reset (err = -110)\n" * 2 + GIVEN_UP, PLUG + IDS + HOST),
    Case("port-cut-off", "risk", UP + "hub 1-0:1.0: port 1 disabled by hub (EMI?), re-enabling...\n", UP),
    Case("hub-silent", "fault", UP + "hub 1-2:1.0: hub_port_status failed (err = -71)\n" * 3,
         UP + "hub 1-2:1.0: 4 ports detected\n"),
    Case("controller-died", "fault", UP + "xhci_hcd 0000:00:14.0: HC died; cleaning up\n",
         UP + "xhci_hcd 0000:00:14.0: WARN Event TRB for slot 1 ep 2 with no TDs queued?\n"),
    Case("controller-complains", "note",
         UP + "xhci_hcd 0000:00:14.0: WARN Event TRB for slot 1 ep 2 with no TDs queued?\n", UP),
    Case("device-not-supported", "fault", "USB Device Attached\nDevice not supported\n",
         "USB Device Attached\nMSC class started.\n"),
    Case("resets-again-and-again", "fault", UP + RESET * 4 + failed("DID_ERROR"), UP + RESET),
    Case("commands-hang", "fault", UP + failed("DID_TIME_OUT"), UP + failed("DID_ERROR")),
    Case("transport-breaks", "fault", UP + failed("DID_ERROR"), UP + sensed("Medium Error", "Unrecovered read error")),
    Case("unit-given-up", "fault", UP + "sd 6:0:0:0: Device offlined - not ready after error recovery\n",
         UP + "sd 6:0:0:0: rejecting I/O to dead device\n"),
    Case("accesses-fail", "fault", UP + "end_request: I/O error, dev sdb, sector 2048\n",
         UP + sensed("Medium Error", "Unrecovered read error") + "I/O error, dev sdb, sector 2048\n"),
    Case("unit-locked", "fault", UP + sensed("Data Protect", "Security conflict in translated device"),
         UP + sensed("Data Protect", "Write protected")),
    Case("copy-protected", "note", UP + sensed("Illegal Request", "Read of scrambled sector without authentication"),
         UP + sensed("Illegal Request", "Invalid field in cdb")),
    Case("volume-not-recognised", "fault", BOARD + "f_mount: FR_NO_FILESYSTEM\n", BOARD + "f_mount: FR_OK\n"),
    Case("file-layer-failed", "fault", BOARD + "f_mount: FR_DISK_ERR\n", BOARD + "f_open: FR_NO_FILE\n"),
    Case("file-layer-refused", "note", BOARD + "f_open: FR_NO_FILE\n", BOARD + "f_open: FR_OK\n"),
    Case("partition-beyond-end", "risk", UP + "sdb: p1 size 120000000 extends beyond EOD, truncated\n",
         UP + " sdb: sdb1\n"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_a_log_shows_the_pattern_and_a_near_miss_does_not(case: Case, tmp_path: Path) -> None:
    shown = [finding for finding in diagnosed(case.shows, tmp_path).findings if finding.slug == case.slug]
    assert [finding.severity for finding in shown] == [case.severity]
    assert shown[0].records and shown[0].text
    assert case.slug not in [finding.slug for finding in diagnosed(case.near, tmp_path).findings]


# -- invented logs ---------------------------------------------------------------------------------------------------


def test_each_log_has_its_expectation_and_each_expectation_its_log() -> None:
    assert sorted(path.stem for path in LOGS.glob("*.log")) == sorted(EXPECTED)
    assert len(EXPECTED) >= 60 and all(row["reason"] for row in EXPECTED.values())


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_the_answer_is_that_of_an_expert(name: str, tmp_path: Path) -> None:
    row = EXPECTED[name]
    found = diagnosed((LOGS / f"{name}.log").read_bytes().decode(), tmp_path)
    stages = [report.furthest.stage for report in found.reports if report.furthest is not None]
    furthest = max(stages, key=list(Stage).index) if stages else ""
    assert furthest == row["stage"], row["reason"]
    assert (found.answer.main.slug if found.answer.main else "") == row["failed"], row["reason"]
    for word in row["words"]:
        assert word.lower() in found.verdict.lower(), row["reason"]


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_every_verb_reads_a_log(name: str, tmp_path: Path) -> None:
    """No traceback, no empty hand, and the second reading says the same as the first."""
    path = str(LOGS / f"{name}.log")
    for words in (["diagnose"], ["exchanges"], ["devices"], ["devices", "--story"], ["check"], ["timing"], ["export"]):
        result = CliRunner().invoke(cli, [*words, path])
        assert result.exception is None or isinstance(result.exception, SystemExit), (words, result.output)
        assert "\x1b" not in result.output


def test_what_a_log_does_not_print_is_not_zero() -> None:
    with sticktrace.open(LOGS / "medium-error-new.log") as capture:
        items = list(capture.items())
    told = [item for item in items if isinstance(item, Exchange)]
    assert len(told) == 2 and all(item.told for item in told)
    row = CliRunner().invoke(cli, ["export", str(LOGS / "medium-error-new.log")]).output.splitlines()[2:]
    exchange = next(line for line in row if '"kind": "exchange"' in line)
    assert all(f'"{key}": null' in exchange for key in ("tag", "expected", "moved", "residue", "duration_ns"))
    assert any(isinstance(item, Saying) and not item.in_exchange for item in items)


def test_a_log_that_can_be_passed_on(tmp_path: Path) -> None:
    """Serial numbers, file names and host names are gone; the diagnosis is the same."""
    path = tmp_path / "copy.log"
    for name in ("medium-error-new", "with-userspace-between", "healthy-stick", "board-disk-error"):
        result = CliRunner().invoke(cli, ["redact", str(LOGS / f"{name}.log"), str(path), "--overwrite"])
        assert result.exit_code == 0, result.output
        text = path.read_text()
        for private in ("QUAY3-00417", "gauge", "pier:~#", "LEVELS", "SKERRY"):
            assert private not in text
        before, after = (diagnosed(t, tmp_path) for t in ((LOGS / f"{name}.log").read_text(), text))
        assert [f.slug for f in before.findings] == [f.slug for f in after.findings]


def test_a_log_is_no_pcap(tmp_path: Path) -> None:
    words = ["export", "--as", "pcap", "--to", str(tmp_path / "x.pcap"), str(LOGS / "healthy-stick.log")]
    result = CliRunner().invoke(cli, words)
    assert "nothing for a pcap" in str(result.exception) + result.output


# -- the kernel's messages beside the recorded captures ------------------------------------------------------------

BESIDE = sorted(path.name.removesuffix(".dmesg.txt") + ".pcap" for path in CAPTURES.glob("*.dmesg.txt"))
SPEAKS_OF_LESS = {"l21_keyboard_only-usbmon.pcap"}
"""The log names a device that no storage driver took; only the capture shows that it is a keyboard."""


@pytest.mark.parametrize("name", [name for name in BESIDE if name not in SPEAKS_OF_LESS])
def test_the_log_says_of_each_stick_what_the_capture_says(name: str, tmp_path: Path) -> None:
    """Ids, names, size, and how far it came as far as both can show. The log may say less, never something else."""
    said = diagnosed(kernel_log(name), tmp_path)
    with sticktrace.open(capture_path(name)) as capture:
        seen = diagnose(capture.reading())
    logged = [report for report in said.reports if report.stick.ids]
    shown = [report for report in seen.reports if report.stick.ids]
    assert [report.stick.ids for report in logged] == [report.stick.ids for report in shown]
    for report, other in zip(shown, logged, strict=True):
        mine, theirs = set(report.stick.reached), set(other.stick.reached)
        assert Stage.CONFIGURATION in theirs
        for stage in (Stage.IDENTITY, Stage.CAPACITY):
            assert stage not in mine or stage in theirs or stage is Stage.CAPACITY, (name, stage)
        for lun, unit in other.stick.units.items():
            real = report.stick.units.get(lun)
            if real is None or real.identity is None or unit.identity is None:
                continue
            assert (unit.names, unit.identity.revision) == (real.names, real.identity.revision)
            assert unit.identity.device_type == real.identity.device_type
            if unit.capacity is not None and real.capacity is not None:
                assert unit.capacity in [answer for answer, _ in real.told]


def test_the_log_and_the_capture_name_the_same_failure(tmp_path: Path) -> None:
    for name in ("l15_read_error-usbmon.pcap", "l14_hot_unplug-usbmon.pcap"):
        with sticktrace.open(capture_path(name)) as capture:
            seen = diagnose(capture.reading()).answer.main
        said = diagnosed(kernel_log(name), tmp_path).answer.main
        assert seen is not None and said is not None and said.slug == seen.slug, name


def test_a_source_is_told_by_what_it_holds(tmp_path: Path) -> None:
    """A name says nothing: a log called a pcap is a log, hex text with words of a board is hex text."""
    path = tmp_path / "capture.pcap"
    path.write_text(UP)
    with sticktrace.open(path) as capture:
        assert capture.form == "log"
    assert isinstance(capture.source, Source)
    wrapper = "55 53 42 43 01 00 00 00 24 00 00 00 80 00 06 12 00 00 00 24 00" + " 00" * 10
    path.write_text(f"{BOARD}OUT ep 02 31:\n{wrapper}\n")
    with sticktrace.open(path) as capture:
        assert capture.form == "hex text"
