"""Export as pcap: whatever form goes in, the same exchanges come out, and scapy's reader agrees on the records."""

from __future__ import annotations

from collections import Counter
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.utils import RawPcapReader

import sticktrace
from conftest import capture_bytes, capture_names, capture_path
from sticktrace.cli.main import cli
from sticktrace.output.pcap import write
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

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


def told(path: Path, data: bool) -> Counter[tuple[Any, ...]]:
    """Every exchange by what it says, without times, with its ``data`` or without."""
    with sticktrace.open(path) as capture:
        return Counter(
            (e.cdb, e.tag, e.expected, e.status, capture.data(e) if data else b"") for e in capture.exchanges()
        )


def not_invented(data: bytes, folder: Path, packets: bool = False) -> None:
    """What comes out was there before. Where a transfer of packets ends is inferred, and what lies behind that is data
    of the same command to a host."""
    source, target = folder / "in", folder / "out"
    source.write_bytes(data)
    with sticktrace.open(source) as capture, target.open("wb") as out:
        write(capture.reading(), out)
    assert not told(target, not packets) - told(source, not packets)


@cache
def short() -> tuple[bytes, tuple[int, ...]]:
    """A short recording, and where its records begin."""
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(1000))]))
    host.enumerate()
    for lba in range(4):
        host.command(wire.read10(lba), data_in=b"%04d" % lba * 128)
        host.command(wire.write10(lba), data_out=b"%04d" % lba * 128)
    data, at, records = host.recorder.pcap(), 24, []
    while at < len(data):
        records.append(at + 16)
        at += 16 + int.from_bytes(data[at + 8 : at + 12], "little")
    return data, tuple(records)


CHANGES = st.lists(st.tuples(st.integers(0, 999), st.sampled_from((8, 9, 10, 11, 12, 13, 14, 15, 28, 32, 36)),
                             st.integers(0, 255)), min_size=1, max_size=3)  # fmt: skip
"""Record, byte of its header (event, kind, endpoint, device, bus, flags, status, length), and what it becomes."""


@settings(deadline=None, max_examples=60)
@given(CHANGES)
def test_no_exchange_is_invented_of_damaged_headers(changes: list[tuple[int, int, int]]) -> None:
    data, records = short()
    broken = bytearray(data)
    for number, offset, value in changes:
        broken[records[number % len(records)] + offset] = value
    with TemporaryDirectory() as folder:
        not_invented(bytes(broken), Path(folder))


def test_no_exchange_is_invented_of_kinds_that_the_header_does_not_define(tmp_path: Path) -> None:
    """Kernel documentation, usbmon: 0 to 3. A data transfer of another kind is no bulk transfer."""
    data, records = short()
    for kind in (4, 5, 7, 0x0B, 0x83, 0xFF):
        broken = bytearray(data)
        for at in records[-6:]:
            broken[at + 9] = kind
        not_invented(bytes(broken), tmp_path)


@pytest.mark.parametrize("form", ["249", "266", "odd records", "usbmon binary", "pcapng", "packets", "hex text"])
def test_no_exchange_is_invented_in_any_form(form: str, tmp_path: Path) -> None:
    from test_redaction_proof import garden_of

    not_invented(garden_of("device")[1][form], tmp_path, form == "packets")


@pytest.mark.parametrize("name", capture_names()[::3])
def test_no_exchange_is_invented_of_recordings(name: str, tmp_path: Path) -> None:
    not_invented(capture_bytes(name), tmp_path)


def test_devices_beyond_the_header_s_byte_stay_apart(tmp_path: Path) -> None:
    """Link type 249 counts devices in 16 bits: 2, 130, 258 and 514 are four sticks."""
    recorder = Recorder(249)
    for address in (2, 130, 258, 514):
        host = Host(recorder, Stick(Identity(), [Unit(Medium(1000))], address=address))
        for lba in range(3):
            host.command(wire.read10(lba), data_in=b"%04d" % address * 128)
    not_invented(recorder.pcap(), tmp_path)
    with sticktrace.open(tmp_path / "out") as capture:
        found = [(e.bus, e.address, capture.data(e)[:4]) for e in capture.exchanges()]
    assert len(set(found)) == 4 and len(found) == 12
