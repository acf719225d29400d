"""What the host made of the failures that findings rest on, as its log tells."""

from __future__ import annotations

from sticktrace.findings.finding import Finding
from sticktrace.transport.items import Exchange, Saying

MOST = 3
"""So many lines stand beside a finding, and beside one failure."""

_MOST_FAILURES = 10_000


class Blames:
    """Add the sayings that tell of a failure on the bus; `beside` gives their words."""

    def __init__(self) -> None:
        self._lines: dict[tuple[bool, int], list[str]] = {}

    def add(self, item: Saying) -> None:
        """One line, by the exchange or the records of the request that it is about."""
        failure = item.blames
        if failure is None or len(self._lines) >= _MOST_FAILURES:
            return
        command = isinstance(failure, Exchange)
        for number in (failure.number,) if command else failure.records:
            lines = self._lines.setdefault((command, number), [])
            words = item.statement.brief
            if len(lines) < MOST and words not in lines:
                lines.append(words)

    def beside(self, finding: Finding) -> tuple[str, ...]:
        """What was said of the failures that a finding rests on."""
        keys = [(True, number) for number in finding.exchanges] + [(False, record) for record in finding.records]
        lines = dict.fromkeys(line for key in keys for line in self._lines.get(key, ()))
        return tuple(lines)[:MOST]
