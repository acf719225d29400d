"""Inlets: what bytes come from as they come. Each hands out chunks until its source ends or it is told to stop."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Protocol

from sticktrace.capture.live.rights import complaint
from sticktrace.errors import CaptureError

CHUNK = 1 << 16
LOOK_AGAIN = 0.05
"""Seconds between two looks at a file that has not grown."""
_READY = 0.1
"""Seconds that a wait for bytes lasts before it is asked whether to stop."""

Remark = Callable[[str], None]


class Inlet(Protocol):
    """Where bytes come from. ``name`` is what to call it, ``how`` says how it is read where that may be wrong."""

    name: str
    how: str

    def chunks(self, stop: Event, remark: Remark) -> Iterator[bytes]:
        """Bytes as they come, never empty. Ends with the source, or soon after ``stop``. Raises CaptureError."""


class Stream:
    """A pipe, standard input, or a device that is read like one, from an open descriptor or, once somebody writes to
    it, a path."""

    def __init__(self, name: str, where: int | Path) -> None:
        self.name, self.how, self._where = name, "", where
        if isinstance(where, Path) and not os.access(where, os.R_OK):
            raise CaptureError(complaint(where, PermissionError(errno.EACCES, "Permission denied")))

    def chunks(self, stop: Event, remark: Remark) -> Iterator[bytes]:
        try:
            where = self._where
            handle = os.open(where, os.O_RDONLY) if isinstance(where, Path) else where  # a FIFO waits for its writer
            self.opened(handle)
            while not stop.is_set():
                if _ready(handle):
                    chunk = os.read(handle, CHUNK)
                    if not chunk:
                        break
                    yield chunk
            self.closing(handle, remark)
        except OSError as error:
            raise CaptureError(complaint(Path(self.name), error)) from error

    def opened(self, handle: int) -> None:
        """The source is open."""

    def closing(self, handle: int, remark: Remark) -> None:
        """The last look at the source."""


class Tail:
    """A file that grows. Where another one gets its name, or it is cut short, reading goes on from the beginning of
    what is there now, as programs that rotate their logs expect."""

    def __init__(self, name: str, path: Path) -> None:
        self.name, self.how, self._path = name, "", path
        self._handle = _opened(path)
        self._at = 0

    def chunks(self, stop: Event, remark: Remark) -> Iterator[bytes]:
        try:
            while not stop.is_set():
                if chunk := self._read():
                    yield chunk
                elif (new := self._another()) >= 0:
                    while chunk := self._read():  # what was written before it lost its name
                        yield chunk
                    os.close(self._handle)
                    self._handle, self._at = new, 0
                    remark("another file has its name now, and is read from the beginning")
                elif os.fstat(self._handle).st_size < self._at:
                    self._at = os.lseek(self._handle, 0, os.SEEK_SET)
                    remark("it was cut short, and is read from the beginning again")
                else:
                    stop.wait(LOOK_AGAIN)
            yield from self._there()
        except OSError as error:
            raise CaptureError(complaint(self._path, error)) from error
        finally:
            os.close(self._handle)

    def _there(self) -> Iterator[bytes]:
        """What is in the file at this moment and was not read yet."""
        size = os.fstat(self._handle).st_size
        while self._at < size and (chunk := self._read()):
            yield chunk

    def _read(self) -> bytes:
        chunk = os.read(self._handle, CHUNK)
        self._at += len(chunk)
        return chunk

    def _another(self) -> int:
        """A descriptor of the file that has the name now, -1 if it is the same one or none."""
        with contextlib.suppress(OSError):
            if not os.path.samestat(os.stat(self._path), os.fstat(self._handle)):  # noqa: PTH116 - beside fstat
                return os.open(self._path, os.O_RDONLY)
        return -1


def inlet_for(word: str, baud: int = 0) -> Inlet:
    """The inlet for what a user named: "-", a file, a FIFO, the kernel's recorder, a line. Raises CaptureError."""
    if word == "-":
        return Stream("standard input", sys.stdin.fileno())
    path = Path(word)
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError) as error:
        if baud or word.upper().startswith("COM"):  # a line's name on another system, or one that is not plugged in
            return _serial(word, baud)
        raise CaptureError(complaint(path, error)) from error
    if stat.S_ISCHR(mode) and path.name.startswith("usbmon"):
        from sticktrace.capture.live.usbmon_device import UsbmonDevice

        return UsbmonDevice(word, path)
    if baud or stat.S_ISCHR(mode):
        return _serial(word, baud)
    if stat.S_ISDIR(mode):
        raise CaptureError(f"{word}: is a directory; give the capture file itself")
    if stat.S_ISREG(mode) and not str(path.resolve()).startswith(("/sys/", "/proc/")):
        return Tail(word, path)
    return Stream(word, path)


def _serial(word: str, baud: int) -> Inlet:
    from sticktrace.capture.live.serial_line import SerialLine

    return SerialLine(word, baud)


def _opened(path: Path) -> int:
    try:
        return os.open(path, os.O_RDONLY)
    except (OSError, ValueError) as error:
        raise CaptureError(complaint(path, error)) from error


def _ready(handle: int) -> bool:
    """Whether a read brings something, or the end, at once. What cannot be asked is read, and waited for there."""
    try:
        return bool(select.select([handle], [], [], _READY)[0])
    except (OSError, ValueError):
        return True
