"""The command line at its edges: streams that are full, closed or poor in characters, and words that mean nothing.

Every case ends with one line on standard error at most, no traceback, and the exit status of the plan of the house:
0 done, 1 findings of fault, 2 wrong use, 3 unreadable capture.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import capture_bytes
from workshop import FatVolume, Host, Identity, Recorder, Stick, Unit, session

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "traces" / "demo"
_RUN = f'exec "{sys.executable}" -c "from sticktrace.cli.main import main; main()"'


def run(words: str, *, folder: Path = DEMO, **environment: str) -> tuple[int, str, str]:
    """Run the program through a shell, so that streams can be redirected as people do. Returns status and streams."""
    paths = f"{ROOT / 'decoder'}{os.pathsep}{ROOT / 'tui'}"
    done = subprocess.run(
        ["bash", "-c", f"{_RUN} {words}"], cwd=folder, capture_output=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": paths, **environment},
    )  # fmt: skip
    return done.returncode, done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
@pytest.mark.parametrize("verb", ["check bad-sector.pcap", "about --list all", "compose inquiry", "--help"])
def test_a_full_disk_is_said_in_one_line(verb: str) -> None:
    """Short output fails only when it is flushed, long output when it is written."""
    assert run(f"{verb} >/dev/full") == (2, "", "sticktrace: cannot write the output: No space left on device\n")


def test_a_reader_that_has_seen_enough_ends_the_program_quietly() -> None:
    """As `head` does."""
    status, shown, complaint = run("about --list all | head -1", folder=DEMO)
    assert (status, len(shown.splitlines()), complaint) == (0, 1, "")


def test_streams_may_be_closed() -> None:
    """Standard input reads as empty, output goes nowhere."""
    assert run("check - <&-") == (3, "", "sticktrace: standard input: the capture is empty\n")
    assert run("explain - <&-")[0] == 2
    assert run("check bad-sector.pcap >&-") == (0, "", "")
    assert run("check nothing.pcap 2>&-")[0] == 3


def test_characters_that_the_output_lacks_become_escapes() -> None:
    """µ in a locale of plain ASCII."""
    status, shown, complaint = run(
        "exchanges healthy-boot.pcap", LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0", PYTHONIOENCODING="ascii"
    )
    assert (status, complaint) == (0, "")
    assert r"\xb5s" in shown


@pytest.mark.parametrize(
    "words, what",
    [
        ("exchanges healthy-boot.pcap lba:5..2", "lba:5..2: 5..2 runs backwards; the smaller end comes first"),
        ("exchanges healthy-boot.pcap lba:x", "lba:x: 'x' is not a number"),
        ("exchanges healthy-boot.pcap time:1e400", "time:1e400: '1e400' is not a time in seconds"),
        ("exchanges healthy-boot.pcap slower:1..2s", "slower:1..2s: '1..2s' is not a duration"),
        ("exchanges healthy-boot.pcap command:,", "command:,: names no command"),
        ("exchanges healthy-boot.pcap sense:103", "sense:103: not understood"),
        ("exchanges healthy-boot.pcap status:fine", "status:fine: not known; write one of passed"),
        ("explain healthy-boot.pcap ²", "give the number of an exchange"),
        (f"explain healthy-boot.pcap {'9' * 5000}", "give the number of an exchange"),
        ("explain - < healthy-boot.pcap", "is neither a hex digit nor a file that exists"),
        ("explain 555", "3 hex digits make no whole bytes"),
        ("export healthy-boot.pcap --to /nowhere/at/all", "/nowhere/at/all: No such file or directory"),
    ],
)
def test_wrong_use_is_said_in_one_line(words: str, what: str) -> None:
    """Exit status 2, and the line names the word that is wrong."""
    status, shown, complaint = run(words)
    assert (status, shown) == (2, "")
    assert what in complaint
    assert len(complaint.splitlines()) == 1


def test_control_characters_of_a_file_name_are_shown_as_escapes(tmp_path: Path) -> None:
    """A name may hold anything but a slash; a terminal must not act on it."""
    name = "a\x1b[31mb\nc.pcap"
    data = (DEMO / "healthy-boot.pcap").read_bytes()
    (tmp_path / name).write_bytes(data[:-1])
    status, _, complaint = run("check a*c.pcap", folder=tmp_path)
    assert status == 1
    assert complaint.startswith(r"sticktrace: a\x1b[31mb\x0ac.pcap: byte ")
    assert complaint.count("\n") == 1


@pytest.mark.parametrize("form", ["jsonl", "csv", "pcap"])
def test_an_export_never_writes_over_its_own_source(tmp_path: Path, form: str) -> None:
    """The capture is mapped while it is read: written over, it would be lost and the program with it."""
    shutil.copy(DEMO / "healthy-boot.pcap", tmp_path / "own.pcap")
    (tmp_path / "other.pcap").symlink_to("own.pcap")
    for target in ("own.pcap", "other.pcap"):
        status, _, complaint = run(f"export own.pcap --as {form} --to {target} --overwrite", folder=tmp_path)
        assert status == 2
        assert complaint.startswith(f"sticktrace: {target}: is the capture itself")
    assert (tmp_path / "own.pcap").read_bytes() == (DEMO / "healthy-boot.pcap").read_bytes()


@pytest.mark.parametrize("verb", ["export", "export --as csv", "exchanges", "devices --json", "check"])
def test_a_reader_that_goes_away_is_no_fault(verb: str, tmp_path: Path) -> None:
    """1 would mean that a fault was found."""
    (tmp_path / "big.pcap").write_bytes(capture_bytes("l01_fat32_ehci-usbmon.pcap"))
    status, _, complaint = run(f"{verb} big.pcap | true; exit ${{PIPESTATUS[0]}}", folder=tmp_path)
    assert (status, complaint) == (0, "")


@pytest.mark.parametrize("digits", [128, 256, 600, 5000])
def test_hex_as_one_word_is_explained_however_long(digits: int) -> None:
    """No system has file names so long, and asking for one is an error of its own on some."""
    cbw = "55534243010000000002000080000a28" + "0" * 30
    status, shown, complaint = run(f"explain {cbw.ljust(digits, '0')}")
    assert (status, complaint) == (0, "") and shown
    assert run(f"{'5' * digits}")[0] == 2
    status, _, complaint = run(f"explain {'5' * (digits - 1)}x")
    assert status == 2 and complaint.count("\n") == 1


NAME = "\x1b]0;x\x07\u202e\n"


@pytest.mark.parametrize("verb", [
    "redact own.pcap TARGET", "volume own.pcap --image TARGET", "volume own.pcap --files TARGET",
    "export own.pcap --as pcap --to TARGET", "export own.pcap --as csv --to TARGET",
])  # fmt: skip
def test_the_name_of_an_output_is_printed_without_what_a_terminal_acts_on(verb: str, tmp_path: Path) -> None:
    (tmp_path / "own.pcap").write_bytes(capture_bytes("l01_fat32_ehci-usbmon.pcap"))
    quoted = "$'" + NAME.encode("unicode_escape").decode() + "'"
    for _ in range(2):  # the second time it exists
        _, shown, complaint = run(verb.replace("TARGET", quoted), folder=tmp_path)
        assert not set(shown + complaint) & {"\x1b", "\x07", "\u202e"}, (shown, complaint)
        assert "Traceback" not in complaint


def test_strings_of_a_device_are_escaped_once(tmp_path: Path) -> None:
    identity = Identity(manufacturer="A\x1bB", product="C\\D'E\"", serial="F\x07G")
    volume = FatVolume(64, 131_000)
    host = Host(Recorder(), Stick(identity, [Unit(session.tide_medium(volume), vendor="V\x1bW")]))
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    (tmp_path / "c.pcap").write_bytes(host.recorder.pcap())
    for verb in ("devices", "devices --story", "diagnose --all", "exchanges --wide", "volume", "fit"):
        shown = run(f"{verb} c.pcap", folder=tmp_path)[1]
        assert "\\\\" not in shown, shown
        if verb == "devices":
            assert r"A\x1bB" in shown and r"F\x07G" in shown and r"C\D" in shown


@pytest.mark.parametrize("words", ["export", "diagnose", "view", "explain", "volume", "redact", "compare x", "timing"])
@pytest.mark.parametrize("name", ["''", "/", "/dev/null/x", "$(printf 'x%.0s' {1..300})", "$'\\xff\\xfe'"])
def test_odd_names_of_captures_are_refused_in_one_line(words: str, name: str) -> None:
    verb, *more = words.split()
    status, _, complaint = run(f"{verb} {name} {' '.join(more)}")
    assert status in (2, 3) and complaint.count("\n") == 1 and "Traceback" not in complaint
