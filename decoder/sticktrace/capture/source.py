"""Where bytes come from: a file, a compressed file, a pipe. Whatever it is, it ends up as one memory map."""

from __future__ import annotations

import contextlib
import gzip
import lzma
import mmap
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any
from zlib import error as ZlibError

from sticktrace.capture.reader import Damage
from sticktrace.errors import CaptureError

CHUNK = 1 << 20
LARGEST_UNPACKED = 64 << 30
"""A compressed capture that unpacks to more than this many bytes is refused as a likely bomb."""

_RELEASE_STEP = 16 << 20

Progress = Callable[[int, int], None]
"""Called now and then with (bytes done, bytes in all; 0 if not known)."""


class Source:
    """The bytes of one capture, mapped read-only. ``name`` is what to call it in messages."""

    def __init__(self, name: str, handle: IO[bytes], damage: list[Damage]) -> None:
        self.name = name
        self.damage = damage
        self._handle = handle
        self._released = 0
        self.data: Any = b""
        self.refresh()

    def refresh(self) -> bool:
        """Map what is there now. Returns whether it has grown since the last look."""
        size = self._handle.seek(0, 2)
        if size <= len(self.data):
            return False
        self.data = mmap.mmap(self._handle.fileno(), 0, access=mmap.ACCESS_READ)
        return True

    def release(self, position: int) -> None:
        """Tell the system that bytes before ``position`` are not needed for now, so that the pages of a long capture do
        not pile up in memory. They come back by themselves when read again."""
        if position - self._released < _RELEASE_STEP or not hasattr(mmap, "MADV_DONTNEED"):
            return
        step = mmap.PAGESIZE
        start, end = self._released // step * step, position // step * step
        if isinstance(self.data, mmap.mmap):
            self.data.madvise(mmap.MADV_DONTNEED, start, end - start)
        self._released = position

    def close(self) -> None:
        """Let go of the file. Payload can no longer be read."""
        # A map with live views cannot be closed; the interpreter frees it with the last view.
        with contextlib.suppress(BufferError):
            if isinstance(self.data, mmap.mmap):
                self.data.close()
        self._handle.close()


def open_source(path: str | Path, progress: Progress | None = None) -> Source:
    """Open a path, or standard input for "-". gzip and xz are unpacked on the way. Raises CaptureError."""
    damage: list[Damage] = []
    if str(path) == "-":
        return Source("standard input", _unpacked("standard input", _spool(sys.stdin.buffer), damage, progress), damage)
    name = str(path)
    try:
        if Path(path).is_dir():
            raise CaptureError(f"{name}: is a directory; give the capture file itself")
        handle: IO[bytes] = Path(path).open("rb")  # noqa: SIM115 - the Source closes it
    except OSError as error:
        raise CaptureError(f"{name}: {error.strerror or error}") from error
    try:
        if not handle.seekable():
            handle = _spool(handle)
        return Source(name, _unpacked(name, handle, damage, progress), damage)
    except (OSError, ValueError) as error:
        raise CaptureError(f"{name}: cannot be read: {error}") from error


def _spool(stream: IO[bytes]) -> IO[bytes]:
    """A pipe as a temporary file without a name, so that memory does not grow with it."""
    spool = tempfile.TemporaryFile()  # noqa: SIM115 - the Source closes it
    while chunk := stream.read(CHUNK):
        spool.write(chunk)
    spool.flush()
    return spool


def _unpacked(name: str, handle: IO[bytes], damage: list[Damage], progress: Progress | None) -> IO[bytes]:
    handle.seek(0)
    magic = handle.read(6)
    handle.seek(0)
    packed: Any
    if magic.startswith(b"\x1f\x8b"):
        packed = gzip.GzipFile(fileobj=handle)
    elif magic == b"\xfd7zXZ\x00":
        packed = lzma.LZMAFile(handle)  # noqa: SIM115 - closed with its handle
    else:
        return handle
    spool = tempfile.TemporaryFile()  # noqa: SIM115 - the Source closes it
    try:
        _unpack(name, handle, packed, spool, damage, progress)
    except CaptureError:
        spool.close()
        raise
    finally:
        handle.close()
    return spool


def _unpack(
    name: str, handle: IO[bytes], packed: Any, spool: IO[bytes], damage: list[Damage], progress: Progress | None
) -> None:
    """Fill ``spool`` with what can be unpacked; what comes before damage is kept."""
    total = handle.seek(0, 2)
    handle.seek(0)
    written = 0
    try:
        while chunk := packed.read1(CHUNK):
            spool.write(chunk)
            written += len(chunk)
            if progress is not None:
                progress(handle.tell(), total)
            if written > LARGEST_UNPACKED:
                raise CaptureError(f"{name}: unpacks to more than {LARGEST_UNPACKED >> 30} GiB; refused")
    except (EOFError, OSError, lzma.LZMAError, ZlibError) as error:
        if not written:
            raise CaptureError(f"{name}: nothing can be unpacked from it ({error}); copy it again") from error
        damage.append(Damage(f"byte {handle.tell()}", f"the compression is damaged here ({error}); read up to this"))
    spool.flush()
