"""What only a log tells of a stick in use: commands that hang, resets, units given up, devices that go.

Everything that went wrong without the device saying why is one chain: a command without an end, an abort, a reset,
more of the same, the unit given up or gone. The finding names what the chain came to, and stands at the time of its
beginning.
What the device itself said (sense) is told by the rules on sense.
"""

from __future__ import annotations

from collections import Counter

from sticktrace.capture.logs import Kind
from sticktrace.codes import host_status
from sticktrace.findings.finding import RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.heard_bus import gone, words_of
from sticktrace.findings.rules.power import GONE_IN_USE
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of
from sticktrace.transport.items import MISSING, Exchange, Saying
from sticktrace.transport.remarks import Said

LAYER = "transport"

RESETS = by_slug("resets-again-and-again")
HANG = by_slug("commands-hang")
BREAKS = by_slug("transport-breaks")
GIVEN_UP = by_slug("unit-given-up")
ACCESSES = by_slug("accesses-fail")

_SYNC = frozenset((0x35, 0x91))
_NO_CONNECT, _TIME_OUT, _ABORT = host_status.number_of("NO_CONNECT"), host_status.number_of("TIME_OUT"), 5
_BEFORE_NS, _AFTER_NS = 60_000_000_000, 15_000_000_000
_MANY_RESETS = 3


class Chain:
    """The trouble of one stick."""

    def __init__(self) -> None:
        self.first_ns = self.last_ns = -1
        self.all = Tally()
        self.count: Counter[str] = Counter()
        self.results: Counter[int] = Counter()
        self.lines: dict[str, str] = {}
        self.first_command = self.sectors = ""
        self.told_by_sense = False
        self.given_up = False
        self.late = 0

    def add(self, what: str, time_ns: int, records: tuple[int, ...], line: str = "", number: int = 0) -> None:
        """One more link."""
        self.all.add(time_ns, number, records)
        self.first_ns = time_ns if self.first_ns < 0 else self.first_ns
        self.last_ns = time_ns
        self.count[what] += 1
        self.lines.setdefault(what, line)

    def words(self) -> str:
        """What happened, in one sentence."""
        many = [(what, self.count[what]) for what in _ORDER if self.count[what]]
        parts = [f"{count_of(count, *_ORDER[what])}" for what, count in many]
        if self.results:
            number, _ = self.results.most_common(1)[0]
            parts.append(f"the host's word for it: {host_status.in_words(number)}")
        if self.first_command:
            parts.append(f"first {self.first_command}")
        elif self.lines.get("error"):
            parts.append(f"first: {self.lines['error']}")
        return "; ".join(parts)


_ORDER: dict[str, tuple[str, str]] = {
    "command": ("command without a proper end", "commands without a proper end"),
    "abort": ("command given up", "commands given up"),
    "reset": ("reset", "resets"),
    "error": ("error of the transport", "errors of the transport"),
    "enumeration": ("failed try to reach it again", "failed tries to reach it again"),
    "access": ("access that failed", "accesses that failed"),
}


class Use(Rule):
    """Trouble in use, told once for each stick."""

    layer = LAYER
    hears = True
    patterns = (RESETS, HANG, BREAKS, GIVEN_UP, ACCESSES)

    def begin(self) -> None:
        self.chains: dict[Stick, Chain] = {}
        self.deaths: list[int] = []

    def _chain(self, stick: Stick) -> Chain:
        return self.chains.setdefault(stick, Chain())

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if not exchange.told:
            return
        stick, chain = unit.stick, self._chain(unit.stick)
        if exchange.status is not MISSING:
            key = exchange.sense.key if exchange.sense is not None else 0
            chain.told_by_sense = chain.told_by_sense or key in (2, 3, 4)
            return
        host = next((r.numbers[0] for r in exchange.remarks if r.kind is Said.HOST_SAYS), -1)
        if exchange.opcode in _SYNC and (host in (_NO_CONNECT, -1) or stick.detached is not None):
            return  # the last word to a stick that was pulled out
        if stick.detached is not None or host == _NO_CONNECT:
            chain.late += 1
            if stick.detached is not None:
                return
        if host > 0:
            chain.results[host] += 1
        chain.first_command = chain.first_command or f"exchange {exchange.number}, {_command(exchange)}"
        chain.add("command", exchange.time_ns, exchange.records, number=exchange.number)

    def saying(self, item: Saying, stick: Stick) -> None:
        said = item.statement
        if said.kind is Kind.CONTROLLER_DIED:
            self.deaths.append(item.time_ns)
        if said.end != "host" or stick.is_hub or said.get("debug"):
            return
        what = _LINKS.get(said.kind, "")
        known = stick.device.ids is not None or stick.is_storage
        if said.kind in (Kind.DESCRIPTOR_ERROR, Kind.ADDRESS_REFUSED) and known and stick.detached is None:
            what = "enumeration"
        if said.kind is Kind.OFFLINE and not said.get("again"):
            self._chain(stick).given_up = True
            what = "given up"
        if said.kind is Kind.FILE_SYSTEM and said.get("state") == "unreadable":
            what = "access"
        if not what or (said.kind is Kind.IO_ERROR and said.get("beyond")):
            return
        if said.log and not stick.by_hearsay and (stick.detached is not None or stick.failures):
            return  # a log beside a capture: what the capture shows is told from there
        chain = self._chain(stick)
        if stick.detached is not None:
            chain.late += 1
            return
        chain.add(what, item.time_ns, item.records, words_of(item) if what == "enumeration" else said.line)

    def end(self) -> None:
        for stick, chain in self.chains.items():
            if chain.all or chain.late:
                self._conclude(stick, chain)

    def _conclude(self, stick: Stick, chain: Chain) -> None:
        detached = stick.detached
        told = stick.is_storage or stick.device.ids is not None
        if not told and {Stage.ADDRESS, Stage.DESCRIPTORS} & set(stick.said_failed):
            return  # it never came up: told as that
        if any(abs(death - (detached.time_ns if detached else chain.last_ns)) < _AFTER_NS for death in self.deaths):
            return  # it went with its controller
        if detached is not None:
            began = chain.first_ns if chain.first_ns >= 0 else detached.time_ns
            near = chain.all and detached.time_ns - chain.last_ns < _BEFORE_NS
            if near or chain.late:
                pattern, back = gone(self.scene.sticks, stick)
                hung = chain.results[_TIME_OUT] or chain.count["reset"] > 1
                if near and hung and pattern is GONE_IN_USE and self._pattern(chain) in (HANG, RESETS):
                    pattern = HANG  # it had stopped answering before it went
                late = count_of(chain.late, "access", "accesses")
                before = f"{chain.words()}; then" if near else f"{late} failed after"
                self.report(pattern, f"{before} the device went{back}", stick, chain.all if near else None,
                            records=() if near else detached.records, time_ns=began if near else detached.time_ns,
                            ends=True)  # fmt: skip
                return
        found = self._pattern(chain)
        if found is not None:
            self._tell(found, stick, chain)

    def _tell(self, pattern: Pattern, stick: Stick, chain: Chain) -> None:
        count = chain.count
        severity = "" if count["command"] + count["abort"] + count["access"] or chain.given_up else RISK
        self.report(pattern, chain.words() or f"the log says: {chain.lines['given up']}", stick, chain.all,
                    severity=severity if pattern is RESETS else "")  # fmt: skip

    @staticmethod
    def _pattern(chain: Chain) -> Pattern | None:
        count = chain.count
        if chain.given_up:
            return GIVEN_UP
        if count["reset"] >= _MANY_RESETS:
            return RESETS
        timed_out = chain.results[_TIME_OUT] + chain.results[_ABORT]
        if count["abort"] or timed_out > sum(chain.results.values()) // 2:
            return HANG
        if count["command"] or count["error"] or count["enumeration"]:
            return BREAKS
        return ACCESSES if count["access"] and not chain.told_by_sense else None


def _command(exchange: Exchange) -> str:
    lba = exchange.lba
    return exchange.command + (f" at LBA {lba}" if lba is not None and len(exchange.cdb) > 5 else "")


_LINKS = {
    Kind.ABORT: "abort", Kind.RESET: "reset", Kind.TRANSPORT_ERROR: "error", Kind.IO_ERROR: "access",
}  # fmt: skip

RULES = (Use,)
