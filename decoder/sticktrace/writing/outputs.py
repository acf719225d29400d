"""Files that stand under their names whole or not at all.

A file is written beside its name under another one (`unfinished`), brought to the disk, and only then renamed, so that
a run that is killed, or finds the disk full, leaves under the name what was there before. What must not be touched is
refused before anything is made: a capture that is being read, whatever name leads to it, links, devices and pipes,
and every file that exists unless it is to be replaced.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, TextIO

from sticktrace.errors import SticktraceError
from sticktrace.writing import unfinished
from sticktrace.writing.reasons import Refused, refusal

Identity = tuple[int, int]
"""Device and inode: the same for every name of one file."""

_BUFFER = 1 << 18
_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV}
"""What file systems without hard links answer."""


def identity_of(file: int | Path) -> Identity:
    """What an open descriptor, or a path, leads to. Raises OSError."""
    found = os.stat(file)  # noqa: PTH116 - a descriptor has no path
    return found.st_dev, found.st_ino


class Draft(io.FileIO):
    """A file that is not whole yet. Whatever the system refuses is told with the name that the file is to have."""

    def __init__(self, target: Path, replaces: os.stat_result | None) -> None:
        self.target, self.replaces = target, replaces
        try:
            self.path, handle = unfinished.create(target.parent)
        except OSError as error:
            raise refusal(target, error) from error
        super().__init__(handle, "r+")

    def write(self, data: object, /) -> int:
        try:
            return super().write(data)  # type: ignore[arg-type]
        except OSError as error:
            raise refusal(self.target, error) from error

    def seek(self, place: int, whence: int = 0, /) -> int:
        try:
            return super().seek(place, whence)
        except (OSError, OverflowError) as error:
            raise Refused(f"{self.target}: byte {place:,} lies beyond what a file here can hold") from error

    def truncate(self, size: int | None = None, /) -> int:
        try:
            return super().truncate(size)
        except (OSError, OverflowError) as error:
            raise refusal(self.target, error) from error

    def sync(self) -> None:
        """Bring all of it to the disk, and give it the rights that the finished file is to have."""
        mode = 0o666 & ~_mask() if self.replaces is None else stat.S_IMODE(self.replaces.st_mode) & 0o777
        try:
            if hasattr(os, "fchmod"):
                os.fchmod(self.fileno(), mode)
            os.fsync(self.fileno())
        except OSError as error:
            if error.errno != errno.EINVAL:  # a file system that has nothing to bring to a disk
                raise refusal(self.target, error) from error

    def name_it(self) -> None:
        """Give it its name. What has come there since the beginning is not touched."""
        try:
            if self.replaces is None:
                _rename_new(self.path, self.target)
            elif _looked_at(self.target) != (self.replaces.st_dev, self.replaces.st_ino):
                raise Refused(f"{self.target}: was changed while this was being written; left alone")
            else:
                self.path.replace(self.target)
        except FileExistsError as error:
            raise Refused(f"{self.target}: exists; not overwritten") from error
        except OSError as error:
            raise refusal(self.target, error) from error


class Outputs:
    """The files that one piece of work makes; on leaving the ``with`` block all get their names, or none.

    ``apart_from`` are files that are being read. Without ``overwrite`` no file that exists is replaced.
    """

    def __init__(self, apart_from: Iterable[Identity | None] = (), overwrite: bool = False) -> None:
        self._apart = set(apart_from)
        self._overwrite = overwrite
        self._swept: set[Path] = set()
        self._open: list[tuple[Draft, BinaryIO]] = []

    def look(self, target: Path) -> os.stat_result | None:
        """What stands under a name now and may be replaced; None if there is nothing. Raises Refused for all else."""
        try:
            with contextlib.suppress(FileNotFoundError):
                if identity_of(target) in self._apart:
                    raise Refused(f"{target}: is the capture itself; choose another file")
            found = target.lstat()
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise refusal(target, error) from error
        kind = next((what for test, what in _KINDS if test(found.st_mode)), "")
        if kind:
            raise Refused(f"{target}: is {kind}; it is left alone, choose another file")
        if not self._overwrite:
            raise Refused(f"{target}: exists; not overwritten")
        if not os.access(target, os.W_OK):
            raise refusal(target, PermissionError(errno.EACCES, "Permission denied"))
        return found

    def new(self, target: Path) -> BinaryIO:
        """A file to write, and to read back, whose name will be ``target``. Raises SticktraceError."""
        if target in [draft.target for draft, _ in self._open]:
            raise Refused(f"{target}: is written already in this run")
        replaces = self.look(target)
        if target.parent not in self._swept:
            unfinished.sweep(target.parent)
            self._swept.add(target.parent)
        draft = Draft(target, replaces)
        file = io.BufferedRandom(draft, _BUFFER)
        self._open.append((draft, file))
        return file

    @contextmanager
    def file(self, target: Path) -> Iterator[BinaryIO]:
        """One file among others: given up alone if it cannot be written."""
        file = self.new(target)
        entry = self._open[-1]
        try:
            yield file
            file.flush()
        except BaseException:
            self._open.remove(entry)
            _discard(*entry)
            raise

    def settle(self) -> None:
        """Bring all files to the disk, then give each its name, the last one first. Raises SticktraceError."""
        for _, file in self._open:
            file.flush()
        for draft, _ in self._open:
            draft.sync()
        folders = {draft.target.parent for draft, _ in self._open}
        while self._open:
            draft, file = self._open[-1]
            if os.name == "nt":  # where an open file cannot be renamed
                file.close()
            draft.name_it()
            self._open.pop()
            file.close()
        for folder in folders:
            _sync_folder(folder)

    def __enter__(self) -> Outputs:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.settle()
            elif isinstance(value, OSError) and self._open:
                raise refusal(self._open[-1][0].target, value) from value
        finally:
            for entry in self._open:
                _discard(*entry)
            self._open.clear()


@contextmanager
def new_file(target: Path, apart_from: Iterable[Identity | None] = (), overwrite: bool = False) -> Iterator[BinaryIO]:
    """One file, which has its name when the ``with`` block is left in good order. Raises SticktraceError."""
    with Outputs(apart_from, overwrite) as outputs:
        yield outputs.new(target)


@contextmanager
def new_text(target: Path, apart_from: Iterable[Identity | None] = (), overwrite: bool = False) -> Iterator[TextIO]:
    """The same as UTF-8 text with line ends as written."""
    with new_file(target, apart_from, overwrite) as file:
        text = io.TextIOWrapper(file, "utf-8", newline="")
        yield text
        text.flush()
        text.detach()


_KINDS = (
    (stat.S_ISLNK, "a symbolic link"), (stat.S_ISDIR, "a directory"), (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"), (lambda mode: not stat.S_ISREG(mode), "a device"),
)  # fmt: skip
"""What is never written over, by its mode."""


def _discard(draft: Draft, file: BinaryIO) -> None:
    """Take away what was written so far."""
    with contextlib.suppress(OSError, SticktraceError):
        file.close()
    unfinished.remove(draft.path)


def _looked_at(target: Path) -> Identity | None:
    try:
        found = target.lstat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


def _rename_new(path: Path, target: Path) -> None:
    """Rename without replacing anything; raises FileExistsError. A second name and the end of the first do it in one
    step; where there are no second names, a look and a rename have to."""
    try:
        os.link(path, target)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "File exists") from error
        path.rename(target)
    unfinished.remove(path)


def _mask() -> int:
    """The rights that the user takes from new files. It can only be read by setting it; for that moment the strictest
    one holds, since another thread may be making a file."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _sync_folder(folder: Path) -> None:
    """Bring the new names to the disk, where directories can be opened for that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
