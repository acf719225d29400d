"""Why a live source cannot be read, and what to do about it, in one line."""

from __future__ import annotations

import errno
from pathlib import Path

from sticktrace.writing.reasons import reason

_RECORDER = (
    "the kernel's recorder shows all that goes over a bus, keystrokes too, so it is for root alone: "
    "sudo sticktrace watch {path}"
)
_NO_RECORDER = (
    "there is no such recorder; as root: modprobe usbmon, and for the text form mount -t debugfs none /sys/kernel/debug"
)
_GROUP = "it belongs to the group {group!r}: sudo usermod -aG {group} $USER, then log in again"
_BUSY = "another program has it open, a terminal program perhaps: close that one, or the two share the bytes"
_NO_LINE = "nothing is plugged in under this name; ls /dev/ttyUSB* /dev/ttyACM* shows what is"


def complaint(path: Path, error: Exception) -> str:
    """The line that says what is wrong with ``path`` and what to do."""
    code = error.errno if isinstance(error, OSError) else None
    return f"{path}: {_words(path, error, code)}"


def _words(path: Path, error: Exception, code: int | None) -> str:
    said = reason(path, error, reading=True)
    name = str(path)
    recorder, line = "usbmon" in name, path.name.startswith("tty")
    if code in (errno.EACCES, errno.EPERM):
        if recorder:
            return f"{said}; {_RECORDER.format(path=path)}"
        group = _group(path) if name.startswith("/dev/") else ""
        return f"{said}; {_GROUP.format(group=group)}" if group else said
    if code in (errno.ENOENT, errno.ENOTDIR, errno.ENODEV) and recorder:
        return _NO_RECORDER
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO) and line:
        return _NO_LINE
    if code == errno.ENOTTY:
        return "is no serial line"
    return _BUSY if code in (errno.EBUSY, errno.EWOULDBLOCK) else said


def _group(path: Path) -> str:
    """The group that may read a device, "" where that would not help."""
    try:
        about = path.stat()
        name = path.group()
    except (OSError, KeyError, NotImplementedError):
        return ""
    return name if about.st_mode & 0o040 and name != "root" else ""
