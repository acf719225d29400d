"""Whole verbs against scapy's RawPcapReader merely iterating the same file, side by side in one run; run by hand.

    python tests/bench/make_big.py big.pcap --exchanges 200000 --bytes 512
    python tests/bench/bench_verbs.py big.pcap
    python tests/bench/bench_verbs.py --growth

The first prints processor seconds of each verb from the start of its process to the end, the least of the rounds, what
multiple of the bare loop that is (the loop alone, its imports not counted), and the peak of resident memory. The second
makes captures of 10^4 to 10^7 records, and fits a straight line to the time and to the memory of each verb. The third
form, ``--cache``, holds `check` without the start of its process against reading the file from the page cache.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

VERBS = ("check", "diagnose", "timing", "exchanges", "export", "export --as csv", "export --as pcap")
GROWING = ("check", "diagnose", "timing")
SIZES = (10_000, 100_000, 1_000_000, 10_000_000)
RECORDS = 6
"""Of one exchange of `make_big.py`."""

LOOP = """
import sys, time
from scapy.utils import RawPcapReader
started = time.process_time()
with RawPcapReader(sys.argv[1]) as records:
    count = sum(1 for _ in records)
print(time.process_time() - started)
"""
CHECK = """
import sys, time
import numpy
import sticktrace.session
started = time.process_time()
with sticktrace.open(sys.argv[1]) as capture:
    places = capture.read_through().places()
print(time.process_time() - started)
"""


def cost(*words: str) -> tuple[float, float]:
    """Processor seconds and peak resident MiB of a program."""
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as program:
        _, status, usage = os.wait4(program.pid, 0)
        program.returncode = os.waitstatus_to_exitcode(status)
    if program.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(words)}: exit status {program.returncode}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def printed(code: str, path: str) -> float:
    """The seconds that a piece of Python prints."""
    return float(subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True).stdout)


def verb(words: str, path: str, folder: Path) -> tuple[float, float]:
    """What a verb costs on a capture."""
    extra = ["--overwrite", "--to", str(folder / "out.pcap")] if words.endswith("pcap") else []
    return cost(sys.executable, "-c", "from sticktrace.cli.main import main; main()", *words.split(), *extra, path)


def side_by_side(path: str, rounds: int, folder: Path) -> None:
    """The loop and each verb in turn, a few times."""
    loop = min(printed(LOOP, path) for _ in range(rounds))
    best = {words: (float("inf"), 0.0) for words in VERBS}
    for _ in range(rounds):
        for words in VERBS:
            best[words] = min(best[words], verb(words, path, folder))
        loop = min(loop, printed(LOOP, path))
    print(f"{'bare loop of RawPcapReader':<28} {loop:7.2f} s")
    for words, (seconds, peak) in best.items():
        print(f"{words:<28} {seconds:7.2f} s   {seconds / loop:5.2f} of the loop   peak {peak:4.0f} MiB")


def growth(folder: Path) -> None:
    """Time and memory over the number of records."""
    import numpy as np

    maker = str(Path(__file__).with_name("make_big.py"))
    found: dict[str, list[tuple[float, float]]] = {words: [] for words in GROWING}
    for size in SIZES:
        path = str(folder / "growing.pcap")
        subprocess.run([sys.executable, maker, path, "--exchanges", str(size // RECORDS)], check=True)
        for words in GROWING:
            found[words].append(min(verb(words, path, folder) for _ in range(1 if size > 1_000_000 else 3)))
    for words, costs in found.items():
        seconds, peaks = (np.array(column) for column in zip(*costs, strict=True))
        slope, start = np.polyfit(SIZES, seconds, 1, w=1 / seconds)
        off = np.abs(slope * np.array(SIZES) + start - seconds) / seconds
        each = (peaks[-1] - peaks[-2]) * (1 << 20) / ((SIZES[-1] - SIZES[-2]) / RECORDS)
        print(f"{words:<12}" + " ".join(f"{one:8.2f} s" for one in seconds)
              + f"   {start:.2f} s + {slope * 1e6:.3f} us a record, off by {off.max():.0%} at most"
              + f"   peak {peaks[-1]:.0f} MiB, {each:.0f} bytes an exchange more")  # fmt: skip


def from_cache(path: str, rounds: int) -> None:
    """`check` against reading all bytes of the file, which the first round brings into the page cache."""
    buffer, read, checked = bytearray(1 << 20), float("inf"), float("inf")
    for _ in range(rounds):
        started = time.process_time()
        with Path(path).open("rb", buffering=0) as file:
            while file.readinto(buffer):
                pass
        read = min(read, time.process_time() - started)
        checked = min(checked, printed(CHECK, path))
    print(f"reading the file {read:.3f} s, check {checked:.3f} s: {checked / read:.2f}")


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("capture", nargs="?")
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--cache", action="store_true")
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.growth:
            growth(Path(folder))
        elif options.capture is None:
            parser.error("a capture, or --growth")
        elif options.cache:
            from_cache(options.capture, options.rounds)
        else:
            side_by_side(options.capture, options.rounds, Path(folder))


if __name__ == "__main__":
    main()
