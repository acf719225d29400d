"""What the recording itself lacks, where the traffic tells of it."""

from __future__ import annotations

from sticktrace.findings.finding import Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of
from sticktrace.transport.items import Exchange
from sticktrace.transport.remarks import Said

LAYER = "transport"

COMMANDS_MISSING = by_slug("commands-missing")


class Gaps(PerStick):
    """Adds up the commands that stand between two in the recording and are not in it."""

    layer = LAYER
    patterns = (COMMANDS_MISSING,)

    def begin(self) -> None:
        self.missing: dict[Stick, int] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        for kind, numbers in exchange.remarks:
            if kind is Said.MISSING_BEFORE:
                self.note(COMMANDS_MISSING, unit.stick, exchange)
                self.missing[unit.stick] = self.missing.get(unit.stick, 0) + numbers[0]

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        count = self.missing[stick]
        places = f"in {tally.count} places, first" if tally.count > 1 else "just"
        are = "is" if count == 1 else "are"
        first = next(iter(tally.exchanges), 0)
        return f"{count_of(count, 'command')} {are} missing from the recording {places} before exchange {first}"


RULES = (Gaps,)
