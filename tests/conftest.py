"""Paths of the captures that the tests read, and the truth known about them from outside.

tests/data/captures holds recordings made in an emulator from several independent host stacks, packed with xz (which
sticktrace opens as they are). NAME.truth.json beside each says what is known of it without sticktrace.
"""

from __future__ import annotations

import json
import lzma
import signal
import sys
from pathlib import Path
from typing import Any

from hypothesis import settings

ROOT = Path(__file__).parent.parent
CAPTURES = Path(__file__).parent / "data" / "captures"
LOGS = Path(__file__).parent / "data" / "logs"
sys.path.insert(0, str(ROOT / "traces"))
sys.path.insert(0, str(Path(__file__).parent))

# Where a shell runs the tests in the background SIGINT is ignored, and would be by all that they start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# The same examples in every run, so that a change is judged by what it changes. `pytest --hypothesis-profile=default`
# looks for new ones, as tests/fuzz does.
settings.register_profile("repeatable", derandomize=True, database=None)
settings.load_profile("repeatable")


def capture_names() -> list[str]:
    """Names of all captures, as "l01_fat32_ehci-usbmon.pcap"."""
    return sorted(path.name.removesuffix(".xz") for path in CAPTURES.glob("*.xz"))


def capture_path(name: str) -> Path:
    """The packed capture; sticktrace opens it as it is."""
    return CAPTURES / f"{name}.xz"


def capture_bytes(name: str) -> bytes:
    """The capture as recorded."""
    return lzma.decompress(capture_path(name).read_bytes())


def truth_of(name: str) -> dict[str, Any]:
    """What is known about a capture from outside."""
    stem = name.rsplit(".", 1)[0]
    truth: dict[str, Any] = json.loads((CAPTURES / f"{stem}.truth.json").read_text())
    return truth


def kernel_log(name: str) -> str:
    """What the kernel of the recording machine said, "" where there is none."""
    path = CAPTURES / f"{name.rsplit('.', 1)[0]}.dmesg.txt"
    return path.read_text() if path.exists() else ""
