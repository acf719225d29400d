"""Getting ready: unit attention, sense data, slow starts, endless polling (SAM, SPC-3 4.5)."""

from __future__ import annotations

from sticktrace.findings.finding import DEVICE, FAULT, HOST, NOTE, PATIENCE_NS, RISK, UNKNOWN, Pattern
from sticktrace.findings.rules.rule import PerSubject, Rule
from sticktrace.sticks.learning import READS, REQUEST_SENSE, WRITES
from sticktrace.sticks.subject import Subject, Unit
from sticktrace.sticks.tally import Tally
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.exchange import FAILED, PASSED, Exchange

LAYER = "readiness"

SENSE_NOT_FETCHED = Pattern(
    "sense-not-fetched", NOTE, "A command fails and the host does not ask why", "BOT 1.0 5.3.3, SPC-3 6.27",
    "After CSW status 01h the reason is fetched with REQUEST SENSE. A host that repeats without it may never get past "
    "a unit attention.",
    ("the host stack does not send REQUEST SENSE",), "Send REQUEST SENSE after every failed command.", HOST, ("F33",),
)  # fmt: skip

ATTENTION_STUCK = Pattern(
    "unit-attention-not-cleared", FAULT, "Commands keep failing because nobody reads the sense data",
    "SAM-3 5.9.7, SPC-3 6.27", "The same command fails again and again, and no REQUEST SENSE comes in between. Some "
    "devices hold the unit attention until the sense data was read.",
    ("the host stack does not send REQUEST SENSE",), "Send REQUEST SENSE after every failed command, then repeat it.",
    HOST, ("F33",),
)  # fmt: skip

POLLS_WITHOUT_END = Pattern(
    "polling-without-end", RISK, "The host polls without pause or end", "common practice",
    "TEST UNIT READY fails hundreds of times in quick succession, with the same sense data each time.",
    ("no bound and no pause in the host's wait", "the sense data is read but not looked at"),
    "Pause 100 ms or more between polls, give up after 30 s, and act on what the sense data says.", HOST, ("F34",),
)  # fmt: skip

FAILED_TAKEN_FOR_GOOD = Pattern(
    "failure-taken-for-success", RISK, "The host goes on as if a failed command had worked", "SPC-3 6.27",
    "READ CAPACITY failed, and the host reads blocks without ever getting a capacity: a successful REQUEST SENSE was "
    "perhaps taken for the success of the command.",
    ("the host returns the status of REQUEST SENSE instead of that of the command",),
    "Keep the failed status apart from that of REQUEST SENSE.", HOST, ("F35",),
)  # fmt: skip

SLOW_START = Pattern(
    "slow-start", NOTE, "The stick takes its time to get ready", "SPC-3 Table 28 (04h/01h), common practice",
    "The unit was NOT READY at first and became ready while the host kept asking. A host with less patience would have "
    "failed.",
    ("the stick checks or repairs its own tables", "a slow card or disk"),
    "Poll TEST UNIT READY for up to 30 s.", DEVICE, ("F36", "F19"),
)  # fmt: skip

NEVER_READY = Pattern(
    "never-ready", FAULT, "The stick never becomes ready", "SPC-3 Table 28 (04h), common practice",
    "The unit was asked again and again and said NOT READY to the end.",
    ("the stick needs longer than the host waited", "the stick is damaged"),
    "Wait up to 30 s; try it on another host; if it never gets ready there either, it is broken.", UNKNOWN, ("F36",),
)  # fmt: skip

EMPTY_SENSE = Pattern(
    "no-reason-given", NOTE, "A command fails and the sense data gives no reason", "SPC-3 4.5.6",
    "The sense data is NO SENSE (0/00/00) although the command failed: common on cheap sticks.",
    ("careless device firmware", "the sense data was cleared in between"),
    "Treat the command as failed and repeat it once.", DEVICE, (),
)  # fmt: skip

MEDIUM_CHANGED = Pattern(
    "medium-changed", NOTE, "The medium changed while the device was in use", "SPC-3 Table 28 (28h)",
    "A unit that was in use said NOT READY TO READY CHANGE, MEDIUM MAY HAVE CHANGED.",
    ("a card was changed", "the device restarted inside"),
    "Drop what was cached and read capacity and volume anew.", UNKNOWN, (),
)  # fmt: skip

_NOT_READY, _STARTING = 0x2, 0x04


class SenseReading(PerSubject):
    """Whether the host fetches and heeds sense data."""

    layer = LAYER
    patterns = (SENSE_NOT_FETCHED, ATTENTION_STUCK, EMPTY_SENSE, MEDIUM_CHANGED)

    def begin(self) -> None:
        self.waiting: dict[int, tuple[Exchange, int]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        before, row = self.waiting.pop(id(unit), (None, 0))
        if before is not None and exchange.opcode != REQUEST_SENSE:
            self.note(SENSE_NOT_FETCHED, unit.subject, before)
            row = row + 1 if exchange.cdb == before.cdb and exchange.status == FAILED else 0
            if row >= 3:
                self.note(ATTENTION_STUCK, unit.subject, exchange)
        if exchange.status == FAILED and exchange.sense is None and exchange.opcode != REQUEST_SENSE:
            self.waiting[id(unit)] = (exchange, row)
        if exchange.sense is not None and exchange.status == FAILED:
            key, asc, ascq = exchange.sense[:3]
            if (key, asc, ascq) == (0, 0, 0):
                self.note(EMPTY_SENSE, unit.subject, exchange)
            elif (key, asc) == (6, 0x28) and unit.reads:
                self.note(MEDIUM_CHANGED, unit.subject, exchange)

    def words(self, pattern: Pattern, subject: Subject, tally: Tally) -> str:
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
                self.report(POLLS_WITHOUT_END, text, unit.subject, tally)

    def end(self) -> None:
        for subject in self.account.subjects:
            for unit in subject.units.values():
                self._start(subject, unit)
                tally = self.blind.get(id(unit))
                if tally is not None and tally.count >= 2:
                    text = f"READ CAPACITY failed {count_of(unit.capacity_bad.count, 'time')}, then "
                    text += f"{count_of(tally.count, 'READ or WRITE', 'READs and WRITEs')} without a capacity"
                    self.report(FAILED_TAKEN_FOR_GOOD, text, subject, tally)

    def _start(self, subject: Subject, unit: Unit) -> None:
        tally = self.starting.get(id(unit))
        if tally is None:
            return
        if unit.ready_ns >= 0:
            took = unit.ready_ns - tally.first_ns
            text = f"LUN {unit.lun} was ready after {time_in_words(took)} and {count_of(tally.count, 'refusal')}"
            self.report(SLOW_START, text, subject, tally, severity=RISK if took > 3_000_000_000 else "")
        elif tally.count >= 3 and tally.last_ns - tally.first_ns > 1_000_000_000:
            over = time_in_words(tally.last_ns - tally.first_ns)
            text = f"LUN {unit.lun}: {count_of(tally.count, 'refusal')} over {over}"
            patient = tally.last_ns - tally.first_ns > PATIENCE_NS
            text += "" if patient else "; it may just be slow, up to 30 s are usual"
            self.report(NEVER_READY, text, subject, tally, severity="" if patient else RISK)


RULES = (SenseReading, Waiting)
