"""What a host recorded, rendered as packets and read back, on every capture at every speed. By hand, some minutes:

    python tests/both_ways.py
    python tests/both_ways.py --speed low l01_fat32_ehci-usbmon.pcap.xz

At low speed, which has no bulk, times do not fit where the host was faster than that bus, and of a command that was
never taken only its first 8 bytes go over: these captures are named in `NOT_AT_LOW_SPEED`.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT / "traces"), str(ROOT / "tests"), str(ROOT / "decoder")]

import sticktrace  # noqa: E402
from conftest import capture_names, capture_path  # noqa: E402
from sticktrace.bus.requests import Request  # noqa: E402
from sticktrace.output.packet_file import write  # noqa: E402
from sticktrace.transport.items import Exchange, Stray, Transport  # noqa: E402

DEMOS = sorted((ROOT / "traces" / "demo").glob("*.pcap"))
MINIMAL = sorted(path for path in (ROOT / "tests" / "data" / "minimal").iterdir() if path.suffix in (".txt", ".pcap"))
CAPTURES = [capture_path(name) for name in capture_names()] + DEMOS + MINIMAL

SPEEDS = ("low", "full", "high")
NOT_AT_LOW_SPEED = frozenset((
    "l19_uas_ehci-emu.pcap.xz", "l19_uas_ehci-usbmon.pcap.xz", "hub-port-overcurrent.pcap", "cbw-never-completes.txt",
    "hang-after-mode-select.txt",
))  # fmt: skip


def rendered(source: Path, target: Path, speed: str = "high") -> None:
    with sticktrace.open(source) as capture, target.open("wb") as out:
        write(capture.reading(), out, speed)


def no_status(text: str) -> str:
    """A remark without the way in which a transfer failed: that the host took it back, that the device was gone, or
    which error its controller saw, is not on the wire; that it moved nothing is."""
    text = re.sub(r"(without success|was not sent|after [\d,]+ bytes): .*", r"\1", text)
    return re.sub(r"still waiting after .*", "a transfer ended without success", text)


def exchange_facts(x: Exchange, data: bytes) -> tuple[Any, ...]:
    """Over UAS no command says how much it asks for, and a pipe can hold several: how much the host had room for, and
    when it queued the transfer, is not on the wire."""
    uas = x.transport is Transport.UAS
    asked = (-1, -1, -1) if uas else (x.expected, x.residue, x.time_ns)
    sense = None if x.sense is None else x.sense[:4]
    return (
        "exchange", x.address, x.lun, x.tag, x.cdb, x.direction, x.moved, x.status, sense, x.case, x.stalled,
        x.truncated, [no_status(note) for note in x.notes], x.transport, asked, x.data_ns, x.end_ns, data, x.command_ns,
    )  # fmt: skip


def story(path: Path) -> tuple[list[tuple[Any, ...]], list[Any]]:
    """Exchanges, requests, strays in order; the devices."""
    with sticktrace.open(path) as capture:
        reading, found = capture.reading(), []
        for item in reading:
            if isinstance(item, Exchange):
                found.append(exchange_facts(item, b"".join(reading.read(piece) for piece in item.pieces)))
            elif isinstance(item, Request):
                result = "failed" if item.result.startswith(("error", "no answer")) else item.result
                found.append(("request", item.address, item.setup, result, item.requested, item.actual, item.end_ns,
                              reading.read(item.data), item.time_ns))  # fmt: skip
            elif isinstance(item, Stray):
                found.append(("stray", item.address, item.endpoint, item.kind, no_status(item.reason), item.time_ns))
        assert sum(reading.places().values()) == reading.records
        devices = [
            (d.addresses, d.descriptor, d.strings, sorted(d.configurations), d.configuration, d.alternates, d.max_lun,
             d.is_hub, d.hub and d.hub.address, d.port, d.detached_ns, len(d.resets))
            for d in reading.bus.devices
        ]  # fmt: skip
        # Items come in the order in which they began. That a host took a command back shows on the wire only later.
        return sorted(found, key=lambda facts: facts[-1]), devices


def same(source: Path, speed: str) -> bool:
    """Whether a capture tells the same story when its packets are read."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "rendered.pcapng"
        rendered(source, target, speed)
        return story(target) == story(source)


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("names", nargs="*", help="captures by file name; all without any")
    parser.add_argument("--speed", choices=SPEEDS, help="one speed only")
    options = parser.parse_args()
    failed = 0
    for speed in [options.speed] if options.speed else SPEEDS:
        for source in CAPTURES:
            if options.names and source.name not in options.names:
                continue
            if speed == "low" and source.name in NOT_AT_LOW_SPEED:
                continue
            if not same(source, speed):
                failed += 1
                print(f"{source.name} tells another story at {speed} speed", flush=True)
    print(f"{failed} of them differ" if failed else "all alike")
    sys.exit(bool(failed))


if __name__ == "__main__":
    main()
