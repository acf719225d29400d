"""Lines of text a second: a board's console, a kernel's log and usbmon text; and the memory that a long log takes.
Run by hand.

    python tests/bench/bench_lines.py                     # lines a second of processor time, one core
    python tests/bench/bench_lines.py --log 200           # a kernel's log of so many megabytes, in a process of its own

docs/speed.md says what was measured.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from itertools import islice, repeat
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path[:0] = [str(ROOT / "traces"), str(ROOT / "tests")]

LINES = 60_000


def texts() -> dict[str, str]:
    """A text of each form, in lines that differ as real ones do."""
    from conftest import capture_bytes, kernel_log
    from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(1 << 16))]))
    host.enumerate()
    for lba in range(600):
        host.execute(wire.read10(lba))
    console = "".join(f"level {n} written\n{line}\n" for n, line in enumerate(host.recorder.hex_text().splitlines()))
    debug = (ROOT / "tests/data/minimal/light-host-debug-refused-then-up.log").read_text()
    return {
        "console, hex lines": console,
        "console, a light host stack's debug build": debug,
        "kernel's log": kernel_log("l15_read_error-usbmon.pcap"),
        "usbmon text": capture_bytes("l01_fat32_ehci-usbmon-0u.txt").decode(),
        "usbmon text of reads": host.recorder.usbmon_text(),
    }


def long_text(text: str) -> str:
    """The text again and again, `LINES` lines of it."""
    lines = text.splitlines(keepends=True)
    return "".join(islice((line for many in repeat(lines) for line in many), LINES))


def measure(path: Path) -> tuple[float, int, int]:
    """Seconds of processor time for a whole reading, with pairing; lines; statements and exchanges."""
    import sticktrace

    started = time.process_time()
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        count = sum(1 for _ in reading)
    return time.process_time() - started, path.read_bytes().count(b"\n"), count


def big_log(megabytes: float) -> None:
    """A diagnosis of a long kernel's log, in this process."""
    import sticktrace
    from conftest import kernel_log

    text = kernel_log("l15_read_error-usbmon.pcap")
    with tempfile.NamedTemporaryFile("w", suffix=".log") as file:
        while file.tell() < megabytes * (1 << 20):
            file.write(text * 100)
        file.flush()
        started = time.process_time()
        with sticktrace.open(file.name) as capture:
            diagnosis = sticktrace.diagnose(capture.reading())
        seconds = time.process_time() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{megabytes:g} MB: {seconds:.0f} s of processor time, at most {peak:.0f} MiB; {diagnosis.answer.failed}")


def main() -> None:
    """Measure what was asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--log", type=float, default=0)
    parser.add_argument("--here", action="store_true")
    asked = parser.parse_args()
    if asked.log and asked.here:
        big_log(asked.log)
    elif asked.log:
        subprocess.run([sys.executable, __file__, "--log", str(asked.log), "--here"], check=True)
    else:
        for name, text in texts().items():
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "text"
                path.write_text(long_text(text))
                seconds, lines, items = min(measure(path) for _ in range(2))
            print(f"{name}: {lines / seconds:,.0f} lines a second ({items:,} items)")


if __name__ == "__main__":
    main()
