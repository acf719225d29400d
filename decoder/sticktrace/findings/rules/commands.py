"""Single commands that upset sticks, or that hosts use badly (SPC-3 6, SBC-2 5, MMC-5)."""

from __future__ import annotations

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.findings.finding import RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick
from sticktrace.sticks.learning import ACCESSES, INQUIRY, START_STOP, SYNCHRONIZE
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import FAILED, PASSED, Exchange

LAYER = "commands"

INQUIRY_LENGTH = by_slug("inquiry-length")
VITAL_PAGES = by_slug("vital-pages-upset")
MODE_SENSE = by_slug("mode-sense-upset")
OPTIONAL_HANGS = by_slug("optional-command-upset")
NO_TEST_UNIT_READY = by_slug("test-unit-ready-unknown")
REFUSED_AGAIN = by_slug("refused-command-repeated")
EJECTED = by_slug("ejected-by-host")
SYNC_EJECTS = by_slug("sync-cache-ejects")
SLOW_COMMAND = by_slug("slow-command")

_OPTIONAL = frozenset(
    (0x1B, 0x1E, 0x23, 0x35, 0x46, 0x4A, 0x4D, 0x51, 0x85, 0x88, 0x91, 0x9E, 0xA0, 0xA1, 0xA2, 0xA3, 0xB5)
)
_SECOND = 1_000_000_000
_QUICK_NS, _ENOUGH = 100_000_000, 10
_SOON_NS = 2_000_000_000


def upset_by(exchange: Exchange) -> Pattern | None:
    """The pattern of a command that is known to hang sticks; None for one that every stick must answer."""
    opcode = exchange.opcode
    if opcode == INQUIRY:
        if len(exchange.cdb) > 1 and exchange.cdb[1] & 1:
            return VITAL_PAGES
        return INQUIRY_LENGTH if exchange.expected not in (36, -1) else None
    if opcode in (0x1A, 0x5A):
        return MODE_SENSE
    return OPTIONAL_HANGS if opcode in _OPTIONAL else None


class Commands(PerStick):
    """Commands by their kind."""

    layer = LAYER
    patterns = (
        INQUIRY_LENGTH, VITAL_PAGES, MODE_SENSE, OPTIONAL_HANGS, NO_TEST_UNIT_READY, REFUSED_AGAIN, EJECTED,
        SYNC_EJECTS, SLOW_COMMAND,
    )  # fmt: skip

    def begin(self) -> None:
        self.said: dict[tuple[int, str], str] = {}
        self.refused: dict[int, tuple[bytes, int, Tally]] = {}
        self.synced: dict[int, Exchange] = {}
        self.slowest: dict[int, Exchange] = {}
        self.slow: dict[int, tuple[int, int]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        sense, stick = exchange.sense, unit.stick
        if exchange.opcode == 0 and sense is not None and (sense.key, sense.asc) == (5, 0x20):
            self._count(NO_TEST_UNIT_READY, exchange, unit, "TEST UNIT READY refused with 5/20/00")
        if exchange.status == FAILED and sense is not None and sense.key == 5:
            self._refused(exchange, unit)
        if exchange.status == PASSED and exchange.duration_ns > _SECOND:
            slowest = self.slowest.get(id(stick))
            if slowest is None or exchange.duration_ns > slowest.duration_ns:
                self.slowest[id(stick)] = exchange
            self.note(SLOW_COMMAND, stick, exchange)
            if exchange.opcode in ACCESSES:
                count, total = self.slow.get(id(unit), (0, 0))
                self.slow[id(unit)] = count + 1, total + exchange.duration_ns
        if exchange.opcode == START_STOP and len(exchange.cdb) > 4 and exchange.cdb[4] & 3 == 2:
            if exchange.status == PASSED:
                self._count(EJECTED, exchange, unit, f"LUN {unit.lun}, exchange {exchange.number}")
            self.synced.pop(id(unit), None)
        self._after_sync(exchange, unit)

    def _refused(self, exchange: Exchange, unit: Unit) -> None:
        """The same command, refused and at once repeated: only its REQUEST SENSE stands in between."""
        cdb, last, tally = self.refused.get(id(unit), (exchange.cdb, 0, Tally()))
        if cdb != exchange.cdb or exchange.number - last > 2:
            tally = Tally()
        tally.add(exchange.time_ns, exchange.number, exchange.records)
        self.refused[id(unit)] = (exchange.cdb, exchange.number, tally)
        if tally.count >= 3:
            text = f"{exchange.command} refused {tally.count} times in a row"
            self.said[id(unit.stick), REFUSED_AGAIN.slug] = text
            self.note(REFUSED_AGAIN, unit.stick, exchange)

    def _after_sync(self, exchange: Exchange, unit: Unit) -> None:
        synced = self.synced.get(id(unit))
        if exchange.opcode in SYNCHRONIZE and exchange.status == PASSED:
            self.synced[id(unit)] = exchange
            self.scene.look_at(unit, 1)
        elif synced is not None and exchange.opcode != 0x03:
            del self.synced[id(unit)]
            gap_ns = exchange.time_ns - synced.end_ns
            if exchange.sense is not None and exchange.sense.asc == 0x3A and gap_ns < _SOON_NS:
                gap = time_in_words(gap_ns)
                self._count(SYNC_EJECTS, exchange, unit, f"no medium {gap} after exchange {synced.number}")

    def event(self, event: BusEvent, stick: Stick) -> None:
        if event.kind is not Happening.DETACHED:
            return
        for unit in stick.units.values():
            synced = self.synced.get(id(unit))
            if synced is not None and unit.last is synced and event.time_ns - synced.end_ns < 100_000_000:
                gap = time_in_words(event.time_ns - synced.end_ns)
                self._count(SYNC_EJECTS, synced, unit, f"the device left {gap} after exchange {synced.number}")

    def _count(self, pattern: Pattern, exchange: Exchange, unit: Unit, said: str) -> None:
        self.note(pattern, unit.stick, exchange)
        self.said.setdefault((id(unit.stick), pattern.slug), said)

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        if pattern is SLOW_COMMAND:
            slow = self.slowest[id(stick)]
            text = f"{count_of(tally.count, 'command')} over a second, slowest {slow.command} "
            mean = self._usual(stick)
            usual = f"; the other READs and WRITEs take {time_in_words(mean)} on average" if mean >= 0 else ""
            return f"{text}in exchange {slow.number} with {time_in_words(slow.duration_ns)}{usual}"
        first = self.said[id(stick), pattern.slug]
        return first if tally.count == 1 or pattern is REFUSED_AGAIN else f"{first} (and {tally.count - 1} more)"

    def _usual(self, stick: Stick) -> int:
        """How long a READ or WRITE takes on average, the slow ones left out; -1 where none was slow, or too
        few were quick to tell."""
        units = stick.units.values()
        slow = [self.slow[id(unit)] for unit in units if id(unit) in self.slow]
        count = sum(unit.reads + unit.writes for unit in units) - sum(number for number, _ in slow)
        quick_ns = sum(unit.busy_ns for unit in units) - sum(total for _, total in slow)
        return quick_ns // count if slow and count >= _ENOUGH else -1

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        """A slow READ or WRITE among quick ones is worth more than a slow command that a device may need."""
        outlier = pattern is SLOW_COMMAND and 0 <= self._usual(stick) < _QUICK_NS
        self.report(pattern, self.words(pattern, stick, tally), stick, tally, severity=RISK if outlier else "")


RULES = (Commands,)
