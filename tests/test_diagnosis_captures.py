"""Diagnosis of recorded captures and demo traces: stages reached and findings, and no fault where there is none.

What is expected is derived from each capture's truth file (what was done on purpose) and the recording machine's kernel
log, which the tests quote.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

import make_demo
from conftest import capture_bytes, capture_names, kernel_log, truth_of
from diagnosis_lab import diagnosed, found, new_host
from sticktrace.cli.diagnose import command
from sticktrace.findings.catalogue import patterns
from sticktrace.findings.ladder import NOT_SEEN, REACHED
from sticktrace.findings.verdict import Diagnosis
from sticktrace.output.diagnosis_text import lines
from sticktrace.output.listing import plain
from sticktrace.sticks.stages import Stage
from workshop import Recorder, Unit, session, wire
from workshop.recorder import merge
from workshop.scenes_healthy import healthy_boot, not_ready_then_up, uas_stick

FAULTS = {
    # capture: faults that its truth file or kernel log tells of; every capture not named here has none
    "g16_cdrom_no_disc-usbmon.pcap": {"no-medium"},
    "g17_raw_bot_orderly-usbmon.pcap": {"cbw-not-valid", "no-reset-recovery"},
    "g17_raw_bot_orderly-usbmon-0u.txt": {"cbw-not-valid", "no-reset-recovery"},
    "l14_hot_unplug-usbmon.pcap": {"gone-in-use"},
    "l15_read_error-usbmon.pcap": {"unreadable-blocks"},
    "l15_read_error-usbmon-0u.txt": {"unreadable-blocks"},
    "l15_read_error-emu.pcap": {"unreadable-blocks"},
}

DEMO_FAULTS = {
    "no-address": {"address-refused"},
    "hub-port-overcurrent": {"over-current"},
    "card-reader-empty-lun": {"empty-first-unit"},
    "bad-sector": {"unreadable-blocks"},
    "write-protected": {"write-protected"},
    "brown-out-on-write": {"brown-out"},
    "counterfeit": {"reads-contradict-writes"},
}
"""Demo traces in which something certainly failed."""

DEMO_ENDS = {
    "get-max-lun-stall-fatal": "max-lun-stall-fatal",
    "unit-attention-giveup": "unit-attention-fatal",
    "gpt-volume": "file-system-not-read",
    "exfat-volume": "file-system-not-read",
}
"""Demo traces of hosts that stop: told as the likely reason, a fault or a risk by whether the trace goes on."""


def states(diagnosis: Diagnosis) -> dict[str, str]:
    """Stage -> state of the first storage device."""
    return {rung.stage: rung.state for rung in diagnosis.reports[0].rungs}


@pytest.mark.parametrize("name", capture_names())
def test_faults_of_a_recorded_capture(name: str) -> None:
    """Exactly the faults that are known from outside."""
    diagnosis = diagnosed(capture_bytes(name))
    faults = {finding.slug for finding in diagnosis.faults}
    assert faults == FAULTS.get(name, set()), diagnosis.verdict


HEALTHY = [
    name for name in capture_names()
    if name[:3] in {"l01", "l05", "l18", "l19", "l20", "l23", "l25", "l26", "l28", "l39", "c08", "c14", "g02"}
    or (name.startswith("f0") and not name.startswith("f07"))
]  # fmt: skip


@pytest.mark.parametrize("name", HEALTHY)
def test_healthy_captures_are_told_in_three_lines(name: str, tmp_path: Path) -> None:
    """Neither fault nor risk, and `diagnose` says so in three lines with exit status 0."""
    diagnosis = diagnosed(capture_bytes(name))
    assert diagnosis.healthy, found(diagnosis)
    path = tmp_path / name
    path.write_bytes(capture_bytes(name))
    result = CliRunner().invoke(command, [str(path)])
    assert result.exit_code == 0
    paragraphs = [line for line in result.output.splitlines() if not line.startswith(" ")]
    assert len(paragraphs) == 3
    assert result.output.startswith("healthy: ")


@pytest.mark.parametrize("name", [n for n in capture_names() if n.startswith("l") and n.endswith("usbmon.pcap")])
def test_stages_match_the_kernel_log(name: str) -> None:
    """Where the kernel log tells of a storage device that was found and attached, these stages were reached."""
    log = kernel_log(name)
    if "scsi host0" not in log:
        pytest.skip("the kernel log knows no storage device")
    reached = states(diagnosed(capture_bytes(name)))
    expected = ["attach", "address", "descriptors", "configuration", "transport", "identity", "ready"]
    if "512-byte logical blocks" in log:
        expected.append("capacity")
    if reached["address"] == NOT_SEEN and "xhci" in name:
        expected.remove("address")  # the controller gives addresses itself
    assert {stage: reached[stage] for stage in expected} == dict.fromkeys(expected, REACHED)


def test_files_are_a_stage() -> None:
    """The truth file gives capacity, file system and label; the stages tell the same."""
    truth = truth_of("l01_fat32_ehci-usbmon.pcap")["expected"]
    diagnosis = diagnosed(capture_bytes("l01_fat32_ehci-usbmon.pcap"))
    stages = {rung.stage: rung for rung in diagnosis.reports[0].rungs}
    assert all(stages[name].state == REACHED for name in Stage)
    assert f"{truth['last_lba'] + 1:,} blocks" in stages["capacity"].text
    assert truth["image"]["fs"] in stages["file system"].text
    assert truth["image"]["label"] in stages["file system"].text


def test_unplugged_in_mid_read_as_the_kernel_saw_it() -> None:
    """Kernel log: "USB disconnect, device number 2", then READ(10) 28 00 00 00 01 c0 00 00 f0 00 failed."""
    name = "l14_hot_unplug-usbmon.pcap"
    assert "Read(10) 28 00 00 00 01 c0 00 00 f0 00" in kernel_log(name)
    finding = diagnosed(capture_bytes(name)).faults[0]
    assert finding.slug == "gone-in-use"
    assert "exchange 25 (READ(10))" in finding.text


def test_the_bad_sector_is_the_injected_one() -> None:
    """Kernel log: "critical medium error, dev sda, sector 3400", and the last read, of block 3404 alone, failed too."""
    name = "l15_read_error-usbmon.pcap"
    assert "sector 3400" in kernel_log(name)
    finding = diagnosed(capture_bytes(name)).faults[0]
    assert "LBA 3404:" in finding.text
    assert finding.side == "device"


def test_no_storage_device_is_said() -> None:
    """Captures of a keyboard and of a tablet alone."""
    for name in ("l21_keyboard_only-usbmon.pcap", "f07_uboot_x86_kbd-emu.pcap"):
        diagnosis = diagnosed(capture_bytes(name))
        assert not diagnosis.reports and not diagnosis.faults
        assert "no storage device" in diagnosis.verdict


@pytest.mark.parametrize("name", make_demo.SCENES)
def test_faults_of_a_demo_trace(name: str) -> None:
    """The faults that the scene was made for, and no others."""
    diagnosis = diagnosed(make_demo.SCENES[name]())
    faults = {finding.slug for finding in diagnosis.faults}
    ending = DEMO_ENDS.get(name)
    if ending:
        assert found(diagnosis)[ending] in ("fault", "risk")
        assert faults <= {ending}
        assert diagnosis.answer.stopped and "Failed first" in diagnosis.verdict
    else:
        assert faults == DEMO_FAULTS.get(name, set()), diagnosis.verdict


def prefixes_of_pcap(data: bytes) -> list[bytes]:
    """A pcap cut after each of its records."""
    cuts, at = [], 24
    while at + 16 <= len(data):
        at += 16 + struct.unpack_from("<I", data, at + 8)[0]
        cuts.append(data[:at])
    return cuts


def no_blame(diagnosis: Diagnosis) -> None:
    """Cutting a healthy recording makes stages unseen, and never a fault of anybody."""
    assert not diagnosis.faults, [f.text for f in diagnosis.faults]
    for report in diagnosis.reports:
        for rung in report.rungs:
            assert rung.state in (REACHED, NOT_SEEN), (rung.stage, rung.text)


@pytest.mark.parametrize("scene", [healthy_boot, not_ready_then_up, uas_stick], ids=lambda scene: scene.__name__)
def test_cutting_a_healthy_demo_blames_nobody(scene: Callable[[], Recorder]) -> None:
    """At every record boundary, exchange boundaries among them."""
    whole = scene()
    halves = whole.halves
    for end in range(1, len(halves), 3):
        whole.halves = halves[:end]
        no_blame(diagnosed(whole))


def test_cutting_a_healthy_capture_blames_nobody() -> None:
    """The recorded healthy session, cut at record boundaries from the first to the last."""
    cuts = prefixes_of_pcap(capture_bytes("l01_fat32_ehci-usbmon.pcap"))
    for data in cuts[::5] + cuts[-40:]:
        no_blame(diagnosed(data))


def test_starting_late_blames_nobody() -> None:
    """A recording that begins in mid-session has not seen the earlier stages, and says no more than that."""
    whole = healthy_boot()
    halves = whole.halves
    for start in range(0, len(halves), 7):
        whole.halves = halves[start:]
        diagnosis = diagnosed(whole)
        assert not diagnosis.faults, [f.text for f in diagnosis.faults]
        if diagnosis.reports and start > 60:
            assert states(diagnosis)["attach"] == NOT_SEEN


def test_damaged_captures_do_not_break_diagnosis() -> None:
    """Whatever a recording holds, diagnosis ends with a verdict: 120 copies of a real capture with bytes changed or
    lost."""
    data = capture_bytes("g17_raw_bot_orderly-usbmon.pcap")
    chance = random.Random(417)
    for _ in range(120):
        copy = bytearray(data)
        for _ in range(chance.choice((1, 10, 200))):
            copy[chance.randrange(24, len(copy))] = chance.randrange(256)
        if chance.random() < 0.3:
            at = chance.randrange(24, len(copy))
            del copy[at : at + chance.randrange(1, 200)]
        assert diagnosed(bytes(copy)).verdict


def test_json_of_a_diagnosis(tmp_path: Path) -> None:
    """One object with verdict, devices with stages, and findings; exit status 1 for a fault."""
    path = tmp_path / "bad.pcap"
    path.write_bytes(make_demo.SCENES["bad-sector"]().pcap())
    result = CliRunner().invoke(command, [str(path), "--json"])
    assert result.exit_code == 1
    facts = json.loads(result.output)
    assert facts["kind"] == "diagnosis" and facts["counts"]["fault"] == 1
    assert [stage["name"] for stage in facts["devices"][0]["stages"]] == list(Stage)
    assert {stage["kind"] for stage in facts["devices"][0]["stages"]} == {"stage"}
    finding = facts["findings"][0]
    assert finding["kind"] == "finding" and finding["slug"] == "unreadable-blocks" and finding["exchanges"]


def test_cautions_stand_with_the_advice(tmp_path: Path) -> None:
    """Advice that touches the supply or erases has its warning right there: in the answer or with its finding."""
    for scene, phrase, times in (("hub-port-overcurrent", "Two 5 V supplies", 2), ("exfat-volume", "erases", 1)):
        path = tmp_path / f"{scene}.pcap"
        path.write_bytes(make_demo.SCENES[scene]().pcap())
        output = " ".join(CliRunner().invoke(command, [str(path)]).output.split())
        assert output.count(phrase) == times, scene


def test_every_advice_on_supply_or_format_is_cautioned() -> None:
    """Common practice: joined supplies feed each other; formatting erases."""
    for pattern, _ in patterns().values():
        words = pattern.advice.lower().split()
        if any(word.strip(",.;") in ("supply", "format", "partition", "vbus") for word in words):
            assert pattern.caution, pattern.slug


def test_the_answer_has_four_lines_and_no_repetition() -> None:
    """How far, what failed first and where, why, what to try."""
    answer = diagnosed(make_demo.SCENES["brown-out-on-write"]()).answer
    assert [line.partition(":")[0] for line in answer.lines[1:]] == ["Failed first", "Likeliest cause", "Try"]
    assert answer.way.count("came all the way") == 1 and "and the same again when it was back" in answer.way
    assert answer.stopped and "exchange" in answer.failed
    failed = diagnosed(make_demo.SCENES["no-address"]()).answer
    assert "failed at address" in failed.way and failed.failed and failed.advice


def test_an_empty_reader_polled_since_before_does_not_contradict_healthy() -> None:
    """A capture that begins while a host polls an empty reader, beside a stick at work."""
    reader, stick = new_host(units=[Unit()], watch=False), new_host()
    reader.stick.address, reader.port = 7, 3
    stick.enumerate()
    session.identify(stick)
    for _ in range(4):
        reader.execute(wire.test_unit_ready())
        reader.wait_ms(500)
    diagnosis = diagnosed(merge(stick.recorder, reader.recorder))
    assert diagnosis.healthy
    assert "there is no medium in it" in diagnosis.verdict
    assert "failed" not in diagnosis.verdict
    first = next(line for line in lines(diagnosis, plain) if line.startswith("seen"))
    assert first.startswith("seen of SKERRY TIDE LOGGER: attach")


def test_hostile_strings_are_shown_as_escapes() -> None:
    """A product string with terminal codes never reaches the verdict as such."""
    host = new_host(product="\x1b[2J\u202eLOGGER")
    host.stick.units[0].product = "\x1b]0;x\x07"
    host.enumerate()
    session.identify(host)
    text = json.dumps(diagnosed(host.recorder).facts(), ensure_ascii=False)
    assert "\x1b" not in text and "\u202e" not in text and "\x07" not in text


def test_json_lines_of_a_diagnosis() -> None:
    """Stages and findings as flat rows, each with its kind."""
    rows = list(diagnosed(make_demo.SCENES["bad-sector"]()).lines())
    assert [row["kind"] for row in rows].count("stage") == len(Stage)
    assert {row["kind"] for row in rows} == {"stage", "finding"}


def test_text_is_bounded() -> None:
    """A capture with a crowd of devices does not flood the terminal; what is left out is counted."""
    diagnosis = diagnosed(make_demo.SCENES["bad-sector"]())
    diagnosis.reports *= 40
    diagnosis.findings *= 100
    text = list(lines(diagnosis, plain))
    assert len(text) < 900
    assert any("24 devices" in line and "--json has them all" in line for line in text)
