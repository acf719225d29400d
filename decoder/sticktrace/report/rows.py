"""Exchanges as compact rows for a page: one array an exchange, texts that repeat kept once."""

from __future__ import annotations

from typing import Any

from sticktrace.output.json_lines import exchange_facts
from sticktrace.output.listing import MARKS, line_of
from sticktrace.transport.items import Exchange

FIELDS = ("number", "time_us", "where", "command", "what", "lba", "blocks", "moved", "asked", "outcome", "sense",
          "took_us", "direction", "touches", "remark")  # fmt: skip
"""In this order in each row; those of `_POOLED` count in the list of that name."""
_POOLED = ("where", "command", "what", "outcome", "sense", "direction", "touches", "remark")


class Rows:
    """``rows`` and, by field, the ``pools`` of texts."""

    def __init__(self) -> None:
        self.rows: list[list[Any]] = []
        self.pools: dict[str, list[str]] = {name: [] for name in _POOLED}
        self._places: dict[str, dict[str, int]] = {name: {} for name in _POOLED}

    def add(self, exchange: Exchange, touches: str) -> None:
        """Append an exchange, with what its blocks are on the volume."""
        facts, line = exchange_facts(exchange, touches), line_of(exchange)
        sense = facts["sense"]
        known = {
            "number": facts["number"], "time_us": facts["time_ns"] // 1000, "where": line.device,
            "command": facts["command"], "what": _beyond_blocks(line.command, facts), "lba": facts["lba"],
            "blocks": facts["blocks"], "moved": facts["moved"], "asked": facts["expected"],
            "outcome": MARKS[exchange.status], "direction": str(facts["direction"]),
            "sense": f"{sense['key']:X}/{sense['asc']:02X}/{sense['ascq']:02X} {sense['meaning']}" if sense else "",
            "took_us": None if facts["duration_ns"] is None else facts["duration_ns"] // 1000, "touches": touches,
            "remark": "; ".join(facts["notes"]),
        }  # fmt: skip
        self.rows.append([self._pooled(name, known[name]) if name in _POOLED else known[name] for name in FIELDS])

    def _pooled(self, name: str, text: str) -> int:
        place = self._places[name].get(text)
        if place is None:
            place = self._places[name][text] = len(self.pools[name])
            self.pools[name].append(text)
        return place

    def facts(self) -> dict[str, Any]:
        """As the page holds them."""
        return {"fields": FIELDS, "pooled": _POOLED, "pools": self.pools, "rows": self.rows}


def _beyond_blocks(words: str, facts: dict[str, Any]) -> str:
    """The command in words; its name alone where block and count stand in fields of their own."""
    return facts["command"] if facts["lba"] is not None else words
