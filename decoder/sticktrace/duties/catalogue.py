"""The rules, read from the TOML files in ``rules/`` when the first is asked for.

A file opens with its chapter; every other table is a rule and its name the id:

    chapter = "Bulk-Only: wrappers"

    [bot-flag6]
    party = "host"
    document = "BOT 1.0"
    clause = "5.1"
    sure = "seen"
    duty = "Bit 6 of bmCBWFlags (obsolete) is sent as 0."
    when = "every command"
    shows = "byte 12 AND 40h = 0"
    at = "cbw"
    must = "not flags & 0x40"
    plan = "record"

``unshown.toml`` has the duties that no recording can show, ``examples.toml`` beside the folder the bytes that break and
keep each rule.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from sticktrace.duties.expression import compiled
from sticktrace.duties.rule import PARTIES, SURENESS, Rule, Untestable
from sticktrace.errors import SticktraceError

HERE = Path(__file__).parent / "rules"
UNSHOWN, PLAN = "unshown.toml", "plan.toml"

OCCASIONS = (
    "cbw", "command", "block", "scsi", "uas", "cbi", "bad command", "stray", "task", "loose unit", "request",
    "device descriptor", "configuration", "interface", "endpoint", "string", "bos", "qualifier", "port status",
    "hub descriptor",
)  # fmt: skip
"""The occasions at which a rule may be asked; see `sticktrace.duties.engine`."""


class RuleError(Exception):
    """A file of rules is not as it should be: a bug, told with the file and the id."""


@cache
def rules() -> dict[str, Rule]:
    """Every rule by its id, chapter by chapter."""
    found: dict[str, Rule] = {}
    for path in sorted(HERE.glob("*.toml")):
        if path.name in (UNSHOWN, PLAN):
            continue
        rows = tomllib.loads(path.read_text(encoding="utf-8"))
        chapter = rows.pop("chapter")
        for id, row in rows.items():
            if id in found:
                raise RuleError(f"{path.name}: [{id}] stands in another file too")
            found[id] = _rule(id, chapter, row, f"{path.name}: [{id}]")
    return found


def _rule(id: str, chapter: str, row: dict[str, Any], where: str) -> Rule:
    words = {key: " ".join(row[key].split()) for key in ("party", "document", "clause", "sure", "duty", "when", "shows",
                                                         "plan")}  # fmt: skip
    at = row["at"] if isinstance(row["at"], list) else [row["at"]]
    if words["party"] not in PARTIES or words["sure"] not in SURENESS or not set(at) <= set(OCCASIONS):
        raise RuleError(f"{where}: a value that is not in its list")
    condition, must = row.get("if", "True"), row["must"]
    try:
        return Rule(
            id, chapter=chapter, needs=row.get("needs", "host"), at=tuple(at), letter=row.get("letter", False),
            gapless=row.get("gapless", False), opcodes=frozenset(row.get("opcodes", ())),
            sources=(condition, must), condition=compiled(condition), must=compiled(must), **words,
        )  # fmt: skip
    except SyntaxError as error:
        raise RuleError(f"{where}: {error}") from None


@cache
def unshown() -> dict[str, Untestable]:
    """The duties that no recording can show, by id."""
    rows = tomllib.loads((HERE / UNSHOWN).read_text(encoding="utf-8"))
    return {id: Untestable(id, **row) for id, row in rows.items()}


@dataclass(frozen=True, slots=True)
class Example:
    """The bytes of one exchange or request that break a rule, and of one that keep it, by what they are."""

    broken: tuple[tuple[str, bytes], ...]
    kept: tuple[tuple[str, bytes], ...]


def example_of(id: str) -> Example:
    """The example of a rule."""
    row = _examples()[id]
    return Example(*(tuple(_piece(text) for text in row[verdict]) for verdict in ("broken", "kept")))


def _piece(text: str) -> tuple[str, bytes]:
    name, _, data = text.partition(": ")
    return name, bytes.fromhex(data)


@cache
def _examples() -> dict[str, dict[str, list[str]]]:
    return tomllib.loads(HERE.with_name("examples.toml").read_text(encoding="utf-8"))


def rule_of(id: str) -> Rule | Untestable:
    """A rule by its id. Raises SticktraceError with a suggestion for an unknown one."""
    known: dict[str, Rule | Untestable] = {**rules(), **unshown()}
    if id in known:
        return known[id]
    near = difflib.get_close_matches(id, known, 1, 0.5)
    raise SticktraceError(f"there is no rule {id!r}" + (f"; did you mean {near[0]!r}?" if near else ""))
