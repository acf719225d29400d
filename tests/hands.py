"""Running the program in a process of its own: killed in mid work, as another user, on a small disk."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from conftest import ROOT

DEMO = ROOT / "traces" / "demo"
MAIN = "from sticktrace.cli.main import main; main()"


def environment() -> dict[str, str]:
    """The environment in which the tree under test is the one that is imported."""
    paths = os.pathsep.join(str(ROOT / part) for part in ("decoder", "tui"))
    return {**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"}


Words = list[str | Path]


def start(words: Words, folder: Path, code: str = MAIN, bare: bool = False) -> subprocess.Popen[bytes]:
    """The program, started in a folder. ``bare`` takes from root the privilege to pass over the rights of files."""
    prefix = []
    if bare and os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root cannot give up its privileges here")
        prefix = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
    return subprocess.Popen(
        [*prefix, sys.executable, "-c", code, *map(str, words)], cwd=folder, env=environment(),
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def run(words: Words, folder: Path, bare: bool = False, code: str = MAIN) -> tuple[int, str, str]:
    """Exit status, output and complaints of the program."""
    process = start(words, folder, code, bare)
    out, error = process.communicate(timeout=120)
    return process.returncode, out.decode(), error.decode()


def complaint(words: Words, folder: Path, bare: bool = False) -> str:
    """The one line that a refused command says; status 2 or 3, nothing on standard output."""
    status, out, error = run(words, folder, bare)
    assert (status in (2, 3), out, error.count("\n")) == (True, "", 1), (status, out, error)
    assert error.startswith("sticktrace: ") and "Traceback" not in error
    return error


@contextmanager
def small_disk(folder: Path, size: str = "1m") -> Iterator[Path]:
    """A file system of a megabyte; skips the test where none can be mounted."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    made = subprocess.run(mount, capture_output=True, check=False)
    if made.returncode:
        pytest.skip("no file system can be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)
