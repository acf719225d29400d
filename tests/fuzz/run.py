"""Longer fuzzing by hand: ``python tests/fuzz/run.py [MINUTES] [SEED]``. Prints the first failure of each kind with the
seed that makes it again, and the slowest capture; exit status 1 when there was a failure."""

from __future__ import annotations

import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1] / "traces"), str(HERE.parents[1] / "decoder")]

from breaking import VERBS, apply, examine, run_verb, seeds, some_edits  # noqa: E402

SLOW_S = 5.0
"""Processor time that no capture of these sizes may take."""


def one(seed: int, captures: dict[str, bytes]) -> tuple[str, bytes]:
    """The broken capture of a seed."""
    rng = random.Random(seed)
    name = rng.choice(list(captures))
    return name, apply(captures[name], some_edits(rng))


def main(minutes: float = 1.0, first: int = 0) -> int:
    """Runs until the time is over. Returns the number of kinds of failure."""
    captures, found = seeds(), {}
    path = Path(tempfile.mkdtemp()) / "broken"
    slowest, end, seed = (0.0, 0), time.monotonic() + 60 * minutes, first
    while time.monotonic() < end:
        name, data = one(seed, captures)
        began = time.process_time()
        try:
            examine(data)
            path.write_bytes(data)
            run_verb(path, VERBS[seed % len(VERBS)])
        except Exception as error:  # the point of it: whatever escapes is a bug
            where = traceback.extract_tb(error.__traceback__)[-1]
            kind = f"{type(error).__name__} at {Path(where.filename).name}:{where.lineno}"
            if kind not in found:
                found[kind] = seed
                print(f"seed {seed}, {name}: {kind}: {str(error)[:300]}", flush=True)
        took = time.process_time() - began
        slowest = max(slowest, (took, seed))
        if took > SLOW_S:
            print(f"seed {seed}, {name}: took {took:.1f} s", flush=True)
        seed += 1
    print(f"{seed - first} captures, {len(found)} kinds of failure, slowest {slowest[0]:.2f} s (seed {slowest[1]})")
    return len(found)


if __name__ == "__main__":
    sys.exit(bool(main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0, int(sys.argv[2]) if len(sys.argv) > 2 else 0)))
