"""The verb: exit status, lines of JSON, captures that add up, sticks that are kept apart, the plan, one rule."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import sticktrace
from breaches.lab import healthy_trace, new_host, ready_host, tur
from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace.duties.catalogue import example_of, rules, unshown
from sticktrace.duties.plan import actions
from workshop import Host, wire

DEMO = ROOT / "traces" / "demo"


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, ["audit", *words])


def saved(host: Host, path: Path) -> str:
    path.write_bytes(host.recorder.pcap())
    return str(path)


@pytest.fixture
def good(tmp_path: Path) -> str:
    return saved(healthy_trace(), tmp_path / "good.pcap")


@pytest.fixture
def bad(tmp_path: Path) -> str:
    host = ready_host()
    tur(host, flags=0x40)
    return saved(host, tmp_path / "bad.pcap")


def test_exit_status(good: str, bad: str) -> None:
    assert run(good).exit_code == 0
    assert run(bad).exit_code == 1
    assert run().exit_code == 2
    assert run("--rule", "bot-flag6", "--json").exit_code == 2
    assert run(good, "--rule", "bot-flag6").exit_code == 0
    assert run(bad, "--rule", "bot-flag6").exit_code == 1
    assert run(bad, "--rule", "bot-tag-echo").exit_code == 0, "another rule was broken"


def test_lines_of_json(bad: str) -> None:
    rows = [json.loads(line) for line in run(bad, "--json").stdout.splitlines()]
    assert [row["id"] for row in rows] == list(rules())
    for row in rows:
        assert row["tested"] == row["kept"] + row["broken"]
        assert (row["not_seen"] is None) == (row["tested"] > 0)
    (broken,) = [row for row in rows if row["id"] == "bot-flag6"]
    assert broken["broken"] == 1 and broken["evidence"][0]["exchange"] and broken["evidence"][0]["records"]


def test_captures_of_one_stick_add_up(good: str, bad: str) -> None:
    with sticktrace.open(good) as one, sticktrace.open(bad) as other:
        both, alone = sticktrace.audit([one, other]), sticktrace.audit([one])
    (score,), (first,) = both.scores, alone.scores
    rule = rules()["bot-flag6"]
    assert score.count(rule).broken == 1 and score.count(rule).kept > first.count(rule).kept
    assert not both.mixed and len(score.captures) == 2


def test_different_sticks_are_kept_apart_and_said(good: str, tmp_path: Path) -> None:
    host = new_host(product_id=2, serial="203104180002")
    host.enumerate()
    host.execute(wire.inquiry())
    other = saved(host, tmp_path / "other.pcap")
    result = run(good, other)
    assert "different sticks" in result.stdout
    assert "(1209:0001)" in result.stdout and "(1209:0002)" in result.stdout


def test_twins_are_kept_apart_and_a_stick_that_comes_back_is_one(tmp_path: Path) -> None:
    """Two sticks with the same serial number at once are two; unplugged and plugged in again it is the same one."""
    host = new_host()
    host.enumerate(2)
    second = new_host(recorder=host.recorder, hub=host.hub, port=2)
    second.enumerate(3)
    with sticktrace.open(saved(host, tmp_path / "twins.pcap")) as capture:
        found = sticktrace.audit([capture])
    assert found.mixed and len({score.title for score in found.scores if "Tide" in score.title}) == 2
    host = new_host()
    for address in (2, 3):
        host.enumerate(address)
        host.execute(wire.inquiry())
        host.detach()
    with sticktrace.open(saved(host, tmp_path / "again.pcap")) as capture:
        assert not sticktrace.audit([capture]).mixed


def test_one_rule_byte_by_byte(bad: str) -> None:
    text = run(bad, "--rule", "bot-flag6").stdout
    assert "BOT 1.0 5.1" in text and "bmCBWFlags" in text and "broken 1" not in text.splitlines()[0]
    assert "1 broken" in text and "exchange" in text


def test_an_unknown_rule_is_one_line_with_a_suggestion() -> None:
    result = run("--rule", "bot-flag5")
    assert isinstance(result.exception, sticktrace.SticktraceError) and "bot-flag50" in str(result.exception)


@pytest.mark.parametrize("id", rules())
def test_every_rule_has_an_example_that_is_explained(id: str) -> None:
    example = example_of(id)
    assert example.broken and example.kept and example.broken[0][1]
    result = run("--rule", id)
    assert result.exit_code == 0 and rules()[id].duty in result.stdout and "example, broken:" in result.stdout


@pytest.mark.parametrize("id", unshown())
def test_a_duty_that_is_not_judged_says_why(id: str) -> None:
    assert unshown()[id].reason in run("--rule", id).stdout


def test_the_plan_names_what_was_not_tested(good: str) -> None:
    text = run(good, "--plan").stdout
    assert "[ ] 1." in text and "bot-phase-rr" in text and "bot-flag6" not in text


@pytest.mark.parametrize("id", actions())
def test_the_commands_of_the_plan_work(id: str) -> None:
    for line in actions()[id].compose:
        result = CliRunner().invoke(cli, shlex.split(line))
        assert result.exit_code == 0, (line, result.output, result.exception)


def test_a_log_shows_no_rule_and_says_so() -> None:
    (log,) = sorted((ROOT / "tests" / "data" / "logs").glob("medium-error-new.log"))
    result = run(str(log), "--unseen")
    assert result.exit_code == 0 and "cannot show it" in result.stdout


def test_every_action_is_used() -> None:
    assert {rule.plan for rule in rules().values()} == set(actions())
