"""The medium: hardware errors, write protection, refusals, by their sense data (SPC-3 4.5, SBC-2)."""

from __future__ import annotations

from sticktrace.codes.asc import meaning as asc_words
from sticktrace.findings.finding import POWER, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.sticks.learning import ACCESSES, READS, WRITES
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import lba_and_blocks
from sticktrace.storage.sense import advice, decode, in_words
from sticktrace.storage.words import write_protected
from sticktrace.transport.counted import counted
from sticktrace.transport.items import FAILED, PASSED, Exchange

LAYER = "medium"

HARDWARE = by_slug("hardware-error")
WRITE_PROTECTED = by_slug("write-protected")
PROTECT_FLAG = by_slug("write-protect-flag")
PROTECT_CHANGES = by_slug("write-protect-flag-changes")
ABORTED = by_slug("aborted-command")
RECOVERED = by_slug("recovered-error")
BLANK_FIRST_READ = by_slug("first-read-blank")
REFUSED = by_slug("requests-refused")
DEFERRED = by_slug("deferred-error")
ACCESS_REFUSED = by_slug("access-refused")
FUA_REFUSED = by_slug("fua-refused")
PREDICTED = by_slug("failure-predicted")
WARNING = by_slug("device-warning")
ADJUSTED = by_slug("parameter-adjusted")

_RECOVERED, _PROTECT, _HARDWARE, _ILLEGAL = 0x1, 0x7, 0x4, 0x5
_KEYS = {_RECOVERED: RECOVERED, _HARDWARE: HARDWARE, 0xB: ABORTED, _ILLEGAL: REFUSED}
_NEWS = frozenset((0x0, 0x1, 0x6))
"""NO SENSE, RECOVERED ERROR, UNIT ATTENTION: what comes with them is news (SPC-3 Table 27)."""
_WARNING, _PREDICTION, _ROUNDED, _NO_DEFECT_LIST = 0x0B, 0x5D, 0x37, 0x1C
_OUT_OF_RANGE, _UNKNOWN_OPCODE, _FIELD = 0x21, 0x20, 0x24
_TOLD_BY_NAME = frozenset((0x6F, 0x74))
"""Copy protection and security: `heard_medium` says what they are."""
_REQUEST_SENSE = 0x03


class Sense(PerStick):
    """Failures by their sense key."""

    layer = LAYER
    hears = True
    patterns = (
        HARDWARE, WRITE_PROTECTED, ABORTED, RECOVERED, REFUSED, DEFERRED, ACCESS_REFUSED, FUA_REFUSED, PREDICTED,
        WARNING, ADJUSTED,
    )  # fmt: skip

    def begin(self) -> None:
        self.said: dict[tuple[int, str], dict[str, int]] = {}
        self.codes: dict[tuple[int, str], tuple[int, int, int]] = {}
        self.refused: dict[tuple[int, str], Unit] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        sense = exchange.sense
        if exchange.opcode == _REQUEST_SENSE and exchange.status is PASSED:
            self._polled(exchange, unit)
        if sense is None or exchange.status not in (FAILED, PASSED) or exchange.went_well:
            return
        facts = self.scene.sense(exchange)
        if facts is not None and facts.deferred:
            self._count(DEFERRED, exchange, unit, sense[:3])
            return
        pattern = self._pattern(exchange, *sense[:3])
        if pattern is not None:
            self._count(pattern, exchange, unit, sense[:3])
            self.refused.setdefault((id(unit.stick), pattern.slug), unit)

    def _pattern(self, exchange: Exchange, key: int, asc: int, ascq: int) -> Pattern | None:
        if key in _NEWS:
            news = _told_as_news(asc)
            return news if news is not None else _KEYS.get(key)
        if key == _PROTECT:
            return WRITE_PROTECTED if exchange.opcode in WRITES and asc not in _TOLD_BY_NAME else None
        if key != _ILLEGAL or asc == _OUT_OF_RANGE:  # beyond the end is for the rules of capacity
            return _KEYS.get(key) if key != _ILLEGAL else None
        plain = exchange.opcode in _PLAIN
        if exchange.opcode not in ACCESSES or (asc == _UNKNOWN_OPCODE and not plain) or asc in _TOLD_BY_NAME:
            return REFUSED
        fua = len(exchange.cdb) > 1 and exchange.cdb[1] & _FUA and exchange.opcode not in _SIX
        return FUA_REFUSED if fua and asc == _FIELD else ACCESS_REFUSED

    def _polled(self, exchange: Exchange, unit: Unit) -> None:
        """Sense data that a host asks for without a failure before it: a device may say there that it is failing."""
        facts = decode(self.scene.data(exchange, 64))
        if facts is not None and facts.key in _NEWS and facts.asc in (_WARNING, _PREDICTION):
            pattern = _told_as_news(facts.asc)
            failed = unit.last is not None and unit.last.sense is not None and unit.last.sense.asc == facts.asc
            if pattern is not None and not failed:
                self._count(pattern, exchange, unit, (facts.key, facts.asc, facts.ascq))

    def _count(self, pattern: Pattern, exchange: Exchange, unit: Unit, code: tuple[int, int, int]) -> None:
        self.note(pattern, unit.stick, exchange)
        said = self.said.setdefault((id(unit.stick), pattern.slug), {})
        self.codes.setdefault((id(unit.stick), pattern.slug), code)
        text = f"{exchange.command}: {in_words(*code)}"
        if text in said or len(said) < 12:
            said[text] = said.get(text, 0) + 1

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        said = self.said[id(stick), pattern.slug]
        shown = [text + (f" ({count} times)" if count > 1 else "") for text, count in list(said.items())[:3]]
        more = f"; and {len(said) - 3} kinds more" if len(said) > 3 else ""
        return "; ".join(shown) + more

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        key, asc, ascq = self.codes[id(stick), pattern.slug]
        side = POWER if pattern is HARDWARE and asc == _LOST_LINK else ""
        remedy = advice(key, asc, ascq) if pattern in (WRITE_PROTECTED, PREDICTED, WARNING) else ""
        cause = asc_words(asc, ascq) if pattern is WRITE_PROTECTED and ascq else ""
        severity = ""
        if pattern in (FUA_REFUSED, ACCESS_REFUSED):
            unit = self.refused[id(stick), pattern.slug]
            severity = RISK if pattern is FUA_REFUSED and unit.written_ns > tally.last_ns else ""
        self.report(pattern, self.words(pattern, stick, tally), stick, tally, side=side, severity=severity,
                    cause=cause, remedy=remedy)  # fmt: skip


def _told_as_news(asc: int) -> Pattern | None:
    """The pattern of codes that say something of the device's health, or adjust a request (SPC-3 Table 28)."""
    return {_PREDICTION: PREDICTED, _WARNING: WARNING, _ROUNDED: ADJUSTED, _NO_DEFECT_LIST: ADJUSTED}.get(asc)


_PLAIN = frozenset((0x28, 0x2A))
"""READ(10) and WRITE(10), which every stick has."""
_SIX = frozenset((0x08, 0x0A))
_FUA = 0x08
"""FUA, bit 3 of byte 1 of READ and WRITE (10), (12), (16) (SBC-2 5.6, 5.25)."""
_LOST_LINK = 0x08


class Protection(Rule):
    """The write protect flag through time."""

    layer = LAYER
    patterns = (PROTECT_FLAG, PROTECT_CHANGES)

    def begin(self) -> None:
        self.flags: dict[int, list[tuple[bool, Exchange]]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.opcode not in (0x1A, 0x5A) or exchange.status != PASSED or unit.device_type:
            return
        flag = write_protected(exchange.opcode, self.scene.data(exchange, 8)[: counted(exchange)])
        seen = self.flags.setdefault(id(unit), [])
        if flag is not None and len(seen) < 64 and (not seen or seen[-1][0] != flag):
            seen.append((flag, exchange))

    def end(self) -> None:
        for stick in self.scene.sticks:
            for unit in stick.units.values():
                seen = self.flags.get(id(unit), [])
                numbers = [e.number for _, e in seen]
                if len(seen) > 1:
                    text = f"LUN {unit.lun}: {' then '.join('protected' if f else 'writable' for f, _ in seen[:4])}"
                    self.report(PROTECT_CHANGES, text, stick, exchanges=numbers, time_ns=seen[1][1].time_ns)
                elif seen and seen[0][0] and not unit.failed:
                    text = f"LUN {unit.lun}: the WP bit is set"
                    self.report(PROTECT_FLAG, text, stick, exchanges=numbers, time_ns=seen[0][1].time_ns)


class FirstRead(Rule):
    """Whether the first answer to a READ of block 0 was blank."""

    layer = LAYER
    patterns = (BLANK_FIRST_READ,)

    def begin(self) -> None:
        self.blank: dict[int, Exchange] = {}
        self.seen: set[int] = set()

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.opcode in WRITES or (exchange.sense is not None and exchange.sense.key == 6):
            self.blank.pop(id(unit), None)
        if exchange.opcode not in READS or exchange.status != PASSED or lba_and_blocks(exchange.cdb)[0] != 0:
            return
        data = self.scene.data(exchange, 512)
        if len(data) < 512 or unit.writes:
            return
        first = self.blank.get(id(unit))
        if id(unit) not in self.seen and not any(data):
            self.blank[id(unit)] = exchange
        elif first is not None and any(data):
            del self.blank[id(unit)]
            text = f"LBA 0 was all zeros in exchange {first.number}, and held data in exchange {exchange.number}"
            self.report(BLANK_FIRST_READ, text, unit.stick, exchanges=(first.number, exchange.number),
                        records=first.records, time_ns=first.time_ns)  # fmt: skip
        self.seen.add(id(unit))


RULES = (Sense, Protection, FirstRead)
