"""The account of a capture: it sees every item once, keeps sums, and shows the remarkable to the rules.

A healthy READ or WRITE costs about a microsecond: it is counted in its `Unit` and forgotten. An exchange is looked at
closely when anything about it is out of the ordinary, when it is of another kind, when it is the first of its kind, and
for a few exchanges after trouble, since what a host does next matters as much as what went wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.diagnosis import learning
from sticktrace.diagnosis.finding import Finding
from sticktrace.diagnosis.rules import trouble as remarks
from sticktrace.diagnosis.rules.rule import Rule
from sticktrace.diagnosis.subject import KEPT, Aftermath, Subject, Unit
from sticktrace.diagnosis.volumes import Volumes
from sticktrace.session import Reading
from sticktrace.storage.sense import SenseFacts, decode
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import FAILED, INVALID, MISSING, PASSED, PHASE_ERROR, Exchange

_TROUBLE = frozenset((MISSING, INVALID, PHASE_ERROR))
_WATCH, _WATCH_AFTER_TROUBLE = 3, 64
_SLOW_NS = 1_000_000_000
_READ10, _WRITE10 = 0x28, 0x2A
_FIRST_BLOCK = b"\0\0\0\0"


class Account:
    """Feed it items in order with `see`, then `end` it. ``findings`` fills as the rules speak.

    ``reading`` gives the devices and the payload. Rules are made from the classes in ``rules``.
    """

    def __init__(self, reading: Reading, rules: tuple[type[Rule], ...]) -> None:
        self.reading = reading
        self.bus = reading.bus
        self.findings: list[Finding] = []
        self.subjects: list[Subject] = []
        self.volumes = Volumes(reading)
        self._of_device: dict[int, Subject] = {}
        self._at: dict[tuple[int, int], Subject] = {}
        self._was: dict[tuple[int, int], Subject] = {}
        self._zero: dict[int, Subject] = {}
        self._units: dict[tuple[int, int, int], Unit] = {}
        self._last_event: tuple[tuple[int, ...], Subject] | None = None
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
            unit = self._units.get((item.bus, item.address, item.lun)) or self._unit(item)
            odd = unit.watch or item.status != PASSED or item.residue or item.notes or item.stalled
            if odd or not unit.reads or not self._plainly(item, unit):
                self._closely(item, unit)
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
        """Count a healthy READ(10) or WRITE(10) as fast as can be; False for anything else."""
        cdb = item.cdb
        opcode = cdb[0] if len(cdb) >= 10 else -1
        if opcode == _READ10:
            if cdb[2:6] == _FIRST_BLOCK:
                return False
            if item.moved > unit.largest_in:
                unit.largest_in = item.moved
            unit.reads += 1
        elif opcode == _WRITE10 and unit.writes:
            if item.moved > unit.largest_out:
                unit.largest_out = item.moved
            unit.writes += 1
            unit.written, unit.written_ns = item.number, item.end_ns
        else:
            return False
        if item.expected != (cdb[7] << 8 | cdb[8]) * unit.block and unit.block and item.expected >= 0:
            unit.reads -= opcode == _READ10
            unit.writes -= opcode == _WRITE10
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
        subject.cut_short = trouble and remarks.cut_short(item)
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
        subject = self._asked(item)
        learning.request(item, subject)
        for hook in self._request:
            hook(item, subject)
        subject.last_request, subject.last_was_exchange = item, False
        if item.status is not None or item.end_ns > subject.last_ns:
            subject.last_ns = max(subject.last_ns, item.end_ns)

    def _take_event(self, item: BusEvent) -> None:
        device = item.device or self.bus.find(item.bus, item.address)
        subject = self._subject(device, item.bus, item.address)
        self._last_event = (item.records, subject)
        subject.happened(item.kind).add(item.time_ns, records=item.records)
        if item.kind == "address":
            self._zero.pop(item.bus, None)
            self._place(subject, item.bus, item.address)
        elif item.kind in ("reset", "attached"):
            self._zero[item.bus] = subject
        elif item.kind == "detached":
            subject.detached = item
            subject.last_ns = max(subject.last_ns, item.time_ns)
            self._unplace(subject)
        if subject.aftermath is not None and len(subject.aftermath.events) < KEPT:
            subject.aftermath.events.append(item)
        for hook in self._event:
            hook(item, subject)

    def _take_stray(self, item: Stray) -> None:
        subject = self._at.get((item.bus, item.address)) or self._found(item.bus, item.address)
        if item.kind == "invalid command":
            self._settle(subject, None)
            subject.aftermath = Aftermath(subject, item, None)
        elif subject.aftermath is not None and len(subject.aftermath.strays) < KEPT:
            subject.aftermath.strays.append(item)
        subject.last_ns = max(subject.last_ns, item.time_ns)
        for hook in self._stray:
            hook(item, subject)

    # -- who is meant ----------------------------------------------------------------------------------------------

    def _subject(self, device: Device | None, bus: int, address: int) -> Subject:
        if device is None:
            return self._found(bus, address)
        subject = self._of_device.get(id(device))
        if subject is None:
            nameless = self._at.get((bus, address)) if address else None
            if nameless is not None and nameless.device is None:
                nameless.device, subject = device, nameless
            else:
                subject = Subject(bus, address, device)
                self.subjects.append(subject)
            self._of_device[id(device)] = subject
        return subject

    def _found(self, bus: int, address: int) -> Subject:
        """Whoever is at an address as far as the bus room knows; a device without descriptors if nobody is."""
        key = (bus, address)
        if key not in self._at:
            device = self.bus.find(bus, address)
            if device is None and key in self._was:
                return self._was[key]  # it has just gone; what still trickles in is about it
            if device is None:
                self._at[key] = Subject(bus, address, None)
                self.subjects.append(self._at[key])
            else:
                self._at[key] = self._subject(device, bus, address)
        return self._at[key]

    def _asked(self, item: Request) -> Subject:
        """Whom a request was for. The bus room is ahead of the items by a little, so its last event counts first."""
        if item.address == 0:
            if self._last_event is not None and self._last_event[0] == item.records:
                return self._last_event[1]
            return self._zero.get(item.bus) or self._subject(self.bus.find(item.bus, 0), item.bus, 0)
        device = self.bus.find(item.bus, item.address)
        subject = self._at.get((item.bus, item.address))
        if device is not None and (subject is None or subject.device is not device):
            subject = self._subject(device, item.bus, item.address)
            self._place(subject, item.bus, item.address)
        return subject or self._found(item.bus, item.address)

    def _place(self, subject: Subject, bus: int, address: int) -> None:
        self._unplace(subject)
        subject.address = address
        self._at[bus, address] = subject
        for key in [key for key in self._units if key[:2] == (bus, address)]:
            del self._units[key]

    def _unplace(self, subject: Subject) -> None:
        for key in [key for key, who in self._at.items() if who is subject]:
            self._was[key] = self._at.pop(key)
        for unit in [key for key, unit in self._units.items() if unit.subject is subject]:
            del self._units[unit]

    def _unit(self, item: Exchange) -> Unit:
        subject = self._at.get((item.bus, item.address)) or self._found(item.bus, item.address)
        unit = subject.units.get(item.lun)
        if unit is None:
            unit = subject.units[item.lun] = Unit(subject, item.lun)
        self._units[item.bus, item.address, item.lun] = unit
        if subject.first_ns < 0:
            subject.first_ns = item.time_ns
        return unit
