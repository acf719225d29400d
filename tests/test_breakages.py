"""Classes of harm that came up once and have no file of their own: a capture that begins in mid command, a container
that is damaged where it is copied, a file that another program cuts short while a verb reads it."""

from __future__ import annotations

import struct
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from hands import run
from planted import Garden, pcapng
from sticktrace.errors import SticktraceError
from sticktrace.redaction.copying import redact
from workshop import Alternate, Host, Identity, Medium, Recorder, Stick, Unit, wire


def plugged(recorder: Recorder, ins: int, outs: int, address: int) -> Host:
    """A stick with these endpoints."""
    alternate = Alternate(endpoints=((0x80 | ins, 2, 512, 0), (outs, 2, 512, 0)))
    return Host(recorder, Stick(Identity(alternates=(alternate,)), [Unit(Medium(1000))], address=address))


@pytest.mark.parametrize("address", [2, 3])
@pytest.mark.parametrize("skipped", range(14))
def test_a_capture_that_begins_inside_a_command(skipped: int, address: int, tmp_path: Path) -> None:
    """Then comes an enumeration, on other pipes, of the same address or of another: every record has its place."""
    recorder = Recorder()
    first = plugged(recorder, 1, 2, 2)
    for lba in range(3):
        first.execute(wire.read10(lba))
    second = plugged(recorder, 3, 4, address)
    second.enumerate(address)
    second.execute(wire.inquiry())
    second.execute(wire.read_capacity10())
    for _ in range(skipped):
        recorder.drop(1)
    (tmp_path / "c").write_bytes(recorder.pcap())
    with sticktrace.open(tmp_path / "c") as capture:
        reading = capture.reading()
        opcodes = [item.cdb[0] for item in reading if hasattr(item, "cdb") and item.address == address]
        assert sum(reading.places().values()) == len(recorder.halves)
    assert opcodes[-2:] == [0x12, 0x25]


# -- damaged containers ------------------------------------------------------------------------------------------------


@cache
def containers() -> dict[str, bytes]:
    """A short recording in each."""
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(1000))]))
    host.enumerate()
    host.execute(wire.inquiry())
    for lba in range(5):
        host.command(wire.read10(lba), data_in=b"SKERRY%02d" % lba * 64)
    plain = host.recorder.pcap()
    return {
        "pcap": plain,
        "pcapng": pcapng(Garden("damage"), plain),
        "usbmon text": host.recorder.usbmon_text().encode(),
    }


CHANGES = st.lists(st.tuples(st.floats(0, 1), st.sampled_from((0, 0xFF, 0x20, 0x0A, 1, 0x41))), min_size=1, max_size=4)


def places(path: Path) -> tuple[int, list[tuple[str, int]]]:
    """How many records there are and where they ended."""
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        for _ in reading:
            pass
        return reading.reader.records, sorted(reading.places().items())


@settings(deadline=None, max_examples=120)
@given(st.sampled_from(("pcap", "pcapng", "usbmon text")), CHANGES, st.floats(0.5, 1))
def test_a_copy_of_a_damaged_container_has_the_same_records_or_is_refused(
    form: str, changes: list[tuple[float, int]], kept: float
) -> None:
    data = bytearray(containers()[form])
    for place, value in changes:
        data[int(place * (len(data) - 1))] = value
    with TemporaryDirectory() as folder:
        before, after = Path(folder) / "in", Path(folder) / "out"
        before.write_bytes(data[: int(kept * len(data))])
        try:
            with sticktrace.open(before) as capture:
                redact(capture, after)
        except SticktraceError as error:
            assert "\n" not in str(error) and not after.exists()
            return
        assert places(after) == places(before)
        assert before.stat().st_size == after.stat().st_size


def test_records_that_claim_too_much_are_not_lost_in_the_copy(tmp_path: Path) -> None:
    """Good records stand inside what a damaged length took."""
    data = bytearray(containers()["pcap"])
    at = data.index(b"USBC", len(data) // 2) - 64 - 16
    struct.pack_into("<II", data, at + 8, 3000, 3000)
    (tmp_path / "in").write_bytes(data)
    with sticktrace.open(tmp_path / "in") as capture:
        redact(capture, tmp_path / "out")
    assert places(tmp_path / "out") == places(tmp_path / "in")
    assert b"SKERRY" not in (tmp_path / "out").read_bytes()


# -- a file that is cut short ------------------------------------------------------------------------------------------

CUTTING = """
import os, sys
from sticktrace.capture.source import Source
from sticktrace.cli.main import main
after, path, check = int(os.environ["CUT_AFTER"]), os.environ["CUT_PATH"], Source.check
calls = 0
def cut(self, end=0):
    global calls
    calls += 1
    if calls == after:
        os.truncate(path, 20000)
    return check(self, end)
Source.check = cut
main()
"""
"""The program, whose capture is cut short at one of the moments at which it looks whether it was."""


@pytest.mark.parametrize("words", ["check", "exchanges", "diagnose", "volume", "export", "timing", "devices",
                                   "redact TARGET"])  # fmt: skip
@pytest.mark.parametrize("after", [3, 5, 9, 40])
def test_a_file_cut_short_under_a_verb_is_one_line(
    words: str, after: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(1 << 16))]))
    host.enumerate()
    host.execute(wire.read_capacity10())
    for lba in range(60):
        host.command(wire.read10(lba * 64, 64), data_in=bytes([lba]) * 32768)
    (tmp_path / "c").write_bytes(host.recorder.pcap())
    monkeypatch.setenv("CUT_AFTER", str(after))
    monkeypatch.setenv("CUT_PATH", str(tmp_path / "c"))
    verb, *more = words.replace("TARGET", str(tmp_path / "out")).split()
    status, _, error = run([verb, "c", *more], tmp_path, code=CUTTING)
    assert status in (0, 1, 2, 3), (status, error)
    assert "Traceback" not in error and error.count("\n") <= 2, error
    assert status == 0 or "cut" in error or status == 1
    assert not list(tmp_path.glob("*.unfinished")) and not ((tmp_path / "out").exists() and status >= 2)
