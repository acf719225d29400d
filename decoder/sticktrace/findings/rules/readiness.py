"""Getting ready: unit attention, sense data, slow starts, endless polling (SAM, SPC-3 4.5)."""

from __future__ import annotations

from sticktrace.findings.finding import PATIENCE_NS, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.sticks.learning import READS, REQUEST_SENSE, WRITES
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import FAILED, PASSED, Exchange

LAYER = "readiness"

SENSE_NOT_FETCHED = by_slug("sense-not-fetched")
ATTENTION_STUCK = by_slug("unit-attention-not-cleared")
POLLS_WITHOUT_END = by_slug("polling-without-end")
FAILED_TAKEN_FOR_GOOD = by_slug("failure-taken-for-success")
SLOW_START = by_slug("slow-start")
NEVER_READY = by_slug("never-ready")
EMPTY_SENSE = by_slug("no-reason-given")
MEDIUM_CHANGED = by_slug("medium-changed")

_NOT_READY, _STARTING = 0x2, 0x04


class SenseReading(PerStick):
    """Whether the host fetches and heeds sense data."""

    layer = LAYER
    patterns = (SENSE_NOT_FETCHED, ATTENTION_STUCK, EMPTY_SENSE, MEDIUM_CHANGED)

    def begin(self) -> None:
        self.waiting: dict[int, tuple[Exchange, int]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        before, row = self.waiting.pop(id(unit), (None, 0))
        if before is not None and exchange.opcode != REQUEST_SENSE:
            self.note(SENSE_NOT_FETCHED, unit.stick, before)
            row = row + 1 if exchange.cdb == before.cdb and exchange.status == FAILED else 0
            if row >= 3:
                self.note(ATTENTION_STUCK, unit.stick, exchange)
        if exchange.status == FAILED and exchange.sense is None and exchange.opcode != REQUEST_SENSE:
            self.waiting[id(unit)] = (exchange, row)
        if exchange.sense is not None and exchange.status == FAILED:
            key, asc, ascq = exchange.sense[:3]
            if (key, asc, ascq) == (0, 0, 0):
                self.note(EMPTY_SENSE, unit.stick, exchange)
            elif (key, asc) == (6, 0x28) and unit.reads:
                self.note(MEDIUM_CHANGED, unit.stick, exchange)

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        if pattern is SENSE_NOT_FETCHED:
            return f"{count_of(tally.count, 'failed command')} without REQUEST SENSE after it"
        if pattern is ATTENTION_STUCK:
            many = count_of(tally.count + 3, "time")
            return f"the same command failed {many} in a row, the sense data was never read"
        if pattern is EMPTY_SENSE:
            return f"{count_of(tally.count, 'failed command')} with sense data 0/00/00"
        return f"{count_of(tally.count, 'command')} answered with 6/28/00 after blocks had been read"


class Waiting(Rule):
    """How long a unit took to get ready, and how the host waited."""

    layer = LAYER
    hears = True
    patterns = (SLOW_START, NEVER_READY, POLLS_WITHOUT_END, FAILED_TAKEN_FOR_GOOD)

    def begin(self) -> None:
        self.row: dict[int, tuple[Unit, tuple[int, ...], Tally]] = {}
        self.told: set[int] = set()
        self.starting: dict[int, Tally] = {}
        self.blind: dict[int, Tally] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        sense = exchange.sense
        if exchange.opcode == 0x00:
            self._poll(exchange, unit)
        if sense is not None and sense.key == _NOT_READY and sense.asc == _STARTING and unit.ready_ns < 0:
            self.starting.setdefault(id(unit), Tally()).add(exchange.time_ns, exchange.number, exchange.records)
        if unit.capacity_bad and not unit.capacity_at and exchange.opcode in READS | WRITES:
            self.blind.setdefault(id(unit), Tally()).add(exchange.time_ns, exchange.number, exchange.records)

    def _poll(self, exchange: Exchange, unit: Unit) -> None:
        code: tuple[int, ...] = exchange.sense[:3] if exchange.sense else ()
        if exchange.status == PASSED:
            self.row.pop(id(unit), None)
            return
        _, before, tally = self.row.get(id(unit), (unit, code, Tally()))
        if before != code:
            tally = Tally()
        tally.add(exchange.time_ns, exchange.number, exchange.records)
        self.row[id(unit)] = (unit, code, tally)
        if tally.count == 100 and id(unit) not in self.told:
            mean = (tally.last_ns - tally.first_ns) // 99
            if 0 < mean < 200_000_000:  # 0 where the capture has no clock
                self.told.add(id(unit))
                text = f"TEST UNIT READY failed 100 times in a row, every {time_in_words(mean)}, and goes on"
                self.report(POLLS_WITHOUT_END, text, unit.stick, tally)

    def end(self) -> None:
        for stick in self.scene.sticks:
            for unit in stick.units.values():
                self._start(stick, unit)
                tally = self.blind.get(id(unit))
                if tally is not None and tally.count >= 2:
                    text = f"READ CAPACITY failed {count_of(unit.capacity_bad.count, 'time')}, then "
                    text += f"{count_of(tally.count, 'READ or WRITE', 'READs and WRITEs')} without a capacity"
                    self.report(FAILED_TAKEN_FOR_GOOD, text, stick, tally)

    def _start(self, stick: Stick, unit: Unit) -> None:
        tally = self.starting.get(id(unit))
        if tally is None:
            return
        if unit.ready_ns >= 0:
            took = unit.ready_ns - tally.first_ns
            text = f"LUN {unit.lun} was ready after {time_in_words(took)} and {count_of(tally.count, 'refusal')}"
            self.report(SLOW_START, text, stick, tally, severity=RISK if took > 3_000_000_000 else "")
        elif tally.count >= 3 and tally.last_ns - tally.first_ns > 1_000_000_000:
            over = time_in_words(tally.last_ns - tally.first_ns)
            text = f"LUN {unit.lun}: {count_of(tally.count, 'refusal')} over {over}"
            patient = tally.last_ns - tally.first_ns > PATIENCE_NS
            text += "" if patient else "; it may just be slow, up to 30 s are usual"
            self.report(NEVER_READY, text, stick, tally, severity="" if patient else RISK, ends=True)


RULES = (SenseReading, Waiting)
