"""The account of a capture: it sees every item once, keeps sums, and shows the remarkable to the rules.

A healthy READ or WRITE costs about a microsecond: it is counted in its `Unit` and forgotten. An exchange is looked at
closely when anything about it is out of the ordinary, when it is of another kind, when it is the first of its kind, and
for a few exchanges after trouble, since what a host does next matters as much as what went wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.findings.finding import Finding
from sticktrace.findings.media import Volumes
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import Rule
from sticktrace.session import Reading
from sticktrace.sticks import learning
from sticktrace.sticks.subject import KEPT, Aftermath, Subject, Unit
from sticktrace.sticks.whereabouts import Whereabouts
from sticktrace.storage.sense import SenseFacts, decode
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, Exchange

_TROUBLE = frozenset((MISSING, INVALID, PHASE_ERROR))
_WATCH, _WATCH_AFTER_TROUBLE = 3, 64
_SLOW_NS = 1_000_000_000
_TEN, _SIXTEEN, _PLAIN_READS = frozenset((0x28, 0x2A)), frozenset((0x88, 0x8A)), frozenset((0x28, 0x88))
_BLOCK_0 = frozenset((bytes(4), bytes(8)))


class Account:
    """Feed it items in order with `see`, then `end` it. ``findings`` fills as the rules speak.

    ``reading`` gives the devices and the payload. Rules are made from the classes in ``rules``.
    """

    def __init__(self, reading: Reading, rules: tuple[type[Rule], ...]) -> None:
        self.reading = reading
        self.bus = reading.bus
        self.findings: list[Finding] = []
        self.where = Whereabouts(reading.bus)
        self.subjects = self.where.subjects
        self._units = self.where.units
        self.volumes = Volumes(reading)
        self.layers = {pattern.slug: rule.layer for rule in rules for pattern in rule.patterns}
        self.rules = [rule(self) for rule in rules]
        self._exchange = self._hooks("exchange")
        self._request, self._event = self._hooks("request"), self._hooks("event")
        self._stray, self._aftermath = self._hooks("stray"), self._hooks("aftermath")

    def _hooks(self, name: str) -> list[Callable[..., None]]:
        return [getattr(rule, name) for rule in self.rules if getattr(type(rule), name) is not getattr(Rule, name)]

    @property
    def end_ns(self) -> int:
        """Time of the last record."""
        return self.reading.reader.last_ns

    def quiet_ns(self, subject: Subject) -> int:
        """How long the capture goes on after the last that was seen of a device."""
        return max(0, self.end_ns - subject.last_ns) if subject.last_ns >= 0 else 0

    def data(self, exchange: Exchange, limit: int = 4096) -> bytes:
        """The captured data of an exchange up to a limit; b"" when the first transfer is not whole."""
        found = b""
        for piece in exchange.pieces:
            found += self.reading.read(piece._replace(captured=min(piece.captured, limit - len(found))))
            if piece.captured < piece.actual or len(found) >= limit:
                break
        return found

    def sense(self, exchange: Exchange) -> SenseFacts | None:
        """The sense data of an exchange in full, None where there is none or it is too short."""
        if exchange.sense is None:
            return None
        at = exchange.sense.at
        return decode(self.reading.read(at._replace(captured=min(at.captured, 64))))

    # -- what passes by ------------------------------------------------------------------------------------------

    def see(self, item: Any) -> None:
        """Take in one item of the reading."""
        if item.__class__ is Exchange:
            unit = self._units.get((item.bus, item.address, item.lun)) or self.where.unit(item)
            notes = item.notes
            odd = unit.watch or item.status != PASSED or item.residue or item.stalled
            if odd or (notes and notes != unit.habit) or not unit.reads or not self._plainly(item, unit):
                self._closely(item, unit)
            elif notes:
                unit.habits += 1
            self.volumes.feed(item, unit)
        elif isinstance(item, Request):
            self._take_request(item)
        elif isinstance(item, BusEvent):
            self._take_event(item)
        elif isinstance(item, Stray):
            self._take_stray(item)

    def end(self) -> None:
        """The capture is over: let the rules conclude."""
        for subject in self.subjects:
            self._settle(subject, None)
        for rule in self.rules:
            rule.end()

    def _plainly(self, item: Exchange, unit: Unit) -> bool:
        """Count a healthy READ or WRITE (10) or (16) as fast as can be; False for anything else."""
        cdb = item.cdb
        opcode = cdb[0] if len(cdb) >= 10 else -1
        if opcode in _TEN:
            blocks, first = cdb[7] << 8 | cdb[8], cdb[2:6]
        elif opcode in _SIXTEEN and len(cdb) == 16:
            blocks, first = int.from_bytes(cdb[10:14], "big"), cdb[2:10]
        else:
            return False
        if first in _BLOCK_0 or (unit.block and item.expected >= 0 and item.expected != blocks * unit.block):
            return False
        if opcode in _PLAIN_READS:
            unit.reads += 1
            if item.moved > unit.largest_in:
                unit.largest_in = item.moved
        elif unit.writes:
            unit.writes += 1
            unit.written, unit.written_ns = item.number, item.end_ns
            if item.moved > unit.largest_out:
                unit.largest_out = item.moved
        else:
            return False
        if item.end_ns - item.time_ns > _SLOW_NS:
            unit.watch = 1
        unit.total += 1
        unit.last = item
        subject = unit.subject
        subject.exchanges += 1
        subject.last_ns = item.end_ns
        subject.last_was_exchange = True
        if subject.aftermath is not None:
            self._settle(subject, item)
        return True

    def _closely(self, item: Exchange, unit: Unit) -> None:
        subject = unit.subject
        trouble = item.status in _TROUBLE
        if subject.aftermath is not None:
            self._settle(subject, item)
        subject.exchanges += 1
        subject.first_exchange = subject.first_exchange or item
        unit.total += 1
        unit.first = unit.first or item.number
        watch = _WATCH_AFTER_TROUBLE if trouble else _WATCH if item.status == FAILED else 0
        unit.watch = max(unit.watch - 1, watch)
        subject.cut_short = item.status == MISSING and remarks.cut_short(item)
        subject.transport_bad += trouble
        if not subject.cut_short:
            subject.failures += item.status != PASSED
            learning.exchange(self, item, unit)
        for hook in self._exchange:
            hook(item, unit)
        unit.last = item
        subject.last_ns, subject.last_was_exchange = max(subject.last_ns, item.end_ns), True
        if trouble:
            subject.aftermath = Aftermath(subject, item, unit)

    def _settle(self, subject: Subject, following: Exchange | None) -> None:
        aftermath, subject.aftermath = subject.aftermath, None
        if aftermath is None:
            return
        aftermath.next = following
        for hook in self._aftermath:
            hook(aftermath)

    def _take_request(self, item: Request) -> None:
        subject = self.where.of_request(item)
        learning.request(item, subject)
        for hook in self._request:
            hook(item, subject)
        subject.last_request, subject.last_was_exchange = item, False
        if item.status is not None or item.end_ns > subject.last_ns:
            subject.last_ns = max(subject.last_ns, item.end_ns)

    def _take_event(self, item: BusEvent) -> None:
        subject = self.where.of_event(item)
        subject.happened(item.kind).add(item.time_ns, records=item.records)
        if item.kind == "detached":
            subject.detached = item
            subject.last_ns = max(subject.last_ns, item.time_ns)
        if subject.aftermath is not None and len(subject.aftermath.events) < KEPT:
            subject.aftermath.events.append(item)
        for hook in self._event:
            hook(item, subject)

    def _take_stray(self, item: Stray) -> None:
        subject = self.where.at(item.bus, item.address)
        if item.kind == "invalid command":
            self._settle(subject, None)
            subject.aftermath = Aftermath(subject, item, None)
        elif subject.aftermath is not None and len(subject.aftermath.strays) < KEPT:
            subject.aftermath.strays.append(item)
        subject.last_ns = max(subject.last_ns, item.time_ns)
        for hook in self._stray:
            hook(item, subject)
