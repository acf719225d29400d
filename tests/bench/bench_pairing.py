"""Pairing speed against scapy's RawPcapReader merely iterating the same file, side by side; run by hand.

    python tests/bench/make_big.py big.pcap --exchanges 200000 --bytes 512
    python tests/bench/bench_pairing.py big.pcap

Prints seconds of processor time, the ratio, and the peak memory of each side in its own process. docs/speed.md says
what was measured.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time

SIDES = ("sticktrace check", "scapy RawPcapReader")


def run_side(side: str, path: str) -> None:
    """Do one side's work and print what came of it."""
    started = time.process_time()
    if side == SIDES[0]:
        import sticktrace

        reading = sticktrace.open(path).reading()
        for _ in reading:
            pass
        found = f"{reading.records:,} records, {reading.router.out.numbered:,} exchanges, balanced: " + str(
            sum(reading.places().values()) == reading.records
        )
    else:
        from scapy.utils import RawPcapReader

        with RawPcapReader(path) as records:
            found = f"{sum(1 for _ in records):,} records"
    seconds = time.process_time() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{seconds:.3f} {peak:.0f} {found}")


def main() -> None:
    """Both sides in turn, a few times, the best of each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("capture")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--side", choices=SIDES, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.side:
        run_side(arguments.side, arguments.capture)
        return
    best = {side: float("inf") for side in SIDES}
    for _ in range(arguments.rounds):
        for side in SIDES:
            out = subprocess.run(
                [sys.executable, __file__, arguments.capture, "--side", side],
                capture_output=True, text=True, check=True,
            ).stdout  # fmt: skip
            seconds, peak, found = out.split(maxsplit=2)
            best[side] = min(best[side], float(seconds))
            print(f"{side:<22} {float(seconds):7.2f} s   peak {peak:>4} MiB   {found.strip()}")
    print(f"ratio of the best: {best[SIDES[0]] / best[SIDES[1]]:.2f}")


if __name__ == "__main__":
    main()
