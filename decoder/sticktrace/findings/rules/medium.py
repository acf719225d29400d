"""The medium: hardware errors, write protection, refusals, by their sense data (SPC-3 4.5, SBC-2)."""

from __future__ import annotations

from sticktrace.findings.finding import POWER, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.sticks.learning import READS, WRITES
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import lba_and_blocks, name
from sticktrace.storage.sense import in_words
from sticktrace.storage.words import write_protected
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

_PROTECT, _HARDWARE, _ILLEGAL = 0x7, 0x4, 0x5
_KEYS = {0x1: RECOVERED, _HARDWARE: HARDWARE, 0xB: ABORTED, _ILLEGAL: REFUSED}


class Sense(PerStick):
    """Failures by their sense key."""

    layer = LAYER
    patterns = (HARDWARE, WRITE_PROTECTED, ABORTED, RECOVERED, REFUSED, DEFERRED)

    def begin(self) -> None:
        self.said: dict[tuple[int, str], dict[str, int]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        sense = exchange.sense
        if sense is None or exchange.status not in (FAILED, PASSED):
            return
        facts = self.scene.sense(exchange)
        if facts is not None and facts.deferred:
            self._count(DEFERRED, exchange, unit)
        elif sense.key == _PROTECT and exchange.opcode in WRITES:
            self._count(WRITE_PROTECTED, exchange, unit)
        elif sense.key in _KEYS and not (sense.key == _ILLEGAL and sense.asc == 0x21):
            self._count(_KEYS[sense.key], exchange, unit)

    def _count(self, pattern: Pattern, exchange: Exchange, unit: Unit) -> None:
        self.note(pattern, unit.stick, exchange)
        said = self.said.setdefault((id(unit.stick), pattern.slug), {})
        assert exchange.sense is not None
        text = f"{name(exchange.cdb, unit.device_type)}: {in_words(*exchange.sense[:3])}"
        if text in said or len(said) < 12:
            said[text] = said.get(text, 0) + 1

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        said = self.said[id(stick), pattern.slug]
        shown = [text + (f" ({count} times)" if count > 1 else "") for text, count in list(said.items())[:3]]
        more = f"; and {len(said) - 3} kinds more" if len(said) > 3 else ""
        return "; ".join(shown) + more

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        side = POWER if pattern is HARDWARE and any("(4/08/" in t for t in self.said[id(stick), pattern.slug]) else ""
        self.report(pattern, self.words(pattern, stick, tally), stick, tally, side=side)


class Protection(Rule):
    """The write protect flag through time."""

    layer = LAYER
    patterns = (PROTECT_FLAG, PROTECT_CHANGES)

    def begin(self) -> None:
        self.flags: dict[int, list[tuple[bool, Exchange]]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.opcode not in (0x1A, 0x5A) or exchange.status != PASSED or unit.device_type:
            return
        valid = max(0, exchange.moved if exchange.residue is None else exchange.expected - exchange.residue)
        flag = write_protected(exchange.opcode, self.scene.data(exchange, 8)[:valid])
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
