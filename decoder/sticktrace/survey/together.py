"""What the sticks of a survey have in common."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any, NamedTuple


class Shared(NamedTuple):
    """How often a fault was first with sticks of one kind, and with how many of them in all."""

    by: str
    value: str
    fault: str
    times: int
    among: int


_BY = {"stick model": ("ids", "name"), "host": ("host",), "command": ("fault_command",)}


def together(rows: Iterable[dict[str, Any]]) -> list[Shared]:
    """Faults by stick model, by host and by command, the most frequent first."""
    among: Counter[tuple[str, str]] = Counter()
    faults: Counter[tuple[str, str, str]] = Counter()
    for row in rows:
        if row["stick"] is None:
            continue
        for by, fields in _BY.items():
            value = next((row[field] for field in fields if row[field]), "")
            if not value:
                continue
            among[by, value] += 1
            if row["fault"]:
                faults[by, value, row["fault"]] += 1
    found = [Shared(*key, count, among[key[0], key[1]]) for key, count in faults.items()]
    order = list(_BY)
    return sorted(found, key=lambda one: (order.index(one.by), -one.times, one.value, one.fault))
