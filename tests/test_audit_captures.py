"""The audit on recordings of independent host stacks: what they break is known, with the reason, and a recording that
lacks something breaks nothing more."""

from __future__ import annotations

from functools import cache

import pytest

from breaches.lab import audited, ready_host, together
from conftest import capture_bytes, capture_names, capture_path
from sticktrace.duties.catalogue import rules
from test_diagnosis_no_alarm import SCENES, Scene
from test_diagnosis_poorer import LARGEST, POORER
from variants import apart
from workshop import wire

ODD_HOST, COMMANDS_BY_HAND = ("g17_",), ("g17_", "l16_", "c09_")

REVIEWED: dict[str, tuple[tuple[str, ...], str]] = {
    # rule: (captures, reason), each looked at by eye
    "bot-ser-len": (("c", "f", "g", "l"), "the emulator's serial numbers are shorter than 12 characters"),
    "bot-ser-chars": (("c", "f", "g", "l"), "the emulator's serial numbers hold letters beyond F and a hyphen"),
    "bot-ser-uniq": (("l25_",), "both emulated sticks have serial numbers that end alike"),
    "s-ua-reset": (("c", "l"), "the emulator tells of power-on once for a process, not once for a reset"),
    "s-stopped": (("l16_", "c09_"), "the emulated disk goes on after START STOP UNIT with START 0"),
    "s-ua-medium": (("l11_",), "the emulated drive takes a disc in without a word"),
    "s-lba-host": (COMMANDS_BY_HAND, "commands sent by hand, beyond the last block on purpose"),
    "s-sense-first": (("f08_",), "that firmware repeats TEST UNIT READY without asking for sense"),
    "hub-cenable": (("l20_",), "the emulated hub sets C_PORT_ENABLE after each reset"),
    "hub-change-clear": (("l20_",), "the host leaves that C_PORT_ENABLE standing"),
    "hub-desc": (("l20_",), "the emulated hub counts one byte too few for eight ports"),
    "u3-bos-caps": (("l05_",), "the emulated stick's BOS has the SuperSpeed capability alone"),
    "uasp-fallback": (("l19_",), "the emulated disk speaks UAS alone"),
    **dict.fromkeys(
        ("bot-cbw-31", "bot-cbw-len", "bot-cbw-sig", "bot-dir-bit", "bot-gml-nolun", "bot-h-02", "bot-lun-zero",
         "bot-phase-rr", "bot-st-ok", "s-cdb-len", "s-rw-bytes", "s-tur-nodata"),
        (ODD_HOST, "wrappers made by hand to be wrong, and no recovery after them"),
    ),
}  # fmt: skip


@cache
def broken(name: str) -> frozenset[str]:
    """The rules that a capture shows broken."""
    return told(capture_bytes(name))


def told(data: bytes) -> frozenset[str]:
    return frozenset(id for id, count in together(audited(data)).items() if count.broken)


@pytest.mark.parametrize("name", capture_names())
def test_what_is_broken_was_looked_at(name: str) -> None:
    unexpected = {id for id in broken(name) if id not in REVIEWED or not name.startswith(REVIEWED[id][0])}
    assert unexpected == set()


def test_what_was_looked_at_is_still_broken() -> None:
    assert set().union(*map(broken, capture_names())) == set(REVIEWED)


NAMES = [name for name in capture_names() if capture_path(name).stat().st_size < LARGEST]


@pytest.mark.parametrize("variant", POORER)
def test_a_missing_fact_breaks_no_rule(variant: str) -> None:
    """Each variant takes every sixth capture; together they take all, twice."""
    for name in NAMES[list(POORER).index(variant) % 6 :: 6]:
        recording = apart(capture_bytes(name))
        if recording is not None:
            assert told(POORER[variant](recording)) - broken(name) == set(), name


@pytest.mark.parametrize("made", [made for made, _ in SCENES], ids=lambda made: made.__name__)
def test_what_is_unusual_and_in_order_breaks_the_letter_at_most(made: Scene) -> None:
    assert {id for id in told(made().recorder.pcap()) if not rules()[id].letter} == set()


def test_a_device_that_hangs_is_told_broken_by_no_rule_of_answers() -> None:
    """Bulk transfers have no time limit (USB 2.0 5.8.4): giving up is the host's choice."""
    host = ready_host()
    host.time_out(wire.test_unit_ready(), after_ms=30_000)
    host.reset_recovery()
    host.time_out(wire.test_unit_ready(), after_ms=30_000)
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())
    assert {id for id in told(host.recorder.pcap()) if not rules()[id].letter} == set()
