"""Temporary space: files that vanish when they are closed, mostly without a name, and that never fill a disk up."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from sticktrace.text import bytes_in_words
from sticktrace.writing.reasons import DiskFull

LEFT_FREE = 4 << 20
"""Bytes of temporary space that are left to others."""
_STEP = 64 << 20
"""Bytes between two looks at how much is free."""


class Scratch:
    """A temporary file that is filled and read. Raises DiskFull."""

    def __init__(self, wanted: int = 0, suffix: str = "") -> None:
        """``wanted`` is how many bytes it will hold at least, 0 if nobody knows. With ``suffix`` it has a name, for a
        reader that must be given one."""
        try:
            self.file: IO[bytes] = _named(suffix) if suffix else tempfile.TemporaryFile()  # noqa: SIM115 - the caller closes it
        except OSError as error:
            raise DiskFull(f"no temporary file can be made: {error.strerror or error}; set TMPDIR") from error
        self._written, self._looked = 0, wanted
        self._look(wanted)

    def write(self, data: bytes) -> None:
        """Add some bytes."""
        self._written += len(data)
        if self._written > self._looked:
            self._looked = self._written + _STEP
            self._look(len(data))
        try:
            self.file.write(data)
            self.file.flush()
        except OSError as error:
            raise DiskFull(_FULL.format(tempfile.gettempdir(), error.strerror or error)) from error

    def close(self) -> None:
        """Let go of it: it vanishes."""
        self.file.close()

    def _look(self, wanted: int) -> None:
        free = shutil.disk_usage(tempfile.gettempdir()).free
        if free < wanted + LEFT_FREE:
            self.file.close()
            raise DiskFull(_FULL.format(tempfile.gettempdir(), f"{bytes_in_words(free)} free"))


@contextmanager
def private_folder() -> Iterator[Path]:
    """A folder that only the user can look into, taken away in the end."""
    with tempfile.TemporaryDirectory(prefix="sticktrace-") as name:
        yield Path(name)


@contextmanager
def folder() -> Iterator[Path]:
    """A folder that is taken away in the end, in which the program runs until then."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory(prefix="sticktrace-") as name:
        os.chdir(name)
        try:
            yield Path(name)
        finally:
            os.chdir(before)


def _named(suffix: str) -> Any:
    return tempfile.NamedTemporaryFile(prefix="sticktrace-", suffix=suffix)


_FULL = "the temporary space in {} is full ({}); make room or set TMPDIR to a larger directory"
