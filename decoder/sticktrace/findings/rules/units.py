"""Logical units and class start-up: Get Max LUN, empty units, CD-ROM units, UAS (BOT 1.0 3.1, 3.2; SPC-3 6.4)."""

from __future__ import annotations

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.codes import scsi
from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.finding import FAULT, NOTE, QUIET_NS, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.sticks.learning import START_STOP
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of
from sticktrace.transport.items import FAILED, MISSING, PASSED, Exchange
from sticktrace.transport.remarks import Said

LAYER = "class start-up"

MAX_LUN_KILLS = by_slug("max-lun-then-dead")
MAX_LUN_NONSENSE = by_slug("max-lun-nonsense")
UNITS_ALIKE = by_slug("units-answer-alike")
CLASS_RESET_FIRST = by_slug("class-reset-at-start")
NO_MEDIUM = by_slug("no-medium")
EMPTY_FIRST = by_slug("empty-first-unit")
MEDIUM_GONE = by_slug("medium-gone-in-use")
EMPTY_UNIT = by_slug("empty-unit")
VIRTUAL_CD = by_slug("cd-rom-unit")
UAS_TROUBLE = by_slug("uas-trouble")

_PREVENT_ALLOW, _IN_USE = 0x1E, 3
_NO_MEDIUM = 0x3A


class Start(Rule):
    """The first command, and what came before it."""

    layer = LAYER
    patterns = (MAX_LUN_KILLS, CLASS_RESET_FIRST)

    def begin(self) -> None:
        self.reset: dict[int, BusEvent] = {}
        self.dead: set[int] = set()

    def event(self, event: BusEvent, stick: Stick) -> None:
        if event.kind is Happening.CLASS_RESET and not stick.exchanges:
            self.reset.setdefault(id(stick), event)

    def aftermath(self, aftermath: Aftermath) -> None:
        stick, trouble = aftermath.stick, aftermath.trouble
        if trouble is not stick.first_exchange or not isinstance(trouble, Exchange) or trouble.status != MISSING:
            return
        if remarks.cut_short(trouble) or remarks.left(trouble) or "detached" in aftermath.kinds():
            return
        self.dead.add(id(stick))
        asked = stick.ask("max lun")
        if (asked.done or asked.failed) and id(stick) not in self.reset:
            text = f"the first command (exchange {trouble.number}) got no status: {trouble.remarks[-1].words}"
            self.report(MAX_LUN_KILLS, text, stick, exchanges=(trouble.number,), records=trouble.records,
                        time_ns=trouble.time_ns)  # fmt: skip

    def end(self) -> None:
        for stick in self.scene.sticks:
            event = self.reset.get(id(stick))
            if event is None:
                continue
            dead = id(stick) in self.dead
            text = "the class reset came before the first command"
            text += ", and the device was dead after it" if dead else ""
            self.report(CLASS_RESET_FIRST, text, stick, records=event.records, time_ns=event.time_ns,
                        severity=FAULT if dead else "")  # fmt: skip


class Units(Rule):
    """Judges the units of each device when the capture is over."""

    layer = LAYER
    patterns = (MAX_LUN_NONSENSE, UNITS_ALIKE, VIRTUAL_CD)

    def end(self) -> None:
        for stick in self.scene.sticks:
            told = stick.device.max_lun
            if told is not None and told > 15:
                self.report(MAX_LUN_NONSENSE, f"the answer is {told}", stick, stick.ask("max lun").done)
            units = sorted(stick.units.values(), key=lambda u: u.lun)
            ghosts = [u.lun for u in units if u.lun and u.identity and u.identity.qualifier == 3]
            if ghosts and told:
                text = f"it promises LUN 0 to {told}, and INQUIRY says that LUN {ghosts[0]} does not exist"
                self.report(MAX_LUN_NONSENSE, text, stick, exchanges=(units[-1].identity_at,))
            self._alike(stick, units)
            for unit in units:
                if unit.identity and unit.identity.device_type == scsi.CD_DVD:
                    severity = RISK if unit.lun == 0 and len(units) > 1 else ""
                    text = f"LUN {unit.lun} is a {unit.identity.kind}"
                    self.report(VIRTUAL_CD, text, stick, exchanges=(unit.identity_at,), severity=severity)

    def _alike(self, stick: Stick, units: list[Unit]) -> None:
        if len(units) < 2 or not units[0].identity_data:
            return
        first, second = units[0], units[1]
        if first.identity_data == second.identity_data and first.capacity and first.capacity == second.capacity:
            text = f"LUN {first.lun} and LUN {second.lun} give the same INQUIRY data and capacity"
            self.report(UNITS_ALIKE, text, stick, exchanges=(first.identity_at, second.identity_at))


class Media(Rule):
    """Units without a medium."""

    layer = LAYER
    patterns = (NO_MEDIUM, EMPTY_FIRST, EMPTY_UNIT, MEDIUM_GONE)

    def begin(self) -> None:
        self.empty: dict[int, tuple[Unit, Tally]] = {}
        self.released: dict[int, int] = {}
        self.gone: set[int] = set()

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.opcode == START_STOP and len(exchange.cdb) > 4 and exchange.cdb[4] & 3 == 2:
            self.released[id(unit)] = exchange.number
        if exchange.opcode == _PREVENT_ALLOW and exchange.status == PASSED and not exchange.cdb[4:5] > b"\0":
            self.released[id(unit)] = exchange.number
        if exchange.status == FAILED and exchange.sense is not None and exchange.sense.asc == _NO_MEDIUM:
            self._vanished(exchange, unit)
            tally = self.empty.setdefault(id(unit), (unit, Tally()))[1]
            tally.add(exchange.time_ns, exchange.number, exchange.records)

    def _vanished(self, exchange: Exchange, unit: Unit) -> None:
        """A medium that was being read or written is there no more, and the host had neither ejected it nor said that
        it may be taken out."""
        if not unit.accessed or self.released.get(id(unit), 0) > unit.accessed or id(unit) in self.gone:
            return
        self.gone.add(id(unit))
        text = f"LUN {unit.lun} had a medium, read {count_of(unit.reads, 'time')} and written "
        text += f"{count_of(unit.writes, 'time')}; from exchange {exchange.number} on it has none"
        idle_ns = exchange.time_ns - unit.accessed_ns
        severity = NOTE if idle_ns > QUIET_NS or unit.reads + unit.writes < _IN_USE else ""
        if unit.written:
            severity, text = FAULT, f"{text}; the write in exchange {unit.written} was not followed by a flush"
        self.report(MEDIUM_GONE, text, unit.stick, exchanges=(exchange.number,), records=exchange.records,
                    time_ns=exchange.time_ns, severity=severity)  # fmt: skip

    def end(self) -> None:
        by_stick: dict[int, list[tuple[Unit, Tally]]] = {}
        for unit, tally in self.empty.values():
            by_stick.setdefault(id(unit.stick), []).append((unit, tally))
        for empty in by_stick.values():
            stick = empty[0][0].stick
            others = [u for u in stick.units.values() if u.ready_ns >= 0]
            told = stick.device.max_lun
            luns = ", ".join(str(u.lun) for u, _ in sorted(empty, key=lambda e: e[0].lun))
            tally = empty[0][1]
            text = f"LUN {luns}: MEDIUM NOT PRESENT {count_of(sum(t.count for _, t in empty), 'time')}"
            if others:
                self.report(EMPTY_UNIT, text, stick, tally)
            elif told and len(stick.units) <= 1:
                text += f"; Get Max LUN says {told}, the other units were never asked"
                self.report(EMPTY_FIRST, text, stick, tally, severity="" if tally.count >= 2 else RISK, ends=True)
            else:
                sure = tally.count >= 2
                sure = sure and not any(s is not stick and s.at_work for s in self.scene.sticks)
                severity = NOTE if stick.begun_before else "" if sure else RISK
                self.report(NO_MEDIUM, text, stick, tally, severity=severity)


class UasTrouble(PerStick):
    """Failures of the transport under UAS."""

    layer = LAYER
    patterns = (UAS_TROUBLE,)

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.transport != "UAS" or exchange.status == PASSED:
            return
        if remarks.cut_short(exchange) or remarks.left(exchange):
            return
        if exchange.status == MISSING or any(remark.kind is Said.RESPONSE_UNIT for remark in exchange.remarks):
            self.note(UAS_TROUBLE, unit.stick, exchange)

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        return f"{count_of(tally.count, 'command')} of {stick.exchanges:,} without a proper end"

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        bad = tally.count * 10 > stick.exchanges
        self.report(pattern, self.words(pattern, stick, tally), stick, tally, severity=FAULT if bad else "")


RULES = (Start, Units, Media, UasTrouble)
