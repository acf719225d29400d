"""Every verb gives one account of a capture: the same sticks, with the same names, units, counts and times.

The source of truth is the capture itself; no published value is needed to ask that two answers about it agree.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace_tui.model import Model

BOARD = ROOT / "docs" / "boards" / "example.toml"

CAPTURES = sorted(
    path
    for folder in ("tests/data/captures", "tests/data/minimal", "traces/demo")
    for path in (ROOT / folder).iterdir()
    if not path.name.endswith((".json", ".md", ".dmesg.txt", ".py"))
)


def ask(*words: str) -> list[dict[str, Any]]:
    """The JSON that a verb prints: one object, or one a line."""
    run = CliRunner().invoke(cli, list(words))
    assert run.exit_code in (0, 1), run.output
    text = run.stdout.strip()
    try:
        return [json.loads(text)]
    except ValueError:
        return [json.loads(line) for line in text.splitlines()]


Facts = dict[str, Any]


def told_by(found: Facts) -> list[Facts]:
    """The sticks of a diagnosis."""
    return [
        {
            "stick": d["stick"], "name": d["name"], "ids": d["ids"], "exchanges": d["exchanges"],
            "units": [(u["lun"], u["exchanges"], u["last_lba"], u["block_length"], u["ready_ns"]) for u in d["luns"]],
            "times": {s["name"]: s["time_ns"] for s in d["stages"] if s["state"] == "reached"},
        }
        for d in found["devices"]
    ]  # fmt: skip


def told_by_lines(rows: list[Facts]) -> list[Facts]:
    """What `devices` and `export` say, in lines of kind "device"."""
    return [
        {
            "stick": d["stick"], "name": d["name"], "ids": d["ids"] or None, "exchanges": d["exchanges"],
            "units": [(u["lun"], u["exchanges"], u["last_lba"], u["block_length"], u["ready_ns"]) for u in d["luns"]],
            "times": {s["step"]: s["time_ns"] for s in d["stages"]},
        }
        for d in rows
        if d["kind"] == "device" and d["stick"] is not None
    ]  # fmt: skip


def told_by_timing(path: Path) -> list[Facts]:
    (found,) = ask("timing", str(path), "--json")
    return [
        {
            "stick": d["stick"], "name": d["name"], "ids": d["ids"] or None,
            "exchanges": sum(kind["count"] for kind in d["commands"]),
            "times": {s["step"]: s["time_ns"] for s in d["stages"]},
        }
        for d in found["devices"]
    ]  # fmt: skip


def narrowed(facts: list[Facts], to: list[Facts]) -> list[Facts]:
    """The same facts, as far as the other account gives them."""
    return [{key: row[key] for key in (to[0] if to else ())} for row in facts]


def told_by_export(path: Path) -> tuple[list[Facts], list[tuple[str, str]]]:
    """The devices that `export` writes, and the first failure: severity and slug of each finding."""
    rows = ask("export", str(path))
    findings = [(row["severity"], row["slug"]) for row in rows if row["kind"] == "finding"]
    return told_by_lines(rows), findings


def told_by_screen(path: Path) -> tuple[list[Facts], str]:
    """What the screen's model knows when all is read: the sticks, and the answer."""
    model = Model(path)
    try:
        model.run()
        diagnosis = model.watchers.diagnosis
        assert diagnosis is not None
        return told_by(diagnosis.facts()), diagnosis.verdict
    finally:
        model.close()


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_every_verb_gives_one_account(path: Path) -> None:
    (found,) = ask("diagnose", str(path), "--json")
    diagnosed = told_by(found)
    assert told_by_lines(ask("devices", str(path), "--json")) == diagnosed
    timed = told_by_timing(path)
    assert timed == narrowed(diagnosed, timed)
    exported, findings = told_by_export(path)
    assert exported == diagnosed
    assert findings == [(row["severity"], row["slug"]) for row in found["findings"]]
    assert told_by_screen(path) == (diagnosed, found["verdict"])


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_media_are_those_of_the_units(path: Path) -> None:
    (found,) = ask("diagnose", str(path), "--json")
    units = {(row["stick"], unit["lun"]): unit for row in found["devices"] for unit in row["luns"]}
    for row in ask("volume", str(path), "--json"):
        if row["kind"] == "medium":
            unit = units[row["stick"], row["lun"]]
            if row["last_lba"] is not None and unit["last_lba"] is not None:
                assert row["block_length"] == unit["block_length"]


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_one_stick_compared_and_held_against_a_board(path: Path) -> None:
    """`compare` of a capture with itself and `fit` speak of a stick that `diagnose` knows, by the same name."""
    (found,) = ask("diagnose", str(path), "--json")
    known = {(row["name"], row["ids"]) for row in told_by(found) if row["exchanges"]}
    if not known:
        return
    (compared,) = ask("compare", str(path), str(path), "--json")
    assert compared["identical"] and (compared["good"]["name"], compared["good"]["ids"] or None) in known
    (fitted,) = ask("fit", str(path), "--board", str(BOARD), "--json")
    assert (fitted["name"], fitted["ids"] or None) in known
    assert fitted["stick"] in {row["stick"] for row in told_by(found)}
