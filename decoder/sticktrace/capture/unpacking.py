"""Packed captures, within limits: what unpacks to absurd size, or needs absurd memory, is refused in one line.

gzip and xz are told by their first bytes. A capture goes into nameless temporary space, whose size is looked at first.
"""

from __future__ import annotations

import gzip
import lzma
from collections.abc import Callable, Iterator
from typing import IO
from zlib import error as ZlibError

from sticktrace.capture.reader import Damage
from sticktrace.errors import CaptureError, SticktraceError
from sticktrace.text import bytes_in_words
from sticktrace.writing.scratch import Scratch

CHUNK = 1 << 20
FREELY = 1 << 30
"""A packed capture may unpack to so many bytes whatever its own size, ..."""
RATIO = 200
"""... and beyond that to so many times its own: recordings of real data stay far below."""
MEMORY = 256 << 20
"""Bytes of memory that unpacking may take; the highest standard setting of xz takes 65 MiB."""

Progress = Callable[[int, int], None]
"""Called now and then with (bytes done, bytes in all; 0 if not known)."""

_XZ, _GZIP = b"\xfd7zXZ\x00", b"\x1f\x8b"
_DAMAGE = (EOFError, OSError, lzma.LZMAError, ZlibError)


def spooled(stream: IO[bytes]) -> IO[bytes]:
    """A pipe as a nameless temporary file, so that memory does not grow with it."""
    spool = Scratch()
    while chunk := stream.read(CHUNK):
        spool.write(chunk)
    return spool.file


def unpacked(name: str, handle: IO[bytes], damage: list[Damage], progress: Progress | None) -> IO[bytes]:
    """The capture itself: ``handle``, or what is packed in it as a nameless file. Raises CaptureError, DiskFull."""
    handle.seek(0)
    magic = handle.read(6)
    if magic != _XZ and magic[:2] != _GZIP:
        return handle
    total = handle.seek(0, 2)
    handle.seek(0)
    with handle:
        spool = Scratch(total)
        try:
            _fill(name, handle, total, _xz(handle) if magic == _XZ else _gzip(handle), spool, damage, progress)
        except SticktraceError:
            spool.file.close()
            raise
    return spool.file


def _gzip(handle: IO[bytes]) -> Iterator[bytes]:
    packed = gzip.GzipFile(fileobj=handle)
    while chunk := packed.read1(CHUNK):
        yield chunk


def _xz(handle: IO[bytes]) -> Iterator[bytes]:
    """One stream after the other, zeros between them passed over (the .xz file format 1.1.0, 2.2)."""
    rest = b""
    while rest := (rest or handle.read(CHUNK)).lstrip(b"\0"):
        stream = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=MEMORY)
        while not stream.eof:
            if stream.needs_input and not (rest := rest or handle.read(CHUNK)):
                raise EOFError("it ends before its end mark")
            chunk = stream.decompress(rest, CHUNK)
            rest = b""
            if chunk:
                yield chunk
        rest = stream.unused_data


def _fill(
    name: str, handle: IO[bytes], total: int, chunks: Iterator[bytes], spool: Scratch, damage: list[Damage],
    progress: Progress | None,
) -> None:  # fmt: skip
    """Fill ``spool`` with what can be unpacked; what comes before damage is kept."""
    most, written = max(FREELY, RATIO * total), 0
    try:
        for chunk in chunks:
            written += len(chunk)
            if written > most:
                raise CaptureError(f"{name}: unpacks to more than {bytes_in_words(most)}; refused (docs/limits.md)")
            spool.write(chunk)
            if progress is not None:
                progress(handle.tell(), total)
    except _DAMAGE as error:
        if "limit" in str(error):
            need = f"needs more than {bytes_in_words(MEMORY)} of memory to unpack"
            raise CaptureError(f"{name}: {need}; refused (docs/limits.md)") from error
        if not written:
            raise CaptureError(f"{name}: nothing can be unpacked from it ({error}); copy it again") from error
        damage.append(Damage(f"byte {handle.tell()}", f"the compression is damaged here ({error}); read up to this"))
