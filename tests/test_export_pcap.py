"""Export as pcap: whatever form goes in, the same exchanges come out, and scapy's reader agrees on the records."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from scapy.utils import RawPcapReader

import sticktrace
from conftest import capture_path
from sticktrace.cli.main import cli
from sticktrace.output.pcap import write

DEMO = Path(__file__).parent.parent / "traces" / "demo"
FORMS = [
    capture_path("l15_read_error-usbmon.pcap"),  # link type 220
    capture_path("c09_sg_189.pcap"),  # link type 189, 48-byte header
    capture_path("c14_two_luns_ng_be.pcapng"),  # big-endian pcapng
    capture_path("l20_hub_uhci-usbmon-0u.txt"),  # usbmon text
    capture_path("l19_uas_ehci-usbmon.pcap"),  # UAS
    capture_path("f08_slof_ehci-emu.pcap"),  # the emulator's dialect
    DEMO / "usb-console.txt",  # hex text
]


def facts(path: Path) -> list[tuple[Any, ...]]:
    """What must survive the change of form."""
    with sticktrace.open(path) as capture:
        return [
            (e.time_ns // 1000, e.cdb, e.tag, e.expected, e.moved, e.residue, e.status, e.stalled, e.case,
             e.sense and e.sense[:3], capture.data(e))
            for e in capture.exchanges()
        ]  # fmt: skip


@pytest.mark.parametrize("path", FORMS, ids=lambda path: path.name)
def test_every_form_becomes_the_same_exchanges(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.pcap"
    with sticktrace.open(path) as capture, target.open("wb") as out:
        written = write(capture.reading(), out)
    assert facts(target) == facts(path)
    with RawPcapReader(str(target)) as records:  # scapy as a second reader: count and link type
        assert records.linktype == 220
        times = [metadata.sec * 1_000_000_000 + metadata.usec for _, metadata in records]
    assert len(times) == written
    assert times == sorted(times)


def test_a_selection_keeps_descriptors_and_sense(tmp_path: Path) -> None:
    path, target = capture_path("l15_read_error-usbmon.pcap"), tmp_path / "bad.pcap"
    result = CliRunner().invoke(cli, ["export", "--as", "pcap", "--to", str(target), str(path), "status:failed"])
    assert result.exit_code == 0
    with sticktrace.open(target) as capture:
        kept = list(capture.exchanges())
        failed = [e for e in kept if e.status == "failed"]
        # truth.json of that capture: eight commands fail with 3/11/00, each followed by its REQUEST SENSE
        assert [e.sense and e.sense[:3] for e in failed] == [(3, 0x11, 0)] * 8
        assert {e.command for e in kept} == {"READ(10)", "REQUEST SENSE"}
        assert any(request.name.startswith("GET_DESCRIPTOR") for request in capture.requests())


def test_nothing_is_overwritten_unasked(tmp_path: Path) -> None:
    target = tmp_path / "there.pcap"
    target.write_bytes(b"mine")
    arguments = ["export", "--as", "pcap", "--to", str(target), str(DEMO / "healthy-boot.pcap")]
    with pytest.raises(sticktrace.SticktraceError, match="exists"):
        CliRunner().invoke(cli, arguments, catch_exceptions=False)
    assert target.read_bytes() == b"mine"
    assert CliRunner().invoke(cli, [*arguments, "--overwrite"]).exit_code == 0
    assert target.read_bytes()[:4] == b"\x4d\x3c\xb2\xa1"  # pcap, ns, little-endian (draft-ietf-opsawg-pcap)


@pytest.mark.parametrize("form", ["pcap", "packets"])
def test_what_a_console_says_in_words_is_no_record(form: str, tmp_path: Path) -> None:
    """Lines of a kernel or a board between the bytes tell of no transfer."""
    text = (DEMO / "usb-console.txt").read_text().splitlines()
    said = ["usb 1-1: device descriptor read/64, error -110", "usb 1-1: USB disconnect, device number 5"]
    source, target = tmp_path / "console.txt", tmp_path / "out.pcap"
    source.write_text("\n".join([*said, *text[:12], *said, *text[12:], *said]) + "\n")
    result = CliRunner().invoke(cli, ["export", "--as", form, "--to", str(target), str(source)])
    assert result.exit_code == 0, result.exception
    with sticktrace.open(target) as capture, sticktrace.open(DEMO / "usb-console.txt") as plain:
        assert [e.cdb for e in capture.exchanges()] == [e.cdb for e in plain.exchanges()]
