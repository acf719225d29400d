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


def told_by_diagnose(path: Path) -> list[Facts]:
    (found,) = ask("diagnose", str(path), "--json")
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


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_every_verb_gives_one_account(path: Path) -> None:
    diagnosed = told_by_diagnose(path)
    assert told_by_lines(ask("devices", str(path), "--json")) == diagnosed
    timed = told_by_timing(path)
    assert timed == narrowed(diagnosed, timed)
