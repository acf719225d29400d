"""docs/recording.md and docs/record_linux.py: what the page sends a person to is there, and the script's file is read.

The event's header follows the kernel documentation, "usbmon", "Raw binary format and API": 48 bytes for read(2), which
are the first 48 of the 64 that link type 220 has.
"""

from __future__ import annotations

import json
import os
import re
import signal
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from scapy.utils import RawPcapReader

from conftest import ROOT
from sticktrace.cli.main import cli

SCRIPT, PAGE = ROOT / "docs" / "record_linux.py", (ROOT / "docs" / "recording.md").read_text(encoding="utf-8")
DEMOS = [ROOT / "traces" / "demo" / f"{name}.pcap" for name in ("healthy-boot", "stall-recovery", "brown-out-on-write")]


def events(pcap: Path) -> bytes:
    """What the kernel's device would have given out for a recording with link type 220."""
    with RawPcapReader(str(pcap)) as reader:
        return b"".join(data[:48] + data[64:] for data, _ in reader)


def exchanges(path: Path) -> list[dict[str, object]]:
    lines = CliRunner().invoke(cli, ["export", str(path)]).stdout.splitlines()
    return [fact for fact in map(json.loads, lines) if fact["kind"] in ("exchange", "request")]


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.stem)
def test_the_script_records_everything(demo: Path, tmp_path: Path) -> None:
    source, target = tmp_path / "usbmon", tmp_path / "stick.pcap"
    source.write_bytes(events(demo))
    command = [sys.executable, SCRIPT, source, target]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    with RawPcapReader(str(target)) as reader:
        records = list(reader)
        assert reader.linktype == 189
    assert f"{len(records)} events" in done.stderr
    assert exchanges(target) == exchanges(demo)


def test_the_script_keeps_what_came_before_ctrl_c(tmp_path: Path) -> None:
    """A pipe that stays open gives its events in pieces; the file is whole after each event."""
    source, target = tmp_path / "usbmon", tmp_path / "stick.pcap"
    os.mkfifo(source)
    data = events(DEMOS[0])
    command = [sys.executable, SCRIPT, source, target]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as recorder, source.open("wb", buffering=0) as pipe:
        for at in range(0, 9_000, 1_000):
            pipe.write(data[at : at + 1_000])
        for _ in range(600):
            if target.exists() and target.stat().st_size > 8_000:
                break
            with pytest.raises(subprocess.TimeoutExpired):
                recorder.wait(0.05)
        recorder.send_signal(signal.SIGINT)
        assert recorder.wait(30) == 0
        assert recorder.stderr is not None and b"events" in recorder.stderr.read()
    kept = target.read_bytes()
    at = 24  # the file's header; each record has 16 bytes of its own and the length at 8
    while at < len(kept):
        at += 16 + struct.unpack_from("=I", kept, at + 8)[0]
    assert at == len(kept)


def test_the_script_writes_over_nothing(tmp_path: Path) -> None:
    (tmp_path / "events").write_bytes(b"")
    (tmp_path / "old.pcap").write_bytes(b"precious")
    command = [sys.executable, str(SCRIPT), str(tmp_path / "events"), str(tmp_path / "old.pcap")]
    assert subprocess.run(command, capture_output=True, check=False).returncode != 0
    assert (tmp_path / "old.pcap").read_bytes() == b"precious"
    assert b"record_linux.py BUS FILE" in subprocess.run(command[:2], capture_output=True, check=False).stderr


QUESTIONS = {
    "why-it-does-not-come-up", "what-the-stick-refused", "what-is-on-the-medium", "why-it-drops-out", "why-it-is-slow",
    "whether-it-is-the-host-or-the-stick", "what-was-on-the-wire",
}  # fmt: skip
"""Anchors that `diagnose` may point to."""
FORMS = ["From a Linux host, as text", "From a Linux host, whole", "From a Windows host", "From a macOS host",
         "From your board", "From a bus probe"]  # fmt: skip


def test_each_question_has_its_section() -> None:
    linked = re.findall(r"\| \[[^]]+\]\(#([\w-]+)\)", PAGE.split("### ")[0])
    assert set(linked) == QUESTIONS and len(linked) == len(QUESTIONS)


def test_each_form_says_what_it_cannot_show() -> None:
    sections = dict(re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL))
    assert [title for title in sections if title.startswith("From ")] == FORMS
    assert all("*It cannot show*" in sections[title] for title in FORMS)
    rows = [line for line in sections["What each form shows"].splitlines() if line.startswith("|")]
    assert len(rows) > 8 and {line.count("|") for line in rows} == {len(FORMS) + 2}
