"""A recording that grows under its own name while it is made: what has come is there whatever ends the program.

Every other file of this room has its name only when it is whole. A recording is never whole before its end, and its
end may be a power cut, so it is the one file that stands under its name from the beginning, each part of it written
straight through. It replaces nothing: a name that leads to anything, be it a link or a device, is refused.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterable
from pathlib import Path
from typing import IO

from sticktrace.errors import SticktraceError
from sticktrace.writing.outputs import Identity, Outputs
from sticktrace.writing.reasons import DiskFull, Refused, refusal


class Recording:
    """Takes bytes as they come. ``file`` reads them back; ``size`` is how many there are. Raises SticktraceError."""

    def __init__(self, target: Path, apart_from: Iterable[Identity | None] = ()) -> None:
        Outputs(apart_from).look(target)
        self.target, self.size = target, 0
        try:
            self.file: IO[bytes] = target.open("x+b", buffering=0)
        except FileExistsError as error:
            raise Refused(f"{target}: exists; not overwritten") from error
        except (OSError, ValueError) as error:
            raise refusal(target, error) from error

    def write(self, data: bytes) -> None:
        """Add some bytes; as many as there is room for, if there is not room for all."""
        rest = memoryview(data)
        try:
            while rest:
                written = self.file.write(rest)
                self.size += written
                rest = rest[written:]
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
            kept = f"the recording ends after {self.size:,} bytes, which are there"
            raise (DiskFull if full else Refused)(f"{self.target}: {error.strerror or error}: {kept}") from error

    def close(self) -> None:
        """Bring it to the disk."""
        if not self.file.closed:
            with contextlib.suppress(OSError, SticktraceError):
                os.fsync(self.file.fileno())
            self.file.close()
