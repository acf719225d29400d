"""Stops a verb at many moments, for tests/test_writing_killed.py: a program of its own, since it forks.

``kill_writer.py FOLDER SIGNAL MOMENTS WORD...`` runs ``sticktrace WORD...`` once to see how long it takes, then MOMENTS
times in a child that is sent the signal a little later each time. After each it prints, as a line of JSON, how the
child ended and what stands in FOLDER: names, rights, digests, and which words of the recording can be read there.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import stat
import sys
import time
from pathlib import Path

SECRETS = [b"SKERRY", b"TIDEPIER", b"datum", b"STATION", b"levelling"]
"""Words that the recording is known to hold (tests/test_volume_redact.py)."""

Files = dict[str, tuple[str, str, list[str]]]


def main(folder: str, how: str, moments: str, *words: str) -> None:
    """See above."""
    os.chdir(folder)
    before = set(_files(Path()))
    began = time.perf_counter()
    ended = _child(words, 0, signal.SIGKILL)
    took = time.perf_counter() - began
    print(json.dumps({"ended": ended, "files": _files(Path())}))
    for moment in range(int(moments)):
        if moment % 10 == 9:  # else what one left is there for the next to take away
            _clear(before)
        after = took * (moment + 1) / int(moments)
        print(json.dumps({"ended": _child(words, after, signal.Signals[how]), "files": _files(Path())}))


def _child(words: tuple[str, ...], after_s: float, how: signal.Signals) -> int:
    """The exit status of a run, negative for the signal that ended it."""
    child = os.fork()
    if not child:
        _run(words)
    if after_s:
        time.sleep(after_s)
        os.kill(child, how)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _run(words: tuple[str, ...]) -> None:
    from sticktrace.cli.main import main

    nothing = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nothing, stream)
    sys.argv = ["sticktrace", *words]
    status = 70
    try:
        main()
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 70
    finally:
        os._exit(status)


def _files(folder: Path) -> Files:
    """Every file below a folder by its name."""
    return {str(path): _about(path) for path in sorted(folder.rglob("*")) if path.is_file()}


def _about(path: Path) -> tuple[str, str, list[str]]:
    data = path.read_bytes()
    words = [word.decode() for word in SECRETS if word in data]
    return oct(stat.S_IMODE(path.lstat().st_mode)), hashlib.sha256(data).hexdigest(), words


def _clear(keep: set[str]) -> None:
    for path in Path().rglob("*"):
        if path.is_file() and str(path) not in keep:
            path.unlink()


if __name__ == "__main__":
    import sticktrace.cli.main
    import sticktrace.output.packet_file
    import sticktrace.output.pcap
    import sticktrace.redaction.copying  # noqa: F401

    main(*sys.argv[1:])
