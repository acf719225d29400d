"""A directory that many files go to, under names that nobody vouches for: nothing outside it is touched."""

from __future__ import annotations

from pathlib import Path

from sticktrace.writing.names import harmless, taken_for
from sticktrace.writing.outputs import Outputs
from sticktrace.writing.reasons import Refused, refusal


def made(directory: Path) -> Path:
    """A directory that a user named, made if need be. Raises SticktraceError."""
    try:
        directory.mkdir(parents=True, exist_ok=True)
        return directory.resolve(strict=True)
    except FileExistsError as error:
        raise Refused(f"{directory}: exists and is not a directory") from error
    except (OSError, ValueError) as error:
        raise refusal(directory, error) from error


class Folder:
    """A directory of recovered files. No name is given twice, and none that differs only in case or composition; a
    link is never followed. ``outputs`` makes the files."""

    def __init__(self, path: Path, outputs: Outputs) -> None:
        self.path, self.outputs = path, outputs
        self._used: dict[str, int] = {}

    @classmethod
    def at(cls, directory: Path, outputs: Outputs) -> Folder:
        """The directory that a user named, made if need be. Raises SticktraceError."""
        return cls(made(directory), outputs)

    def place(self, name: str, ending: str = "") -> Path:
        """A path in this directory for a name of any kind, not given before; ``ending`` comes behind it."""
        name = harmless(name)
        stem, dot, extension = name.rpartition(".")
        if not stem or ending:
            stem, dot, extension = name, "", ""
        first = chosen = name + ending
        count = self._used.get(taken_for(first), 0)
        while taken_for(chosen) in self._used:
            count += 1
            chosen = f"{stem} ({count}){dot}{extension}{ending}"
        self._used[taken_for(first)] = max(count, 1)
        self._used.setdefault(taken_for(chosen), 1)
        return self.path / chosen

    def folder(self, name: str) -> Folder:
        """A directory within. Raises SticktraceError when something else, such as a link, has its name."""
        path = self.place(name)
        try:
            if path.is_symlink() or (path.exists() and not path.is_dir()):
                raise Refused(f"{path}: exists and is not a directory")
            path.mkdir(exist_ok=True)
        except OSError as error:
            raise refusal(path, error) from error
        return Folder(path, self.outputs)
