"""Whatever stops a verb that writes, at any of fifty moments: under the name stands a whole file or none, what is not
whole is readable by its owner alone, and the next run takes it away."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import sticktrace
from conftest import capture_bytes
from hands import ROOT, environment
from sticktrace.writing import unfinished
from sticktrace.writing.outputs import Outputs

MOMENTS = 50
VERBS = {
    "redact": ["redact", "own.pcap", "out", "--overwrite"],
    "image": ["volume", "own.pcap", "--image", "out", "--overwrite"],
    "files": ["volume", "own.pcap", "--files", "dir", "--overwrite"],
    "jsonl": ["export", "own.pcap", "--to", "out", "--overwrite"],
    "csv": ["export", "own.pcap", "--as", "csv", "--to", "out", "--overwrite"],
    "pcap": ["export", "own.pcap", "--as", "pcap", "--to", "out", "--overwrite"],
    "packets": ["export", "own.pcap", "--as", "packets", "--to", "out", "--overwrite"],
}


def stops(folder: Path, how: str, words: list[str]) -> list[dict[str, Any]]:
    """What stood in a folder after each stop; the first is a run that was left alone."""
    done = subprocess.run(
        [sys.executable, ROOT / "tests" / "kill_writer.py", folder, how, str(MOMENTS), *words], env=environment(),
        capture_output=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()
    return [json.loads(line) for line in done.stdout.splitlines()]


CASES = [(verb, how) for verb in VERBS for how in ("SIGKILL", "SIGTERM", "SIGINT")] + [("redact", "SIGHUP")]


@pytest.mark.parametrize(("verb", "how"), CASES)
def test_a_verb_that_is_stopped_leaves_whole_files_or_none(tmp_path: Path, verb: str, how: str) -> None:
    """Of a redacted copy: nothing private can be read under its name at any of the moments."""
    data = capture_bytes("l01_fat32_ehci-usbmon.pcap")
    (tmp_path / "own.pcap").write_bytes(data)
    first, *rest = stops(tmp_path, how, VERBS[verb])
    assert first["ended"] == 0 and len(rest) == MOMENTS
    assert any(each["ended"] for each in rest), "not one of them was stopped"
    for each in rest:
        files = dict(each["files"])
        assert files.pop("own.pcap")[1] == hashlib.sha256(data).hexdigest()
        left = [files.pop(name) for name in list(files) if unfinished.is_ours(Path(name).name)]
        for name, (_, digest, words) in files.items():
            wanted = first["files"][name]
            assert ("redact" in verb and not words) or digest == wanted[1], (name, words, each["ended"])
        assert all(mode == "0o600" or not ("redact" in verb and words) for mode, _, words in left)
        assert how == "SIGKILL" or not left, "a stop that can be answered leaves nothing"
        assert len(left) <= (64 if verb == "files" else 2), "each run takes away what the one before left"


# -- what is left behind ----------------------------------------------------------------------------------------------


def test_leftovers_go_at_the_next_run_and_nothing_else_does(tmp_path: Path) -> None:
    """Its own by the proof in their names; no look-alike, no link, no folder, and none whose writer lives."""
    left = [unfinished.create(tmp_path) for _ in range(3)]
    living, handle = left.pop()
    for _, descriptor in left:
        os.close(descriptor)
    alike = tmp_path / ".sticktrace-0123456789abcdef-0123456789abcdef.unfinished"
    alike.write_bytes(b"mine")
    mark = living.name.replace("unfinished", "unfinishe")
    (tmp_path / mark).write_bytes(b"mine")
    linked = unfinished.create(tmp_path)
    os.close(linked[1])
    linked[0].unlink()
    linked[0].symlink_to(alike)
    with Outputs() as outputs:
        outputs.new(tmp_path / "new").write(b"x")
    assert {path.name for path in tmp_path.iterdir()} == {living.name, alike.name, mark, linked[0].name, "new"}
    assert alike.read_bytes() == b"mine"
    os.close(handle)
    assert unfinished.sweep(tmp_path) == 1 and not living.exists()


def test_two_runs_at_once_do_not_take_each_others_files(tmp_path: Path) -> None:
    with Outputs() as one, Outputs() as two:
        first, second = one.new(tmp_path / "a"), two.new(tmp_path / "b")
        first.write(b"a")
        second.write(b"b")
    assert (tmp_path / "a").read_bytes() == b"a" and (tmp_path / "b").read_bytes() == b"b"
    with pytest.raises(sticktrace.SticktraceError, match="exists"), Outputs() as one, Outputs() as two:
        one.new(tmp_path / "c").write(b"1")
        two.new(tmp_path / "c").write(b"2")
    assert (tmp_path / "c").read_bytes() == b"2" and len(list(tmp_path.iterdir())) == 3
