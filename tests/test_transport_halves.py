"""Recordings with only the halves that carry payload: what goes out as it was submitted, what came as it completed.
They pair as the whole recording does: commands by order and tag, data and status with their own command."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from conftest import capture_bytes, capture_names
from sticktrace.findings.verdict import diagnose
from sticktrace.session import Reading
from sticktrace.sticks.learning import WRITES
from sticktrace.transport.items import FAILED, Exchange
from variants import apart
from workshop import Half, Recorder, forms
from workshop.scenes_faults import bad_sector, write_protected
from workshop.scenes_healthy import healthy_boot, uas_stick

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import check_account, opened

NAMES = [name for name in capture_names() if apart(capture_bytes(name)) is not None]

SCENES = (healthy_boot, bad_sector, write_protected, uas_stick)


def paired(data: bytes) -> list[tuple[Any, ...]]:
    """What the exchanges are, with their data, and nothing that rests on the time or on the other halves."""
    with opened(data) as capture:
        reading = capture.reading()
        items = list(reading)
        check_account(reading, items)
        return [_facts(item, reading) for item in items if isinstance(item, Exchange)]


def _facts(item: Exchange, reading: Reading) -> tuple[Any, ...]:
    return (item.lun, item.tag, item.cdb, item.lba, item.status, item.moved,
            b"".join(map(reading.read, item.pieces)), item.sense and item.sense[:3])  # fmt: skip


def told(data: bytes) -> tuple[set[str], list[str]]:
    """The faults, and the sticks by title."""
    with opened(data) as capture:
        diagnosis = diagnose(capture.reading())
    return {fault.slug for fault in diagnosis.faults}, [report.title for report in diagnosis.reports]


@pytest.mark.parametrize("name", NAMES)
def test_without_empty_halves_all_is_paired_as_before(name: str) -> None:
    """Control submissions keep their setup packet; the completions of those without data are gone."""
    whole = capture_bytes(name)
    recording = apart(whole)
    assert recording is not None and recording.whole() == whole
    poorer = recording.keep(lambda _, record: bool(record.payload) or record.setup)
    assert paired(poorer) == paired(whole)
    faults, sticks = told(whole)
    fewer, same = told(poorer)
    assert fewer <= faults
    assert same == sticks or not sticks


@pytest.mark.parametrize("name", NAMES[::4])
def test_without_setup_packets_either(name: str) -> None:
    whole = capture_bytes(name)
    recording = apart(whole)
    assert recording is not None
    poorer = recording.keep(lambda _, record: bool(record.payload))
    assert paired(poorer) == paired(whole)
    assert told(poorer)[0] <= told(whole)[0]


def full(half: Half) -> bool:
    """Whether it carries payload, or a setup packet."""
    return bool((half.data and forms.carries_data(half)) or (half.setup and half.event == "S"))


def still(half: Half) -> None:
    half.time_ns = 1_000_000_000


def as_recorded(half: Half) -> None:
    """Rising times."""


@pytest.mark.parametrize("clock", [still, as_recorded], ids=["equal times", "rising times"])
@pytest.mark.parametrize("form", ["189", "220 big-endian", "249", "text"])
@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_in_every_form(scene: Callable[[], Recorder], form: str, clock: Callable[[Half], None]) -> None:
    """How much of a WRITE that the device stalled did cross the bus only an empty half would tell."""
    recorder = scene()
    if form == "249":
        recorder.link_type = 249
    whole = paired(written(recorder, form))
    recorder.halves = [half for half in recorder.halves if full(half)]
    for half in recorder.halves:
        clock(half)
    for poorer, exchange in zip(paired(written(recorder, form)), whole, strict=True):
        assert poorer[:5] == exchange[:5]
        assert poorer[5:] == exchange[5:] or (exchange[4] == FAILED and exchange[2][0] in WRITES)


def written(recorder: Recorder, form: str) -> bytes:
    """The recording in a form."""
    if form == "text":
        return recorder.usbmon_text().encode()
    recorder.link_type, recorder.order = int(form.split()[0]), ">" if "big" in form else "<"
    return recorder.pcap()


def test_it_is_said_what_was_taken_for_granted() -> None:
    recorder = healthy_boot()
    recorder.halves = [half for half in recorder.halves if full(half)]
    with opened(recorder.pcap()) as capture:
        reading = capture.reading()
        found = [item for item in reading if isinstance(item, Exchange)]
    assert any("only the halves" in sentence for sentence in reading.assumed)
    assert not any(exchange.remarks for exchange in found)


def test_one_lost_half_of_each_kind_does_not_make_such_a_recording() -> None:
    """A near miss: the first command's completion and the first read's submission are lost, the others are there."""
    recorder = healthy_boot()
    bulk = [half for half in recorder.halves if half.kind == 3]
    lost = [next(h for h in bulk if h.event == "C" and not h.endpoint & 0x80),
            next(h for h in bulk if h.event == "S" and h.endpoint & 0x80)]  # fmt: skip
    recorder.halves = [half for half in recorder.halves if half not in lost]
    with opened(recorder.pcap()) as capture:
        reading = capture.reading()
        list(reading)
    assert reading.assumed == []
