"""Counting like cases, with the first few as evidence."""

from __future__ import annotations

from collections.abc import Iterable

EVIDENCE_LIMIT = 24
"""How many exchange and record numbers are kept as evidence; the count tells how many there were."""


class Tally:
    """Counts like cases and keeps the first few as evidence, so that a million of them take no more room than ten."""

    __slots__ = ("commands", "count", "exchanges", "first_ns", "last_ns", "records")

    def __init__(self) -> None:
        self.count = 0
        self.exchanges: list[int] = []
        self.records: list[int] = []
        self.commands: list[str] = []
        self.first_ns = self.last_ns = -1

    def add(self, time_ns: int, exchange: int = 0, records: Iterable[int] = ()) -> None:
        """One more case."""
        self.count += 1
        if self.first_ns < 0:
            self.first_ns = time_ns
        self.last_ns = time_ns
        if exchange and len(self.exchanges) < EVIDENCE_LIMIT:
            self.exchanges.append(exchange)
        if len(self.records) < EVIDENCE_LIMIT:
            self.records += records

    def tell(self, command: str) -> None:
        """Keep the name of a command among the cases, once."""
        if command not in self.commands and len(self.commands) < EVIDENCE_LIMIT:
            self.commands.append(command)

    def __bool__(self) -> bool:
        return self.count > 0
