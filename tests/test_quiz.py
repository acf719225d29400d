"""`sticktrace quiz`: right answers taken from the raw bytes of a trace, wrong ones told apart, the rest asked again."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace.quiz.answers import read
from sticktrace.quiz.questions import GO_ON, REQUEST_SENSE, RESET_RECOVERY, Kind

DEMO = ROOT / "traces" / "demo"
NEXT = {1: "request sense", 2: "Reset Recovery"}
"""What the host does by bCSWStatus: BOT 1.0 5.3.3.1 for a phase error; SPC-3 6.27 for a failure."""


def quiz(name: str, answers: str | bytes) -> Result:
    result = CliRunner().invoke(cli, ["quiz", str(DEMO / name)], input=answers)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def from_bytes(name: str) -> str:
    """Every right answer, from the CSWs and the fixed sense data found by their first bytes (BOT 1.0 5.2, SPC-3
    4.5.3)."""
    raw, lines = (DEMO / name).read_bytes(), []
    for match in re.finditer(rb"USBS.{9}", raw, re.DOTALL):
        status = match[0][12]
        lines.append(match[0].hex(" "))
        if status:
            lines.append(NEXT[status])
        if status == 1:
            sense = re.search(rb"[\x70\xf0]\x00.{5}\x0a.{10}", raw[match.end() :], re.DOTALL)
            assert sense
            lines.append(f"{sense[0][2] & 15:x}/{sense[0][12]:02x}/{sense[0][13]:02x}")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    "name", ["healthy-boot.pcap", "stall-recovery.pcap", "bad-sector.pcap", "write-protected.pcap"]
)
def test_what_is_right_by_the_bytes_is_right(name: str) -> None:
    output = quiz(name, from_bytes(name)).output
    assert "wrong" not in output and "cannot be read here" not in output
    right, asked = map(int, re.findall(r"(\d+) of (\d+) fields right", output)[0])
    assert right == asked == output.count("  right  ") > 50
    assert "No more questions" in output


def test_a_wrong_answer_gets_what_is_right_and_why() -> None:
    """Exchange 7 of the thirteen cases: Hi < Di, so 02 (BOT 1.0 6.7.2) and reset recovery."""
    answers = from_bytes("stall-recovery.pcap").split("\n")
    at = [line.startswith("55 53 42 53 07 00 00 00") for line in answers].index(True)
    output = quiz("stall-recovery.pcap", "\n".join([*answers[:at], "passed", "next command"]) + "\n").output
    told = output.split("Exchange 7:")[1].split("Exchange 8:")[0]
    assert re.search(r"wrong  bCSWStatus: 02h, phase error; case 7, Hi < Di.*\[BOT 1.0 5.2 Table 5.3\]", told)
    assert re.search(r"wrong  next step: reset recovery; .*\[BOT 1.0 5.3.3.1\]", told)


def test_what_cannot_be_read_is_asked_again_and_not_counted() -> None:
    output = quiz("healthy-boot.pcap", b"perhaps\n\n\xff\xfe\x1b[2J\n55 53\n" + b"a" * 100_000 + b"\nok\n").output
    assert output.count("cannot be read here, and does not count") >= 5
    assert "1 of 1 fields right" in output and "\x1b[2J" not in output


def test_the_end_of_the_input_ends_it() -> None:
    result = quiz("healthy-boot.pcap", "")
    assert result.exit_code == 0 and "fields right" not in result.output and result.output.count("What is") == 1


def test_a_capture_that_cannot_be_asked(tmp_path: Path) -> None:
    assert "Nothing in this capture can be asked" in quiz("no-address.pcap", "ok\n").output
    assert "Nothing in this capture can be asked" in quiz("uas-stick.pcap", "ok\n").output
    assert CliRunner().invoke(cli, ["quiz", "-"], input="ok\n").exit_code == 2


def test_the_answer_is_not_shown_before_it_is_asked() -> None:
    """Neither outcome nor residue nor the CSW stands above the first question on exchange 7 of healthy-boot."""
    shown = quiz("healthy-boot.pcap", "ok\nfailed\nrequest sense\n6/29/0\n" + "ok\n" * 4).output
    shown = shown.split("Exchange 7:")[1].split("What is")[0]
    assert "168" not in shown and "USBS" not in shown and "passed" not in shown and "55 53 42 53" not in shown


CSW = struct.pack("<4sIIB", b"USBS", 7, 168, 1)
READINGS = [
    (Kind.STATUS, "Passed", {"bCSWStatus": 0}),
    (Kind.STATUS, "phase error", {"bCSWStatus": 2}),
    (Kind.STATUS, "0x01", {"bCSWStatus": 1}),
    (Kind.STATUS, "status 02h", {"bCSWStatus": 2}),
    (Kind.STATUS, "ok, residue 168", {"bCSWStatus": 0, "dCSWDataResidue": 168}),
    (Kind.STATUS, "00 residue A8h", {"bCSWStatus": 0, "dCSWDataResidue": 168}),
    (Kind.STATUS, CSW.hex(), {"dCSWSignature": 0x53425355, "dCSWTag": 7, "dCSWDataResidue": 168, "bCSWStatus": 1}),
    (Kind.STATUS, "maybe", {}),
    (Kind.STATUS, CSW.hex()[:-2], {}),
    (Kind.NEXT, "request_sense", {"next step": REQUEST_SENSE}),
    (Kind.NEXT, "Reset recovery!", {"next step": RESET_RECOVERY}),
    (Kind.NEXT, "go on", {"next step": GO_ON}),
    (Kind.NEXT, "not sure", {}),
    (Kind.SENSE, "5/24/00", {"SENSE KEY": 5, "ADDITIONAL SENSE CODE": 0x24, "ADDITIONAL SENSE CODE QUALIFIER": 0}),
    (Kind.SENSE, "05 3a 01", {"SENSE KEY": 5, "ADDITIONAL SENSE CODE": 0x3A, "ADDITIONAL SENSE CODE QUALIFIER": 1}),
    (Kind.SENSE, "unit attention", {"SENSE KEY": 6}),
    (Kind.SENSE, "Medium not present", {"ADDITIONAL SENSE CODE": 0x3A, "ADDITIONAL SENSE CODE QUALIFIER": 0}),
    (Kind.SENSE, "70 00 03 00 00 00 00 0a 00 00 00 00 11 00 00 00 00 00",
     {"SENSE KEY": 3, "ADDITIONAL SENSE CODE": 0x11, "ADDITIONAL SENSE CODE QUALIFIER": 0}),
    (Kind.SENSE, "bad luck", {}),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "text", "values"), READINGS)
def test_answers_as_people_type_them(kind: Kind, text: str, values: dict[str, int]) -> None:
    assert read(kind, text) == values
