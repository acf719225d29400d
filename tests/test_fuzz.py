"""Broken captures of every form: only the project's own error, a balanced account, no exchange lost that is whole, and
nothing on the terminal that it might act on. tests/fuzz/run.py does the same for longer."""

from __future__ import annotations

import struct
import sys
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import (
    KINDS,
    VERBS,
    Edit,
    Outcome,
    apply,
    check_printable,
    examine,
    facts_of,
    records_of,
    run_verb,
    seeds,
    settled,
    text_lines,
)

from sticktrace.cli.main import cli
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire
from workshop.unit import POWER_ON

SEEDS = seeds()
LITTLE_PCAPS = [name for name in SEEDS if name.startswith("pcap ")]
TEXTS = [name for name in SEEDS if name.startswith("usbmon")]
quick = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])

edit = st.tuples(st.sampled_from(KINDS), st.integers(0, 1 << 24), st.binary(min_size=1, max_size=40))
edits = st.lists(edit, min_size=1, max_size=6)
flipped = st.tuples(st.integers(0, 1 << 12), st.integers(1, 255))


@cache
def whole(name: str) -> Outcome:
    """What the unbroken capture gives."""
    outcome = examine(SEEDS[name], deep=False)
    assert outcome is not None
    return outcome


def check_kept(name: str, damaged: Outcome, before: int) -> None:
    """Damage from record ``before`` on leaves the exchanges that were over by then as they were."""
    wanted = settled(whole(name).exchanges, before)
    assert [facts_of(exchange) for exchange in damaged.exchanges[: len(wanted)]] == wanted


@pytest.mark.parametrize("name", SEEDS)
def test_a_whole_capture_holds_exchanges(name: str) -> None:
    """What is broken below is worth breaking."""
    outcome = examine(SEEDS[name])
    assert outcome is not None and len(outcome.exchanges) > 5


@pytest.mark.parametrize("name", SEEDS)
@quick
@given(edits)
def test_any_edit_gives_only_our_error_and_a_balanced_account(name: str, some: list[Edit]) -> None:
    examine(apply(SEEDS[name], some))


@pytest.mark.parametrize("name", SEEDS)
@quick
@given(st.integers(0, 1 << 24))
def test_cut_off_anywhere_what_came_before_is_the_same(name: str, where: int) -> None:
    data = SEEDS[name]
    cut = examine(data[: where % len(data)], deep=False)
    if cut is not None:
        check_kept(name, cut, cut.reading.records)


@pytest.mark.parametrize("name", LITTLE_PCAPS)
@quick
@given(st.integers(0, 1 << 16), st.lists(flipped, min_size=1, max_size=4))
def test_one_damaged_record_leaves_the_exchanges_before_it_alone(
    name: str, which: int, flips: list[tuple[int, int]]
) -> None:
    """Bytes of one record, header of the capture form included, are changed; its length is not."""
    data = bytearray(SEEDS[name])
    places = records_of(data)
    number = which % len(places)
    start, end = places[number][0] + 16, min(places[number][1], len(data))
    if start >= end:
        return
    for offset, mask in flips:
        data[start + offset % (end - start)] ^= mask
    damaged = examine(bytes(data), deep=False)
    assert damaged is not None
    assert damaged.reading.records == whole(name).reading.records
    check_kept(name, damaged, number + 1)


@pytest.mark.parametrize("name", [*LITTLE_PCAPS, *TEXTS])
@quick
@given(st.lists(st.integers(0, 1 << 16), min_size=1, max_size=5))
def test_lost_records_leave_the_exchanges_before_them_alone(name: str, which: list[int]) -> None:
    """Recorders lose records without a mark."""
    data = SEEDS[name]
    places = text_lines(data) if name in TEXTS else records_of(data)
    lost = sorted({number % len(places) for number in which})
    left = b"".join(data[slice(*place)] for number, place in enumerate(places) if number not in lost)
    damaged = examine(left if name in TEXTS else data[:24] + left, deep=False)
    assert damaged is not None
    check_kept(name, damaged, lost[0] + 1)


@quick
@given(st.integers(0, 1 << 16))
def test_after_one_lost_record_the_machine_finds_back(which: int) -> None:
    """Two exchanges after the one that was hurt, everything is as if nothing had happened, record numbers apart."""
    name = "pcap 220, emulator"
    data, exchanges = SEEDS[name], whole(name).exchanges
    bulk = [number for exchange in exchanges for number in exchange.records]
    number = bulk[which % len(bulk)]
    start, end = records_of(data)[number - 1]
    damaged = examine(data[:start] + data[end:], deep=False)
    assert damaged is not None
    hurt = next(e.number for e in exchanges if number in e.records)
    wanted = [e for e in exchanges if e.number > hurt + 2]
    found = {(e.time_ns, e.tag, e.cdb, e.moved, e.status, len(e.records)) for e in damaged.exchanges}
    for exchange in wanted:
        mine = exchange.time_ns, exchange.tag, exchange.cdb, exchange.moved, exchange.status, len(exchange.records)
        assert mine in found, facts_of(exchange)


@pytest.mark.parametrize("words", VERBS)
@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(SEEDS)), edits)
def test_no_verb_shows_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, words: str, name: str, some: list[Edit]
) -> None:
    """Whatever the file holds, a verb ends with a documented status and prints what a terminal can bear."""
    path = tmp_path_factory.mktemp("broken") / "capture"
    path.write_bytes(apply(SEEDS[name], some))
    run_verb(path, words)


HOSTILE = "\x1b[2J\x07\r\n\u202etxt.exe\u2066\x85[red]\u200b"


@st.composite
def hostile_captures(draw: st.DrawFn) -> bytes:
    """A stick whose every string is drawn from the worst that a device can say."""
    text = draw(st.one_of(st.just(HOSTILE), st.text(max_size=20)))
    raw = draw(st.binary(min_size=36, max_size=36))
    identity = Identity(manufacturer=text, product=text[::-1], serial=text)
    host = Host(Recorder(), Stick(identity, [Unit(Medium(1000), attention=POWER_ON)]))
    host.enumerate()
    host.command(wire.inquiry(), data_in=raw)
    host.command(wire.inquiry(255, 0x80), data_in=b"\0\x80\0\x14" + raw[:20])
    host.execute(wire.test_unit_ready())
    return host.recorder.pcap()


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=hostile_captures())
def test_hostile_strings_reach_no_terminal(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("hostile") / "stick.pcap"
    path.write_bytes(data)
    for words in (["exchanges"], ["devices"], ["devices", "--story"], ["devices", "--json"], ["export"],
                  ["export", "--as", "csv"], ["check"]):  # fmt: skip
        check_output(path, words)
    for number in ("1", "2", "3"):
        result = CliRunner().invoke(cli, ["explain", str(path), number])
        check_lines(result.output)


def check_output(path: Path, words: list[str]) -> None:
    """A verb succeeds and prints nothing that a terminal would act on."""
    result = CliRunner().invoke(cli, [words[0], str(path), *words[1:]])
    assert result.exit_code == 0, (words, result.output, result.exception)
    check_lines(result.output)


def check_lines(output: str) -> None:
    """Lines end in newlines, and hold no other control character."""
    assert output
    for line in output.split("\n"):
        check_printable(line)


def test_a_file_name_with_control_characters_is_shown_escaped(tmp_path: Path) -> None:
    path = tmp_path / "evil\x1b[31m.pcap"
    path.write_bytes(struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 220) + b"\0" * 7)
    result = CliRunner().invoke(cli, ["check", str(path)])
    assert result.exit_code == 1
    check_lines(result.output)
