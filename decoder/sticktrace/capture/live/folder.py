"""A directory in which captures appear."""

from __future__ import annotations

import contextlib
import os
import stat
import time
from pathlib import Path

from sticktrace.capture.live.rights import complaint
from sticktrace.errors import CaptureError

_LOOK_AGAIN = 0.1


class NewFiles:
    """Files that appear in a directory, or grow, after this was made; each is given once. Hidden ones are not meant:
    that is how programs keep what is not whole."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._queue: list[Path] = []
        self._looked = time.monotonic()
        self._known = self._files()

    def waiting(self) -> bool:
        """Whether there is one that was not given yet."""
        now = time.monotonic()
        if not self._queue and now - self._looked > _LOOK_AGAIN:
            self._looked = now
            found = self._files()
            fresh = [name for name, about in found.items() if about[1] and self._known.get(name) != about]
            self._queue = [self._folder / name for name in sorted(fresh, key=lambda name: found[name])]
        return bool(self._queue)

    def next(self) -> Path | None:
        """The next one, None if there is none yet."""
        if not self.waiting():
            return None
        path = self._queue.pop(0)
        self._known[path.name] = _TAKEN
        return path

    def _files(self) -> dict[str, tuple[int, int]]:
        """Time of the last change and size of each file by name; what was given is left out."""
        found = {}
        known = getattr(self, "_known", {})
        try:
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    if entry.name.startswith(".") or known.get(entry.name) is _TAKEN:
                        continue
                    with contextlib.suppress(OSError):
                        about = entry.stat()
                        if stat.S_ISREG(about.st_mode):
                            found[entry.name] = (about.st_mtime_ns, about.st_size)
        except OSError as error:
            raise CaptureError(complaint(self._folder, error)) from error
        return found


_TAKEN = (-1, -1)
