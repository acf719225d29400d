"""A missing fact is nobody's fault: of a healthy recording that lacks something, no fault is told, and the sticks are
the same. And nothing vanishes, however a recording is cut."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import capture_bytes, capture_names, capture_path
from sticktrace.findings.verdict import Diagnosis, diagnose
from variants import Recording, apart

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import examine, opened

LARGEST = 60_000
"""Bytes of a packed capture, beyond which it is left out for the time that it takes."""

POORER: dict[str, Callable[[Recording], bytes]] = {
    "begins after a third": lambda whole: whole.between(1 / 3, 1),
    "begins after two thirds": lambda whole: whole.between(2 / 3, 1),
    "ends after a third": lambda whole: whole.between(0, 1 / 3),
    "ends after two thirds": lambda whole: whole.between(0, 2 / 3),
    "the middle": lambda whole: whole.between(0.3, 0.7),
    "each tenth record lost": lambda whole: whole.keep(lambda number, _: number % 10 != 9),
    "other tenths lost": lambda whole: whole.keep(lambda number, _: number % 10 != 3),
    "32 bytes of payload": lambda whole: whole.cut(32),
    "64 bytes of payload": lambda whole: whole.cut(64),
    "128 bytes of payload": lambda whole: whole.cut(128),
    "no empty halves": lambda whole: whole.keep(lambda _, record: bool(record.payload) or record.setup),
    "no control transfers": lambda whole: whole.keep(lambda _, record: not record.control),
}

RESETS_IN_SIGHT = ("begins after a third", "begins after two thirds", "ends after a third", "the middle",
                   "each tenth record lost", "other tenths lost", "no control transfers")  # fmt: skip
"""Where the requests that tell who is at an address may be lost, the count of sticks is not compared."""

PORT_EVENTS_LOST = {("l20_hub_uhci-usbmon.pcap", "each tenth record lost"),
                    ("l20_hub_uhci-usbmon-0u.txt", "each tenth record lost")}  # fmt: skip
"""What a rule of the hub rests on is lost there; not compared."""


def diagnosis(data: bytes) -> Diagnosis:
    with opened(data) as capture:
        return diagnose(capture.reading())


@cache
def healthy() -> dict[str, tuple[Recording, Diagnosis]]:
    """Captures of sticks that show no fault as they are."""
    found = {}
    for name in capture_names():
        recording = apart(capture_bytes(name)) if capture_path(name).stat().st_size < LARGEST else None
        if recording is not None:
            whole = diagnosis(recording.whole())
            if whole.reports and not whole.faults:
                found[name] = (recording, whole)
    return found


@pytest.mark.parametrize("variant", POORER)
def test_a_missing_fact_is_nobodys_fault(variant: str) -> None:
    """Each variant takes every second capture, so that any two neighbours take all."""
    names = sorted(healthy())[list(POORER).index(variant) % 2 :: 2]
    assert len(names) > 5
    for name in names:
        if (name, variant) in PORT_EVENTS_LOST:
            continue
        recording, whole = healthy()[name]
        poorer = diagnosis(POORER[variant](recording))
        assert [f"{name}: {fault.text}" for fault in poorer.faults] == []
        if variant not in RESETS_IN_SIGHT:
            told = [report.stick.name for report in poorer.reports]
            assert len(told) == len(whole.reports), name
            assert all(a == b.stick.name or not a for a, b in zip(told, whole.reports, strict=True)), (name, told)


@pytest.fixture(scope="module")
def recordings() -> list[Recording]:
    names = ("l20_hub_uhci-usbmon-0u.txt", "l18_reset-emu.pcap", "l25_two_sticks-usbmon.pcap", "l19_uas_ehci-emu.pcap",
             "g17_raw_bot_orderly-usbmon.pcap")  # fmt: skip
    return [recording for name in names if (recording := apart(capture_bytes(name))) is not None]


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_nothing_vanishes_however_it_is_cut(recordings: list[Recording], data: st.DataObject) -> None:
    """A stretch of one recording, with records lost, and the beginning of one behind it: a capture that begins inside a
    READ, then enumeration on other pipes."""
    stretch = data.draw(st.sampled_from(recordings))
    first = data.draw(st.integers(0, len(stretch.records) - 1))
    kept = stretch.records[first : first + data.draw(st.sampled_from((3, 12, 60, 400)))]
    lost = data.draw(st.sets(st.integers(0, len(kept)), max_size=len(kept) // 2))
    behind = stretch.records[: data.draw(st.sampled_from((0, 40, 80)))]
    records = (*(record for number, record in enumerate(kept) if number not in lost), *behind)
    examine(replace(stretch, records=records).whole(), deep=False)
