"""What the verbs print on a pipe for demo captures, against files that a person has read. Made anew by
``python tests/golden/make.py``."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import ROOT

GOLDEN = Path(__file__).parent / "golden"
sys.path.insert(0, str(GOLDEN))

from make import COMMANDS, output_of  # noqa: E402


@pytest.mark.parametrize("name", COMMANDS)
def test_output_on_a_pipe(name: str) -> None:
    want = (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")
    assert output_of(COMMANDS[name]) == want, "if this is meant: python tests/golden/make.py, and read the difference"


def test_no_golden_file_without_a_command() -> None:
    assert {path.stem for path in GOLDEN.glob("*.txt")} == set(COMMANDS)


def run(*words: str, given: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    """The command line in a process of its own, with real pipes."""
    return subprocess.run(
        [sys.executable, "-c", "from sticktrace.cli.main import main; main()", *words],
        capture_output=True, input=given, cwd=ROOT / "traces" / "demo", check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT / "decoder"), "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip


@pytest.mark.parametrize("name", ["stall-recovery.exchanges", "stall-recovery.csv", "uas-stick.devices"])
def test_a_real_pipe_gets_the_same(name: str) -> None:
    result = run(*COMMANDS[name].split())
    want = (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")
    assert result.returncode == 0 and result.stderr == b""
    assert result.stdout.decode() == want.partition("\n")[2]


def test_standard_input_is_read_like_a_file() -> None:
    data = (ROOT / "traces" / "demo" / "stall-recovery.pcap").read_bytes()
    assert run("exchanges", "-", given=data).stdout == run("exchanges", "stall-recovery.pcap").stdout
