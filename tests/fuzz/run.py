"""Fuzzing by coverage: ``python tests/fuzz/run.py [MINUTES] [--seed N] [--only NAME...] [--keep FOLDER]``.

Needs the extra ``fuzz`` (``pip install -e '.[fuzz]'``). Each target of `targets` gets its share of the time in a
process of its own, one after the other. Whatever escapes a target is written to FOLDER/finds once for each kind, and
the run goes on; what hangs or grows without end stops its target. FOLDER (a temporary one without ``--keep``) also
keeps the inputs that reached something new, so that the next run begins where this one ended, and ``tally.json``, the
inputs counted so far. The exit status is 1 when something new was found.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import mmap
import os
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1] / "traces")]

SLOW_S = 5.0
"""Processor time that no input of these sizes may take."""
_HANG_S, _MEMORY_MB = 120, 3000
_COUNT = 8


def main() -> int:
    """Runs the targets one after the other, then prints what came of it. Returns the exit status."""
    options = _options()
    try:
        import atheris
    except ImportError:
        print("fuzzing needs the extra: pip install -e '.[fuzz]'", file=sys.stderr)
        return 2
    folder = (options.keep or Path(tempfile.mkdtemp(prefix="sticktrace-fuzz-"))).resolve()
    (folder / "finds").mkdir(parents=True, exist_ok=True)
    with quiet(), atheris.instrument_imports(include=["sticktrace", "sticktrace_tui"]):
        from targets import CORPUS, targets

        chosen = {name: t for name, t in targets().items() if not options.only or name.startswith(tuple(options.only))}
        for target in chosen.values():  # what is imported late is instrumented too
            for path in (next((CORPUS / corpus).iterdir()) for corpus in target.corpora):
                target.run(path.read_bytes())
    whole, before = sum(target.weight for target in chosen.values()), finds(folder)
    for name, target in chosen.items():
        one(name, target, folder, options.seed, max(1, round(60 * options.minutes * target.weight / whole)))
    new = sorted(finds(folder) - before)
    print("".join(f"found: {folder / 'finds' / name}\n" for name in new), end="")
    print(f"{sum(read_tally(folder).values()):,} inputs so far in {folder}, {len(new)} new finds")
    return bool(new)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("minutes", nargs="?", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", default=[], help="beginnings of target names")
    parser.add_argument("--keep", type=Path, help="folder for finds, reached inputs and the tally")
    return parser.parse_args()


class quiet:
    """Sends what the engine says of every module to nowhere."""

    def __enter__(self) -> None:
        self.kept = os.dup(2)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)

    def __exit__(self, *_: object) -> None:
        os.dup2(self.kept, 2)


def finds(folder: Path) -> set[str]:
    """Names of the finds so far."""
    return {path.name for path in (folder / "finds").glob("*") if path.suffix != ".txt"}


def read_tally(folder: Path) -> dict[str, int]:
    """Target -> inputs, of all runs that kept this folder."""
    path = folder / "tally.json"
    found: dict[str, int] = json.loads(path.read_text()) if path.exists() else {}
    return found


def one(name: str, target: Any, folder: Path, seed: int, seconds: int) -> None:
    """One target in a process of its own. Its inputs are counted even if it is killed."""
    counter = mmap.mmap(-1, _COUNT)
    began = time.monotonic()
    child = os.fork()
    if not child:
        inside(name, target, folder, seed, seconds, counter)
    _, ended = os.waitpid(child, 0)
    count, tally = int.from_bytes(counter[:], "little"), read_tally(folder)
    tally[name] = tally.get(name, 0) + count
    (folder / "tally.json").write_text(json.dumps(tally, indent=1))
    print(f"{name}: {count:,} inputs in {time.monotonic() - began:.0f} s", flush=True)
    if ended:
        tail = (folder / "log").read_text(errors="replace")[-1500:]
        print(f"{name}: stopped; the last of what it said:\n{tail}", flush=True)


def inside(name: str, target: Any, folder: Path, seed: int, seconds: int, counter: mmap.mmap) -> None:
    """The process of a target. Does not return: the engine ends it."""
    import atheris
    from targets import CORPUS

    log = os.open(folder / "log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(log, 1), os.dup2(log, 2)
    reached = folder / "reached" / name
    reached.mkdir(parents=True, exist_ok=True)
    folders = [str(reached), *(str(CORPUS / corpus) for corpus in target.corpora)]
    words = [f"-seed={seed}", f"-max_total_time={seconds}", f"-max_len={target.longest}", f"-timeout={_HANG_S}",
             f"-rss_limit_mb={_MEMORY_MB}", f"-artifact_prefix={folder / 'finds' / name}--", "-reload=0",
             f"-report_slow_units={_HANG_S}"]  # fmt: skip
    atheris.Setup([sys.argv[0], *words, *folders], watched(name, target.run, folder, counter))
    atheris.Fuzz()
    os._exit(0)


def watched(name: str, run: Any, folder: Path, counter: mmap.mmap) -> Any:
    """Counts inputs where a kill does not lose the count, and keeps the first input of each kind of failure."""
    count, known = 0, finds(folder)

    def call(data: bytes) -> None:
        nonlocal count
        count += 1
        counter[:] = count.to_bytes(_COUNT, "little")
        began = time.process_time()
        try:
            run(data)
        except Exception as error:  # the point of it: whatever escapes is a bug
            keep(f"{name}--{kind_of(error)}", data, "".join(traceback.format_exception(error)))
        if (took := time.process_time() - began) > SLOW_S:
            keep(f"{name}--slow", data, f"{took:.1f} s")

    def keep(title: str, data: bytes, said: str) -> None:
        if title not in known:
            known.add(title)
            (folder / "finds" / title).write_bytes(data)
            (folder / "finds" / f"{title}.txt").write_text(said)

    return call


def kind_of(error: Exception) -> str:
    """The type of an error and the place where it was raised, short enough for a file name."""
    where = traceback.extract_tb(error.__traceback__)[-1]
    words = f"{type(error).__name__}-{Path(where.filename).stem}-{where.lineno}"
    said = hashlib.sha256(str(error)[:24].encode()).hexdigest()[:4] if isinstance(error, AssertionError) else ""
    return f"{words}-{said}" if said else words


if __name__ == "__main__":
    sys.exit(main())
