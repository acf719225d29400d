"""Where bytes come from: a file, a compressed file, a pipe. Whatever it is, it ends up as one memory map."""

from __future__ import annotations

import contextlib
import mmap
import os
import sys
from pathlib import Path
from typing import IO, Any

from sticktrace.capture.reader import Damage
from sticktrace.capture.unpacking import Progress, spooled, unpacked
from sticktrace.errors import CaptureError
from sticktrace.writing.outputs import Identity, identity_of
from sticktrace.writing.reasons import DiskFull, reason

_RELEASE_STEP = 16 << 20
_CUT = "another program cut the file short here while it was being read"


class Source:
    """The bytes of one capture, mapped read-only. ``name`` is what to call it in messages, ``identity`` tells the file
    that was given, whatever other names lead to it; ``known`` is how many bytes there were at the beginning."""

    def __init__(self, name: str, handle: IO[bytes], damage: list[Damage], identity: Identity | None = None) -> None:
        self.name = name
        self.identity = identity
        self.damage = damage
        self.live = False
        """Whether it is read while it comes, so that its lines stand in the order in which things happened."""
        self._handle = handle
        self._data: Any = b""
        self.refresh()
        self.known = len(self._data)

    @property
    def data(self) -> Any:
        """All bytes that were there at the last look. Raises CaptureError after `close`."""
        if self._handle.closed:
            self.check()
        return self._data

    def refresh(self) -> bool:
        """Map what is there now. Returns whether it has grown since the last look. Raises CaptureError."""
        self.check()
        size = os.fstat(self._handle.fileno()).st_size  # no seek: another thread may be writing by this handle
        self.check(len(self._data))
        if size <= len(self._data):
            return False
        self._data = mmap.mmap(self._handle.fileno(), 0, access=mmap.ACCESS_READ)
        return True

    def settle(self) -> None:
        """Let all that is there now, not only what was there at the beginning, say which form the capture has."""
        self.known = len(self.data)

    def check(self, end: int = 0) -> None:
        """Raises CaptureError unless the file is open and, where ``end`` bytes are to be touched, holds all that was
        mapped at this moment: what lies beyond the end of a file that another program cut short can no longer be
        touched, and whoever reads on would come to it."""
        if self._handle.closed:
            raise CaptureError(f"{self.name}: was closed; open it again")
        if end and (size := os.fstat(self._handle.fileno()).st_size) < len(self._data):
            raise CaptureError(f"{self.name}: was cut short to {size:,} bytes while it was being read; open it again")

    def is_whole(self) -> bool:
        """Whether all that was mapped is still there; else it is noted as damage."""
        self.check()
        try:
            self.check(len(self._data))
        except CaptureError:
            place = f"byte {os.fstat(self._handle.fileno()).st_size}"
            if all(damage.what != _CUT for damage in self.damage):
                self.damage.append(Damage(place, _CUT))
            return False
        return True

    def read(self, at: int, count: int) -> bytes:
        """Some of the bytes. Raises CaptureError."""
        self.check(at + count)
        return bytes(self._data[at : at + count])

    def release(self, start: int, stop: int) -> int:
        """Tell the system that the bytes between two places are not needed for now, so that the pages of a long capture
        do not pile up in memory. They come back by themselves when read again. Returns up to where that was done."""
        if stop - start < _RELEASE_STEP or not hasattr(mmap, "MADV_DONTNEED"):
            return start
        first, end = start // mmap.PAGESIZE * mmap.PAGESIZE, stop // mmap.PAGESIZE * mmap.PAGESIZE
        if isinstance(self._data, mmap.mmap) and end <= len(self._data):
            self._data.madvise(mmap.MADV_DONTNEED, first, end - first)
        return stop

    def close(self) -> None:
        """Let go of the file. Payload can no longer be read."""
        # A map with live views cannot be closed; the interpreter frees it with the last view.
        with contextlib.suppress(BufferError):
            if isinstance(self._data, mmap.mmap):
                self._data.close()
        self._handle.close()


def open_source(path: str | Path, progress: Progress | None = None) -> Source:
    """Open a path, or standard input for "-". gzip and xz are unpacked on the way. Raises CaptureError."""
    name = "standard input" if str(path) == "-" else str(path)
    damage: list[Damage] = []
    try:
        handle: IO[bytes] = sys.stdin.buffer if str(path) == "-" else _opened(Path(path))
        identity = _identity(handle)
        if str(path) == "-" or not handle.seekable():
            handle = spooled(handle)
        return Source(name, unpacked(name, handle, damage, progress), damage, identity)
    except DiskFull as error:
        raise CaptureError(f"{name}: {error}") from error
    except (OSError, ValueError) as error:
        raise CaptureError(f"{name}: {reason(Path(path), error, reading=True)}") from error


def _opened(path: Path) -> IO[bytes]:
    if path.is_dir():
        raise CaptureError(f"{path}: is a directory; give the capture file itself")
    return path.open("rb")


def identity_at(word: str) -> Identity | None:
    """Which file a word names; None where it names none that is there."""
    try:
        return identity_of(sys.stdin.fileno() if word == "-" else Path(word))
    except (OSError, ValueError):
        return None


def _identity(handle: IO[bytes]) -> Identity | None:
    """Which file it is; None for a stream that is none."""
    try:
        return identity_of(handle.fileno())
    except (OSError, ValueError):
        return None
