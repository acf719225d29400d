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
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from scapy.utils import RawPcapReader

from conftest import ROOT
from sticktrace.cli.main import VERBS, cli

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


def headings() -> set[str]:
    """The anchors of the page's sections."""
    titles = re.findall(r"^#+ (.+)$", PAGE, re.MULTILINE)
    return {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}


def cut(name: str, drop: Callable[[bytes], bool] = lambda _: False, records: slice = slice(None)) -> bytes:
    """A demo capture without some of its records; a record's header of link type 220 is what ``drop`` is asked of."""
    data, at, kept = (ROOT / "traces" / "demo" / f"{name}.pcap").read_bytes(), 24, []
    while at < len(data):
        end = at + 16 + struct.unpack_from("<I", data, at + 8)[0]
        kept.append(data[at:end])
        at = end
    return data[:24] + b"".join(one for one in kept[records] if not drop(one[16:]))


def diagnosed(data: bytes, tmp_path: Path) -> tuple[list[str], str]:
    """The sections that a diagnosis points to, as JSON and as text tell them, and the facts that are missing."""
    (tmp_path / "capture").write_bytes(data)
    facts = json.loads(CliRunner().invoke(cli, ["diagnose", "--json", str(tmp_path / "capture")]).stdout)["missing"]
    text = "".join(CliRunner().invoke(cli, ["diagnose", str(tmp_path / "capture")]).stdout.split())
    for fact in facts:
        page, _, section = fact["see"].partition("#")
        assert page == "docs/recording.md" and section in headings()
        assert "".join(f"{fact['fact']} ({fact['see']})".split()) in text
    return [fact["see"].partition("#")[2] for fact in facts], "; ".join(fact["fact"] for fact in facts)


_HUB, _DEVICE_AT = 1, 11
CONSOLE = (ROOT / "traces" / "demo" / "usb-console.txt").read_bytes()
UNTIMED = re.sub(rb"\[ +\d+\.\d+\] ", b"", CONSOLE)
LOGS = ROOT / "tests" / "data" / "logs"
LACKING = {
    "keyboard alone": (lambda: (LOGS / "keyboard-only.log").read_bytes(), "why-it-does-not-come-up"),
    "plugged in before": (lambda: cut("no-address", lambda head: head[_DEVICE_AT] == _HUB), "why-it-does-not-come-up"),
    "cut behind a failure": (lambda: cut("bad-sector", records=slice(0, 123)), "what-the-stick-refused"),
    "no blocks printed": (lambda: CONSOLE, "what-is-on-the-medium"),
    "no port": (lambda: cut("brown-out-on-write", lambda head: head[_DEVICE_AT] == _HUB), "why-it-drops-out"),
    "no times": (lambda: UNTIMED, "why-it-is-slow"),
    "whose fault": (lambda: cut("stall-recovery"), "whether-it-is-the-host-or-the-stick"),
    "seen by the host": (lambda: cut("stall-recovery"), "what-was-on-the-wire"),
    "only words": (lambda: (LOGS / "reset-storm.log").read_bytes(), "what-to-record-for-which-question"),
}  # fmt: skip


@pytest.mark.parametrize("case", LACKING)
def test_diagnose_points_to_the_page_when_a_fact_is_missing(case: str, tmp_path: Path) -> None:
    make, section = LACKING[case]
    assert section in diagnosed(make(), tmp_path)[0]


def test_every_question_is_pointed_to_by_something() -> None:
    assert {section for _, section in LACKING.values()} >= QUESTIONS


@pytest.mark.parametrize("name", ["healthy-boot", "write-protected", "hub-port-overcurrent", "counterfeit"])
def test_nothing_is_missing_where_all_is_there(name: str, tmp_path: Path) -> None:
    assert diagnosed(cut(name), tmp_path) == ([], "")


@pytest.mark.parametrize("words", sorted(set(re.findall(r"\bsticktrace (\w[^`\n|#]*)", PAGE))))
def test_what_the_page_tells_to_type_can_be_typed(words: str) -> None:
    """Verbs and options are those of the program."""
    verb, *rest = words.split()
    if verb in VERBS:
        options = {word for word in rest if word.startswith("--")}
        assert options <= set(CliRunner().invoke(cli, [verb, "--help"]).stdout.split())
    else:  # "sticktrace tells the form by its content"
        assert not any(word.startswith("-") for word in rest)


def test_words_of_a_port_are_read(tmp_path: Path) -> None:
    page = re.search(r"such as\n`([^`]+)` are read", PAGE)
    assert page is not None
    (tmp_path / "console.txt").write_bytes(page[1].encode() + b"\n" + b"\n".join(CONSOLE.splitlines()[6:]))
    facts = json.loads(CliRunner().invoke(cli, ["diagnose", "--json", str(tmp_path / "console.txt")]).stdout)
    assert {stage["name"]: stage["state"] for stage in facts["devices"][0]["stages"]}["attach"] == "reached"


def test_each_question_has_its_section() -> None:
    linked = re.findall(r"\| \[[^]]+\]\(#([\w-]+)\)", PAGE.split("### ")[0])
    assert set(linked) == QUESTIONS and len(linked) == len(QUESTIONS)


def test_each_form_says_what_it_cannot_show() -> None:
    sections = dict(re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL))
    assert [title for title in sections if title.startswith("From ")] == FORMS
    assert all("*It cannot show*" in sections[title] for title in FORMS)
    rows = [line for line in sections["What each form shows"].splitlines() if line.startswith("|")]
    assert len(rows) > 8 and {line.count("|") for line in rows} == {len(FORMS) + 2}
