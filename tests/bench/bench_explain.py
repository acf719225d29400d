"""How long one exchange takes to explain, every part of it, for each exchange of a capture; run by hand.

    python tests/bench/bench_explain.py traces/demo/healthy-boot.pcap

Prints the median and the slowest in milliseconds. The first explanation of a kind is left out of neither.
"""

from __future__ import annotations

import argparse
import time

import sticktrace
from sticktrace.output.breakdown import account
from sticktrace.transport.items import Exchange


def main() -> None:
    """Explain everything, twice, and report the second round."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("capture")
    path = parser.parse_args().capture
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        exchanges = [item for item in reading if isinstance(item, Exchange)]
        for round_number in (1, 2):
            times = []
            for exchange in exchanges:
                started = time.process_time()
                for _ in account(exchange, reading.read):
                    pass
                times.append((time.process_time() - started) * 1000)
            times.sort()
            print(f"round {round_number}: median {times[len(times) // 2]:.2f} ms, slowest {times[-1]:.2f} ms")


if __name__ == "__main__":
    main()
