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
@pytest.mark.parametrize("verb", ["check bad-sector.pcap", "findings", "compose inquiry", "--help"])
def test_a_full_disk_is_said_in_one_line(verb: str) -> None:
    """Short output fails only when it is flushed, long output when it is written."""
    assert run(f"{verb} >/dev/full") == (2, "", "sticktrace: cannot write the output: No space left on device\n")


def test_a_reader_that_has_seen_enough_ends_the_program_quietly() -> None:
    """As `head` does."""
    status, shown, complaint = run("findings | head -1", folder=DEMO)
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
