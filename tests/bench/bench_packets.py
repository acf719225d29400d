"""How fast `sticktrace check` accounts for packets, as a whole process, against scapy's bare reader of the same file.

    python tests/bench/make_packets.py packets.pcap --packets 10000000
    python tests/bench/bench_packets.py packets.pcap

Prints processor time, packets a second and peak memory of each; the program's start is counted.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CHECK = "from sticktrace.cli.main import main; main()"
BARE = "import sys; from scapy.utils import RawPcapReader; print(sum(1 for _ in RawPcapReader(sys.argv[1])))"


def run(name: str, *words: str) -> tuple[str, float, int]:
    """Output, seconds of processor time, and peak memory in MiB of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = dict(os.environ, PYTHONPATH=str(ROOT / "decoder"))
    process = subprocess.Popen([sys.executable, "-c", *words], stdout=subprocess.PIPE, text=True, env=environment)
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = status
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"{name:<28}{seconds:8.2f} s {usage.ru_maxrss // 1024:6} MiB")
    return output, seconds, usage.ru_maxrss // 1024


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("capture", type=Path)
    parser.add_argument("--bare", action="store_true", help="scapy's reader as well")
    options = parser.parse_args()
    output, seconds, _ = run("sticktrace check", CHECK, "check", str(options.capture))
    print(output.rstrip())
    count = int(output.split(" records")[0].rpartition(" ")[2].replace(",", ""))
    print(f"{count / seconds / 1e6:.2f} million packets a second")
    if options.bare:
        _, bare, _ = run("scapy RawPcapReader, bare", BARE, str(options.capture))
        print(f"{seconds / bare:.2f} of the bare loop")


if __name__ == "__main__":
    main()
