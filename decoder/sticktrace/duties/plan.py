"""What to record next: the actions that put to the test what was not, as a check list for a test bench."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from typing import Any

from sticktrace.duties.catalogue import HERE, PLAN, rules
from sticktrace.duties.rule import Rule
from sticktrace.duties.score import Audit


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do: ``what``, the lines of `compose` that make its bytes, and what to be careful about."""

    id: str
    what: str
    compose: tuple[str, ...] = ()
    caution: str = ""


@cache
def actions() -> dict[str, Action]:
    """Every action by its name, in the order of the check list."""
    rows = tomllib.loads((HERE / PLAN).read_text(encoding="utf-8"))
    return {
        id: Action(id, row["what"], tuple(row.get("compose", ())), row.get("caution", "")) for id, row in rows.items()
    }


def plan(found: Audit) -> list[tuple[Action, list[Rule]]]:
    """The actions that would put rules to the test which no card saw, each with these rules; the most telling first."""
    unseen = [{rule.id for rule in score.unseen} for score in found.scores]
    untested = set.intersection(*unseen) if unseen else None
    todo: dict[str, list[Rule]] = {}
    for rule in rules().values():
        if untested is None or rule.id in untested:
            todo.setdefault(rule.plan, []).append(rule)
    ordered = [(action, todo[id]) for id, action in actions().items() if id in todo]
    return sorted(ordered, key=lambda one: -len(one[1]))


def facts(action: Action, tested: list[Rule]) -> dict[str, Any]:
    """``kind:"action"``."""
    return {
        "kind": "action", "id": action.id, "text": action.what, "compose": list(action.compose),
        "caution": action.caution or None, "rules": [rule.id for rule in tested],
    }  # fmt: skip
