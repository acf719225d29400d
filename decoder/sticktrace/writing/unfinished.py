"""Names of files that are not whole yet, and what becomes of those that a killed run left behind.

An unfinished file lies in the directory of its target, is readable by its owner alone, and is locked as long as its
writer lives. The last part of its name proves that this room made it, so that nothing else is ever taken away.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import importlib.util
import os
import re
import stat
from pathlib import Path

_LOCKS = importlib.util.find_spec("fcntl") is not None
"""A system without them refuses to remove an open file, which serves as well."""
_NAME = re.compile(r"\.sticktrace-([0-9a-f]{16})-([0-9a-f]{16})\.unfinished")
_FLAGS = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
_ATTEMPTS = 100
_LIVE: dict[Path, int] = {}
"""Unfinished files of this program, each with the process that made it."""


def _proof(mark: str) -> str:
    return hashlib.blake2b(mark.encode(), digest_size=8, person=b"sticktrace").hexdigest()


def is_ours(name: str) -> bool:
    """Whether a file name is one that `create` made."""
    found = _NAME.fullmatch(name)
    return found is not None and _proof(found[1]) == found[2]


def create(folder: Path) -> tuple[Path, int]:
    """A new, empty, locked file in a directory: its path and descriptor. Raises OSError."""
    for _ in range(_ATTEMPTS):
        mark = os.urandom(8).hex()
        path = folder / f".sticktrace-{mark}-{_proof(mark)}.unfinished"
        _LIVE[path] = os.getpid()
        handle = os.open(path, _FLAGS, 0o600)
        if _lock(handle) is not False and _same(path, handle):
            return path, handle
        del _LIVE[path]
        os.close(handle)  # another run took it for a leftover before it was locked
    raise OSError(f"no unfinished file can be kept in {folder}")


def remove(path: Path) -> None:
    """Takes away a file that will not be finished, or whose second name is no longer needed."""
    with contextlib.suppress(OSError):
        path.unlink()
    _LIVE.pop(path, None)


def abandon() -> None:
    """Takes away whatever this process has not finished, at its end: a signal may have come at a moment at which nobody
    held the file."""
    for path in [path for path, process in _LIVE.items() if process == os.getpid()]:
        remove(path)


atexit.register(abandon)


def sweep(folder: Path) -> int:
    """Takes away what runs that were killed left in a directory; returns how many files that was."""
    gone = 0
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in [entry for entry in entries if is_ours(entry.name)]:
            with contextlib.suppress(OSError):
                gone += _remove(Path(entry.path))
    return gone


def _remove(path: Path) -> bool:
    """Takes one leftover away, unless its writer lives or another user made it."""
    if not _LOCKS:
        path.unlink()  # refused by the system while it is open
        return True
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        about = os.fstat(handle)
        mine = stat.S_ISREG(about.st_mode) and about.st_uid == os.geteuid()
        if mine and _lock(handle) and _same(path, handle):  # without locks a writer may live
            path.unlink()
            return True
        return False
    finally:
        os.close(handle)


def _lock(handle: int) -> bool | None:
    """Locks an open file until it is closed; False if another has locked it, None where there are no locks."""
    if not _LOCKS:
        return None
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None
    return True


def _same(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(os.lstat(path), os.fstat(handle))
    except FileNotFoundError:
        return False
