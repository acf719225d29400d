"""Labelled logs: commands printed field by field in any style come back as far as printed, what is not printed is
named, and lines that only look alike give nothing. Field names: BOT 1.0 Tables 5.1 and 5.2; the driver's lines follow
the Linux kernel's sources.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from conftest import ROOT, capture_bytes
from labelled_styles import STYLES, Command, Labelled
from sticktrace.capture import reader_of
from sticktrace.redaction.copying import redact
from sticktrace.session import Capture, Exchange
from sticktrace.session import open as open_capture

DEMOS = ["healthy-boot.pcap", "not-ready-then-up.pcap", "write-protected.pcap", "card-reader-empty-lun.pcap"]
RECORDED = ["l16_sg_bot-usbmon.pcap", "l15_read_error-usbmon.pcap", "g02_two_luns-usbmon.pcap"]
MOST = 40


def commands(capture: Capture) -> list[Command]:
    """The first commands of a capture that took their ordinary course."""
    found = []
    for e in capture.exchanges():
        if e.status in ("passed", "failed") and e.transport == "BOT" and not e.truncated and not e.stalled:
            cbw, csw = capture.read(e.command_at), capture.read(e.status_at)
            found.append(Command(cbw, capture.data(e), e.moved, csw))
    return found[:MOST]


def shown(path: Path) -> list[Exchange]:
    with open_capture(path) as capture:
        assert capture.form == "hex text"
        return list(capture.exchanges())


@pytest.mark.parametrize("style", STYLES.values(), ids=STYLES)
@pytest.mark.parametrize("source", [*DEMOS, *RECORDED])
def test_what_was_printed_comes_back(source: str, style: Labelled, tmp_path: Path) -> None:
    demo = ROOT / "traces" / "demo" / source
    original, log = tmp_path / source, tmp_path / "log.txt"
    original.write_bytes(demo.read_bytes() if demo.exists() else capture_bytes(source))
    with open_capture(original) as capture:
        wanted = commands(capture)
    log.write_text("".join(line + "\n" for command in wanted for line in style.write(command)))
    found = shown(log)
    rows: list[Any] = []
    for e, c in zip(found, wanted, strict=True):
        block = e.cdb if style.block and c.cdb[0] != 3 else e.cdb[:1]
        rows.append((e.tag, e.expected, e.lun, block, e.residue, e.status))
        assert (e.moved == c.moved) is style.moved or not c.moved
        assert ("CBWCB" in e.not_printed) is (len(block) < len(c.cdb) and len(e.cdb) < len(c.cdb))
        read_out = {"sense data but for key and codes"} if style.sense and c.cdb[0] == 3 else set()
        assert set(e.not_printed) <= {"CBWCB"} | read_out
    assert rows == [
        (c.fields[0], c.fields[1], c.fields[3], c.cdb if style.block and c.cdb[0] != 3 else c.cdb[:1], c.status[1],
         ("passed", "failed")[c.status[2]])
        for c in wanted
    ]  # fmt: skip
    with open_capture(original) as capture:
        everything = list(capture.exchanges())
    if style.sense and len(wanted) == len(everything):
        assert [e.sense and e.sense[:3] for e in found] == [e.sense and e.sense[:3] for e in everything]


LACKING = [
    ("cbw.tag = 0x5 ; cbw.len = 512 ; cbw.flags = 0x80\nCBWCB: 28 00 00 00 08 00 00 00 01 00\ncsw.status: 0\n",
     ("bCBWLUN", "bCBWCBLength", "dCSWTag", "dCSWDataResidue"), "READ(10)", "passed"),
    ("Command READ_10 (10 bytes)\nbytes: 28 00 00 00 08 00 00 00 01 00\ntransferred 512/512\n"
     "Bulk Status S 0x53425355 T 0x5 R 0 Stat 0x0\n",
     ("dCBWTag", "dCBWDataTransferLength", "bmCBWFlags", "bCBWLUN", "bCBWCBLength"), "READ(10)", "passed"),
    ("dCBWTag: 7\ndCBWDataTransferLength: 512\nbmCBWFlags: 80h\nCBW tag: 8, len: 0, flags: 0\n",
     ("bCBWLUN", "bCBWCBLength", "CBWCB"), "command not printed", "no status"),
    ("CBW: tag=1 len=512 flags=0x80\nCDB-00 = 0x28\nCSW: tag=1\nCSW: residue=0\n" + "idle\n" * 8,
     ("bCBWLUN", "bCBWCBLength", "CBWCB", "bCSWStatus"), "READ(10)", "not printed"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "lacks", "command", "status"), LACKING)
def test_what_is_not_printed_is_named(
    text: str, lacks: tuple[str, ...], command: str, status: str, tmp_path: Path
) -> None:
    from sticktrace.output.json_lines import exchange_facts
    from sticktrace.output.listing import line_of

    path = tmp_path / "log.txt"
    path.write_text(text)
    first = shown(path)[0]
    assert (first.not_printed, first.command) == (lacks, command)
    line, facts = line_of(first), exchange_facts(first)
    assert line.outcome == status and f"not printed: {', '.join(lacks)}" in line.remark
    assert facts["not_printed"] == list(lacks)
    assert (facts["tag"] is None) is ("dCBWTag" in lacks)
    assert (facts["expected"] is None) is ("dCBWDataTransferLength" in lacks)


@pytest.mark.parametrize("text", [case[0] for case in LACKING])
def test_a_redacted_copy_makes_nothing_up(text: str, tmp_path: Path) -> None:
    """What was not printed is not printed in the copy either."""
    before, after = tmp_path / "log.txt", tmp_path / "copy.txt"
    before.write_text(text + "the harbour office, Quay 3\n")
    with open_capture(before) as capture:
        redact(capture, after)
    assert "harbour" not in after.read_text()
    rows = [[(e.tag, e.cdb, e.expected, e.status, e.residue, e.not_printed) for e in shown(p)] for p in (before, after)]
    assert rows[0] == rows[1]


def test_sense_that_was_printed_without_its_command(tmp_path: Path) -> None:
    """Over Bulk-Only Transport only REQUEST SENSE brings sense (BOT 1.0 5; SPC-3 6.27), so it was sent."""
    path = tmp_path / "log.txt"
    for sense in ("sense 70 00 06 00 00 00 00 0a 00 00 00 00 29 00 00 00 00 00", "Sense Key = 6, ASC = 29h, ASCQ = 0"):
        path.write_text(
            "Bulk Command S 0x43425355 T 0x2 L 0 F 0 Trg 0 LUN 0 CL 6\nCDB: 00 00 00 00 00 00\n"
            f"Bulk Status S 0x53425355 T 0x2 R 0 Stat 0x1\n{sense}\n"
        )
        refused, fetched = shown(path)
        assert refused.sense is not None and refused.sense[:3] == (6, 0x29, 0)
        assert fetched.opcode == 3 and fetched.status == "not printed" and "dCBWTag" in fetched.not_printed


NEAR = [
    "CBW sent", "CSW ok", "csw status 1", "tag 5 of the inventory", "Length: 36", "flags 0x80 set in register 5",
    "transferred 36 files", "Command took 10 bytes", "sense of direction: 70", "cb 00 00 00 00 00 00",
    "status: 0", "lun: 0", "0x43425355 is a magic number", "CDB-less transport", "residue 5 mg", "code: 0x70",
]  # fmt: skip


def test_lines_that_only_look_alike_give_nothing() -> None:
    from sticktrace.capture.hex_text import HexTextReader

    for line in NEAR:
        reader = HexTextReader((line + "\n").encode() * 3 + b"idle\n" * 9)
        assert not [*reader.transfers(), *reader.finish()], line


def test_not_too_quick_to_see_words() -> None:
    """Eight digits are words only where a wrapper's signature was printed as one."""
    text = b"0000: 55534243 01000000 24000000 80000612\n0010: 00000024 00000000 00000000 000000\n"
    reader = reader_of("paste", text)
    (transfer,) = [*reader.transfers(), *reader.finish()]
    assert reader.payload[transfer.data_at : transfer.data_at + 9].startswith(b"USBC\x01\0\0\0\x24")
    assert transfer.actual == 31


@pytest.mark.parametrize("cut", [True, False])
def test_a_text_that_ends_within_a_wrapper_says_so(cut: bool, tmp_path: Path) -> None:
    """What was read before it passed; of the last command nothing is known."""
    whole = "CBW:\n signature: 0x43425355\n tag: 0x1\n datlen: 0x0\n flags: 0x0\n lun: 0\n cblen: 6\n"
    whole += " cb: 00 00 00 00 00 00\n"
    status = "CSW:\n signature: 0x53425355\n tag: 0x1\n residue: 0\n status: 0\n"
    log = tmp_path / "console.txt"
    log.write_text(whole + status + ("CBW:\n signature: 0x43425355\n tag: 0x2\n" if cut else ""))
    with open_capture(log) as capture:
        reading = capture.reading()
        assert [item.command for item in reading if isinstance(item, Exchange)] == ["TEST UNIT READY"]
    assert any("ends within a wrapper" in sentence for sentence in reading.assumed) is cut
