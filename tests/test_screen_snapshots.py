"""The look of every page as text, kept in tests/snapshots. To take new ones after a wanted change:

    STICKTRACE_SNAPSHOTS=write python -m pytest tests/test_screen_snapshots.py

then read the difference before keeping it. The captures are the demo traces, so the screens are the same everywhere.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from screen_pilot import SMALL, WIDE, demo, shown, typed

KEPT = Path(__file__).parent / "snapshots"

VIEWS: dict[str, tuple[str, list[str], tuple[int, int]]] = {
    "verdict-healthy": ("healthy-boot.pcap", [], SMALL),  # a healthy capture says so
    "verdict-bad-sector-wide": ("bad-sector.pcap", [], (100, 50)),  # stages, first fault, what to try
    "verdict-brown-out": ("brown-out-on-write.pcap", [], (100, 60)),  # power findings
    "exchanges": ("healthy-boot.pcap", ["2"], SMALL),  # narrow columns, folded requests
    "exchanges-wide": ("bad-sector.pcap", ["2", "f", "f"], WIDE),  # what is touched, sense in words
    "exchanges-selected": ("healthy-boot.pcap", ["2", "slash", *typed("command:write")], SMALL),  # live selection
    "exchanges-unfolded": ("not-ready-then-up.pcap", ["2", "o", "end"], SMALL),  # every item, the end of the list
    "exchanges-teaching": ("bad-sector.pcap", ["2", "t"], SMALL),  # outcomes kept back
    "detail-command": ("bad-sector.pcap", ["2", "f", "f", "enter", "down", "down"], SMALL),  # field and bytes
    "detail-data-wide": ("healthy-boot.pcap", ["2", *["down"] * 7, "enter", "tab"], (120, 40)),  # INQUIRY
    "detail-sense": ("bad-sector.pcap", ["2", "f", "f", "enter", "shift+tab"], SMALL),  # what a host does next
    "devices": ("hub-port-overcurrent.pcap", ["4"], (100, 40)),  # the cable, cut, and the life below it
    "sectors": ("healthy-boot.pcap", ["5"], SMALL),  # regions over time
    "timing": ("healthy-boot.pcap", ["6"], (120, 40)),  # spreads and throughput
    "help": ("healthy-boot.pcap", ["question_mark"], (80, 60)),  # the protocol and all keys
}


@pytest.mark.parametrize("name", VIEWS)
def test_page_looks_as_kept(name: str) -> None:
    """The page is, character for character, the one that was looked at and kept."""
    capture, keys, size = VIEWS[name]
    text = shown(demo(capture), keys, size)
    path = KEPT / f"{name}.txt"
    if os.environ.get("STICKTRACE_SNAPSHOTS") == "write":
        path.write_text(text, "utf-8")
    assert path.exists(), f"no snapshot {path.name}: see the head of this file"
    assert text == path.read_text("utf-8")


def test_compare_page_looks_as_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two captures side by side, aligned, differences marked. The page names both files as they were given, so they are
    given without a folder: the length of its path would move what follows."""
    monkeypatch.chdir(Path(demo("healthy-boot.pcap")).parent)
    text = shown("healthy-boot.pcap", ["7"], (100, 44), against="bad-sector.pcap")
    path = KEPT / "compare.txt"
    if os.environ.get("STICKTRACE_SNAPSHOTS") == "write":
        path.write_text(text, "utf-8")
    assert text == path.read_text("utf-8")


def test_snapshots_are_all_in_use() -> None:
    """No snapshot is kept that no test looks at."""
    assert {path.stem for path in KEPT.glob("*.txt")} == {*VIEWS, "compare"}
