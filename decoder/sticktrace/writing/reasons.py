"""Why the system refused a file, in words that name the file and the right that is missing."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from sticktrace.errors import SticktraceError


class Refused(SticktraceError):
    """A file is not written: something is in its way, or it is one that must not be touched."""


class DiskFull(SticktraceError):
    """There is no room for a file."""


def refusal(path: Path, error: Exception) -> SticktraceError:
    """The project's error for what went wrong when ``path`` was to be written."""
    full = isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
    return (DiskFull if full else Refused)(f"{path}: {reason(path, error)}")


def reason(path: Path, error: Exception, reading: bool = False) -> str:
    """What kept ``path`` from being written, or read."""
    if not isinstance(error, OSError):
        return "the name holds a NUL character" if "\0" in str(path) else f"cannot be used: {error}"
    code = error.errno
    if code in (errno.EACCES, errno.EPERM):
        return _right(path, reading) or error.strerror or "no right"
    if code == errno.ENOSPC:
        return f"{error.strerror}: the disk of {path.parent} is full; nothing is left under this name"
    if code in (errno.ENOENT, errno.ENOTDIR):
        return f"{error.strerror}: {_missing(path)}"
    if code in (errno.EFBIG, errno.EOVERFLOW, errno.EINVAL):
        return "larger than a file may be here"
    return error.strerror or str(error)


def _right(path: Path, reading: bool) -> str:
    """The first right that is missing on the way to a file."""
    parents = list(path.absolute().parents)
    for folder in reversed(parents):
        if folder.is_dir() and not os.access(folder, os.X_OK):
            return f"no right to enter the directory {folder} (x)"
    if reading:
        return "no right to read it (r)"
    if path.is_file() and not os.access(path, os.W_OK):
        return "no right to write to it (w)"
    return f"no right to write in the directory {path.parent} (w)" if not os.access(path.parent, os.W_OK) else ""


def _missing(path: Path) -> Path:
    """The first step of a path that is not there, or is no directory."""
    steps = [*reversed(path.parents), path]
    return next((step for step in steps[1:] if not step.exists() or not step.parent.is_dir()), path)
