"""Recovery from trouble on the transport: what the host did, what it should have done (BOT 1.0 5.3.3, 5.3.4, 6.5, 6.6).

Hosts recover by class reset and two cleared halts, or by a reset of the port; both count (common practice).
"""

from __future__ import annotations

from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.finding import FAULT, LONG_NS, QUIET_NS, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.commands import upset_by
from sticktrace.findings.rules.rule import PerStick
from sticktrace.findings.rules.silence import Silence
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import INVALID, MISSING, PASSED, PHASE_ERROR, Direction, Exchange, Stray, StrayKind
from sticktrace.transport.remarks import RESETS, Said, Why, reason
from sticktrace.transport.remarks import statuses as statuses_of

LAYER = "recovery"

STALL_NOT_CLEARED = by_slug("stall-not-cleared")
CSW_NOT_RETRIED = by_slug("csw-not-read-again")
NOT_RECOVERED = by_slug("no-reset-recovery")
RECOVERY_INCOMPLETE = by_slug("reset-recovery-incomplete")
STALL_PERSISTS = by_slug("stall-persists")
STATUS_NOT_READ = by_slug("csw-not-read")
TIMEOUT = by_slug("command-timeout")
BUS_ERRORS = by_slug("bus-errors")
BABBLE = by_slug("babble")
INTERRUPTED = by_slug("interrupted-by-reset")
HIDDEN_STALL = by_slug("stall-not-reported")
CANCELLED = by_slug("cancelled-at-the-end")
WAITING = by_slug("waiting-at-the-end")
ONE_WAY = by_slug("one-direction-fails")

_TIMED_OUT = -110
"""ETIMEDOUT: the host's own word for a wait that was too long, whether the recording has times or not."""
_SEEN_TO_FAIL = remarks.BUS_ERROR | remarks.TIMED_OUT | {remarks.BABBLE}


class Recovery(PerStick):
    """Judges each trouble by what came after it."""

    layer = LAYER
    patterns = (
        STALL_NOT_CLEARED, CSW_NOT_RETRIED, NOT_RECOVERED, RECOVERY_INCOMPLETE, STALL_PERSISTS, STATUS_NOT_READ,
        TIMEOUT, BUS_ERRORS, BABBLE, INTERRUPTED, HIDDEN_STALL, CANCELLED, WAITING,
    )  # fmt: skip

    def begin(self) -> None:
        self.said: dict[tuple[int, str], str] = {}
        self.open: dict[tuple[int, bytes], dict[str, int]] = {}
        self.unsolved: dict[tuple[int, str], int] = {}
        self.silence = Silence()

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        """A command that passes settles the earlier trouble of the same command."""
        self.silence.see(exchange, unit)
        if self.open and exchange.status == PASSED:
            for slug, count in self.open.pop((id(unit.stick), exchange.cdb), {}).items():
                self.unsolved[id(unit.stick), slug] -= count

    def stray(self, stray: Stray, stick: Stick) -> None:
        """A command that did not even get across."""
        if stray.kind is not StrayKind.ERROR or stray.endpoint & 0x80 or stick.detached is not None:
            return
        status = next(iter(statuses_of((stray.remark,))), 0)
        pattern = BUS_ERRORS if status in remarks.BUS_ERROR else TIMEOUT if status in remarks.TIMED_OUT else None
        if pattern is not None:
            self.tally(pattern, stick).add(stray.time_ns, records=stray.records)
            self.said.setdefault((id(stick), pattern.slug), f"a command did not get across, status {status}")
            key = (id(stick), pattern.slug)
            self.unsolved[key] = self.unsolved.get(key, 0) + (stick.exchanges == 0)

    def aftermath(self, aftermath: Aftermath) -> None:
        if not isinstance(aftermath.trouble, Exchange):
            self._unrecovered(aftermath, "a CBW that is not valid")
            return
        exchange = aftermath.trouble
        if remarks.ends_open(exchange) and remarks.statuses(exchange) & _SEEN_TO_FAIL:
            self._no_status(aftermath, exchange)
            return
        if remarks.cut_short(exchange):
            if exchange.status == MISSING and remarks.ends_open(exchange):
                self._left_open(aftermath, exchange)
            return
        if exchange.status in (PHASE_ERROR, INVALID):
            what = "a phase error" if exchange.status == PHASE_ERROR else "a CSW that is not valid"
            self._unrecovered(aftermath, what)
        elif exchange.status == MISSING:
            self._no_status(aftermath, exchange)

    def _unrecovered(self, aftermath: Aftermath, what: str) -> None:
        kinds = aftermath.kinds()
        where = f" in exchange {aftermath.number}" if aftermath.number else ""
        if "reset" in kinds or "detached" in kinds:
            return
        if "class reset" in kinds:
            steps = kinds[kinds.index("class reset") + 1 :]
            if aftermath.next is not None and not {"clear in", "clear out"} <= set(steps):
                missing = " and ".join(s.replace("clear ", "bulk-").upper().replace("BULK", "bulk")
                                       for s in ("clear in", "clear out") if s not in steps)  # fmt: skip
                self._case(RECOVERY_INCOMPLETE, aftermath, f"after {what}{where} no cleared halt on {missing}")
            elif aftermath.next is not None and steps.index("clear in") > steps.index("clear out"):
                self._case(RECOVERY_INCOMPLETE, aftermath, f"after {what}{where} bulk-OUT was cleared before bulk-IN")
        elif aftermath.next is not None:
            self._case(NOT_RECOVERED, aftermath, f"{what}{where}, then exchange {aftermath.next.number} at once")

    def _left_open(self, aftermath: Aftermath, exchange: Exchange) -> None:
        """The last command of a capture: it may have been cut off, unless the host left a STALL or got no answer while
        time went on."""
        quiet, called = self.scene.quiet_ns(aftermath.stick), f"{exchange.command} in exchange {exchange.number}"
        waited = self.scene.end_ns - exchange.time_ns
        cleared = any(kind.startswith("clear") for kind in aftermath.kinds())
        again = len(exchange.stalled) > 1 or any(s.kind is StrayKind.STALL for s in aftermath.strays)
        if exchange.stalled and cleared and again and quiet >= QUIET_NS:
            text = (
                f"{called}: STALL in {' and '.join(exchange.stalled)}, halt cleared, STALL again, and nothing more for "
            )
            self._case(STALL_PERSISTS, aftermath, text + time_in_words(quiet))
        elif exchange.stalled and not cleared and quiet >= QUIET_NS:
            phases = " and ".join(exchange.stalled)
            text = f"{called}: STALL in {phases}, no CLEAR_FEATURE, and nothing more for {time_in_words(quiet)}"
            self._case(STALL_NOT_CLEARED, aftermath, text)
        elif not exchange.stalled and waited >= remarks.WAIT_NS:
            text = f"{called} has no answer after {time_in_words(waited)}, when the capture ends"
            self._case((upset_by(exchange) or TIMEOUT) if waited >= LONG_NS else WAITING, aftermath, text)

    def _no_status(self, aftermath: Aftermath, exchange: Exchange) -> None:
        kinds, statuses = aftermath.kinds(), remarks.statuses(exchange)
        called = f"{exchange.command} in exchange {exchange.number}"
        if remarks.went_away(aftermath) or self.silence.goes_on(aftermath):
            return
        if any(r.kind is Said.EMPTY_BEFORE_STATUS for r in exchange.remarks) and exchange.moved < exchange.expected:
            text = f"{called}: after {exchange.moved} of {exchange.expected} bytes the status read came back empty and "
            self._case(HIDDEN_STALL, aftermath, f"{text}well, the next one not at all")
        elif remarks.BABBLE in statuses:
            self._case(BABBLE, aftermath, called)
        elif statuses & remarks.BUS_ERROR:
            self._case(BUS_ERRORS, aftermath, f"{called}, status {min(statuses & remarks.BUS_ERROR)}")
        elif exchange.stalled:
            self._stalled(aftermath, exchange, kinds, called)
        elif statuses & remarks.TIMED_OUT or aftermath.waited_ns >= remarks.WAIT_NS:
            self._timed_out(aftermath, exchange, called)
        elif reason(exchange.remarks) is Why.NEXT_COMMAND:
            self._case(STATUS_NOT_READ, aftermath, called)
        elif "reset" in kinds or "class reset" in kinds or reason(exchange.remarks) in RESETS:
            self._case(INTERRUPTED, aftermath, called)

    def _timed_out(self, aftermath: Aftermath, exchange: Exchange, called: str) -> None:
        timed_out = _TIMED_OUT in remarks.statuses(exchange)
        if remarks.ends_open(exchange) and aftermath.waited_ns < remarks.WAIT_NS and not timed_out:
            text = f"{called} was cancelled after {time_in_words(aftermath.waited_ns)}, and the capture ends there"
            self._case(CANCELLED, aftermath, text)
            return
        pattern = upset_by(exchange) or TIMEOUT
        waited = f"waited {time_in_words(aftermath.waited_ns)}" if aftermath.waited_ns else "was given up"
        self._case(pattern, aftermath, f"{called} {waited}")

    def _stalled(self, aftermath: Aftermath, exchange: Exchange, kinds: list[str], called: str) -> None:
        cleared = any(k.startswith("clear") for k in kinds[: _first_reset(kinds)])
        phases = " and ".join(exchange.stalled)
        again = any(s.kind is StrayKind.STALL for s in aftermath.strays)
        if cleared and (again or ("status" in exchange.stalled and len(exchange.stalled) > 1) or len(kinds) > 1):
            self._case(STALL_PERSISTS, aftermath, f"{called}: STALL in {phases}, halt cleared, and no CSW")
        elif cleared:
            self._case(TIMEOUT, aftermath, f"{called}: STALL in {phases}, halt cleared, then nothing")
        elif "status" in exchange.stalled and ("reset" in kinds or "class reset" in kinds):
            self._case(CSW_NOT_RETRIED, aftermath, f"{called}: STALL on the CSW, then a reset")
        else:
            self._case(STALL_NOT_CLEARED, aftermath, f"{called}: STALL in {phases}, no CLEAR_FEATURE")

    def _case(self, pattern: Pattern, aftermath: Aftermath, said: str) -> None:
        stick, trouble = aftermath.stick, aftermath.trouble
        tally = self.tally(pattern, stick)
        tally.add(trouble.time_ns, aftermath.number, trouble.records)
        if pattern.instead and isinstance(trouble, Exchange):
            tally.tell(trouble.command)
        self.said.setdefault((id(stick), pattern.slug), said)
        key = (id(stick), pattern.slug)
        self.unsolved[key] = self.unsolved.get(key, 0) + 1
        if isinstance(trouble, Exchange) and len(self.open) < 4096:
            cases = self.open.setdefault((id(stick), trouble.cdb), {})
            cases[pattern.slug] = cases.get(pattern.slug, 0) + 1

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        first = self.said[id(stick), pattern.slug]
        text = first if tally.count == 1 else f"{count_of(tally.count, 'time')}, first: {first}"
        return text + self.silence.words(stick, tally.exchanges)

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        text, severity = self.words(pattern, stick, tally), ""
        if pattern.severity == FAULT and self.unsolved.get((id(stick), pattern.slug), 0) <= 0:
            text, severity = f"{text}; the command worked when it was repeated", RISK
        self.report(pattern, text, stick, tally, severity=severity, cause=self.silence.cause(stick, tally.exchanges))


def _first_reset(kinds: list[str]) -> int:
    return next((n for n, kind in enumerate(kinds) if kind in ("reset", "class reset")), len(kinds))


class OneWay(PerStick):
    """Data transfers of one direction that all fail before a byte, beside the other direction at work."""

    layer = LAYER
    patterns = (ONE_WAY,)

    def begin(self) -> None:
        self.failed: dict[tuple[int, Direction], int] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if remarks.statuses(exchange) & remarks.BUS_ERROR and exchange.command_ns >= 0 and not exchange.moved:
            key = (id(unit.stick), exchange.direction)
            self.failed[key] = self.failed.get(key, 0) + 1
            self.note(ONE_WAY, unit.stick, exchange)

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        moved = {Direction.IN: sum(u.reads for u in stick.units.values()),
                 Direction.OUT: sum(u.writes for u in stick.units.values())}  # fmt: skip
        for way, other in ((Direction.OUT, Direction.IN), (Direction.IN, Direction.OUT)):
            count = self.failed.get((id(stick), way), 0)
            if count >= 2 and not moved[way] and (moved[other] or (way is Direction.OUT and _answered(stick))):
                data = "READs" if other is Direction.IN else "WRITEs"
                failed = count_of(count, f"data transfer {way.upper()}", f"data transfers {way.upper()}")
                text = f"{failed} failed before the first byte and none worked, while {moved[other]:,} {data} did"
                self.report(pattern, text, stick, tally)


def _answered(stick: Stick) -> bool:
    """Whether its commands get answers at all."""
    return stick.exchanges - stick.transport_bad >= 3


RULES = (Recovery, OneWay)
