"""The base of all rules: hooks for what passes by, and a way to report."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, ClassVar

from sticktrace.bus.events import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.finding import Finding, Pattern
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.transport.items import Exchange, Saying, Stray

if TYPE_CHECKING:
    from sticktrace.findings.scene import Scene


class Rule:
    """One kind of thing to watch for. A rule overrides the hooks that it needs; the scene calls no others.

    ``patterns`` are the findings that it can report. Exchanges that pass without anything remarkable are not shown to
    rules (see `Scene`): only their sums, in `Unit` and `Stick`. ``hears``: it can judge a command of which a log tells,
    of which nothing but block, status and sense is known.
    """

    layer: ClassVar[str] = ""
    hears: ClassVar[bool] = False
    patterns: ClassVar[tuple[Pattern, ...]] = ()

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.begin()

    def begin(self) -> None:
        """Set up what the rule keeps."""

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        """A remarkable exchange, or one soon after such a one."""

    def request(self, request: Request, stick: Stick) -> None:
        """A control request."""

    def event(self, event: BusEvent, stick: Stick) -> None:
        """A bus event."""

    def stray(self, stray: Stray, stick: Stick) -> None:
        """Bulk traffic that belongs to no exchange."""

    def saying(self, item: Saying, stick: Stick) -> None:
        """What a log says."""

    def aftermath(self, aftermath: Aftermath) -> None:
        """What followed a command that went wrong on the transport is complete."""

    def end(self) -> None:
        """The capture is over."""

    def report(
        self, pattern: Pattern, text: str, stick: Stick | None = None, tally: Tally | None = None, *,
        exchanges: Iterable[int] = (), records: Iterable[int] = (), time_ns: int = 0, severity: str = "",
        side: str = "", ends: bool = False,
        cause: str = "", remedy: str = "", commands: Iterable[str] = (),
    ) -> None:  # fmt: skip
        """Report an instance of a pattern; a tally gives evidence and time where they are not given themselves."""
        if tally is not None:
            exchanges, records = exchanges or tally.exchanges, records or tally.records
            commands = commands or tally.commands
            time_ns = time_ns or max(0, tally.first_ns)
        who, ids = (stick.name, stick.ids) if stick else ("", "")
        self.scene.findings.append(
            Finding(pattern, text, who, ids, tuple(exchanges), tuple(records), time_ns, severity, side,
                    self.scene.layers.get(pattern.slug, self.layer), stick,
                    tuple(commands), ends=ends, cause=cause, remedy=remedy)
        )  # fmt: skip


class PerStick(Rule):
    """A rule that counts cases per device and pattern, and words them when the capture is over."""

    def __init__(self, scene: Scene) -> None:
        self.tallies: dict[tuple[int, str], tuple[Stick, Pattern, Tally]] = {}
        super().__init__(scene)

    def note(self, pattern: Pattern, stick: Stick, exchange: Exchange) -> Tally:
        """Count an exchange as a case of a pattern."""
        tally = self.tally(pattern, stick)
        tally.add(exchange.time_ns, exchange.number, exchange.records)
        if pattern.instead:
            tally.tell(exchange.command)
        return tally

    def tally(self, pattern: Pattern, stick: Stick) -> Tally:
        """The count of a pattern for a device."""
        key = (id(stick), pattern.slug)
        if key not in self.tallies:
            self.tallies[key] = (stick, pattern, Tally())
        return self.tallies[key][2]

    def end(self) -> None:
        for stick, pattern, tally in self.tallies.values():
            if tally:
                self.conclude(pattern, stick, tally)

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        """Report what was counted."""
        self.report(pattern, self.words(pattern, stick, tally), stick, tally)

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        """The sentence of the finding."""
        raise NotImplementedError
