"""All files below some paths, in parallel processes or on a cluster; what has not changed comes from a cache."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from sticktrace.errors import SticktraceError
from sticktrace.survey.one import VERSION, rows_of
from sticktrace.text import safe

Rows = list[dict[str, Any]]
Progress = Callable[[int, int], None]


def files_below(paths: Iterable[str]) -> list[Path]:
    """Every regular file below the paths, in order; links to folders are not followed. Raises SticktraceError for a
    path that is not there."""
    found: dict[Path, None] = {}
    for text in paths:
        path = Path(text)
        if path.is_dir():
            found |= dict.fromkeys(sorted(inner for inner in path.rglob("*") if inner.is_file()))
        elif path.is_file():
            found[path] = None
        else:
            raise SticktraceError(f"{safe(text)}: no such file or folder")
    return list(found)


def survey(
    files: list[Path],
    *,
    jobs: int = 1,
    cache: Path | None = None,
    scheduler: str = "",
    progress: Progress | None = None,
) -> Iterator[Rows]:
    """The rows of each file, in the order of ``files``. ``jobs`` processes work on them, or the Dask cluster whose
    scheduler has this address. ``progress`` is called with (files done, files in all)."""
    known = {number: rows for number, file in enumerate(files) if (rows := _cached(cache, file)) is not None}
    asked = [number for number in range(len(files)) if number not in known]
    paths = [str(files[number]) for number in asked]
    answers = _on_cluster(paths, scheduler) if scheduler else _in_processes(paths, jobs)
    for number, file in enumerate(files):
        if number not in known:
            rows = next(answers)
            _keep(cache, file, rows)
        else:
            rows = known[number]
        if progress is not None:
            progress(number + 1, len(files))
        yield rows


def _in_processes(paths: list[str], jobs: int) -> Iterator[Rows]:
    if jobs <= 1 or len(paths) <= 1:
        yield from map(rows_of, paths)
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    with ProcessPoolExecutor(min(jobs, len(paths)), multiprocessing.get_context("spawn")) as pool:
        tasks = [pool.submit(rows_of, path) for path in paths]
        for path, task in zip(paths, tasks, strict=True):
            try:
                yield task.result()
            except BrokenProcessPool:
                raise SticktraceError(f"{safe(path)}: the process that read it was ended by the system; "
                                      "leave the file out, or use --jobs 1") from None  # fmt: skip


def _on_cluster(paths: list[str], scheduler: str) -> Iterator[Rows]:
    try:
        from distributed import Client
    except ImportError:
        raise SticktraceError("a cluster needs Dask: pip install 'sticktrace[cluster]'") from None
    try:
        client = Client(scheduler, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise SticktraceError(f"no cluster answers at {safe(scheduler)}: {safe(str(error))}") from error
    with client:
        for task in client.map(rows_of, paths, pure=False):
            rows: Rows = task.result()
            yield rows


def _place(cache: Path, file: Path) -> Path:
    """Where a cache holds the rows of a file as it is now."""
    stat = file.stat()
    text = f"{VERSION} {_program()} {file.resolve()} {stat.st_size} {stat.st_mtime_ns}"
    return cache / f"{hashlib.sha256(text.encode('utf-8', 'surrogateescape')).hexdigest()[:32]}.json"


def _program() -> str:
    from importlib.metadata import version

    return version("sticktrace")


def _cached(cache: Path | None, file: Path) -> Rows | None:
    if cache is None:
        return None
    try:
        rows: Rows = json.loads(_place(cache, file).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return [row | {"capture": str(file)} for row in rows]


def _keep(cache: Path | None, file: Path, rows: Rows) -> None:
    if cache is None:
        return
    from sticktrace.writing.folder import made
    from sticktrace.writing.outputs import new_text

    with new_text(_place(made(cache), file), overwrite=True) as out:
        out.write(json.dumps(rows))
