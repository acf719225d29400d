"""What a rule may ask, and who shows the rules what passes by.

A healthy READ or WRITE is counted (in `Unit`) and forgotten. An exchange is shown to the rules when anything about it
is out of the ordinary, when it is of another kind, when it is the first of its kind, and for a few exchanges after
trouble, since what a host does next matters as much as what went wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.bus.events import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.capture.packets.events import WireEvents
from sticktrace.findings.aftermath import KEPT, Aftermath
from sticktrace.findings.blames import Blames
from sticktrace.findings.finding import Finding
from sticktrace.findings.rules.rule import Rule
from sticktrace.session import Reading
from sticktrace.sticks.learning import ACCESSES, BROKEN, READS, WRITES
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.storage.sense import SenseFacts, decode
from sticktrace.transport.items import FAILED, PASSED, Exchange, Item, Saying, Stray, StrayKind
from sticktrace.transport.remarks import Remark, Said
from sticktrace.transport.run import Run
from sticktrace.volume.division import Volume
from sticktrace.volume.findings import Fact
from sticktrace.volume.ledger import Ledger
from sticktrace.volume.medium import Medium

_WATCH, _WATCH_AFTER_TROUBLE = 3, 64
_SLOW_NS = 1_000_000_000
_TEN, _SIXTEEN = frozenset((0x28, 0x2A)), frozenset((0x88, 0x8A))
_BLOCK_0 = frozenset((bytes(4), bytes(8)))


class Watch:
    """How closely a unit is looked at: ``left`` exchanges still to be shown, and the remark that every READ and WRITE
    of this host draws (bCBWCBLength), with how many drew it unseen."""

    __slots__ = ("habit", "habits", "left")

    def __init__(self) -> None:
        self.left = self.habits = 0
        self.habit: tuple[Remark, ...] = ()


class Scene:
    """Feed it items in order with `see`, then `end` it. ``findings`` fills as the rules speak. Rules are made from the
    classes in ``rules``."""

    def __init__(self, reading: Reading, rules: tuple[type[Rule], ...], *, labels: bool = True) -> None:
        self.ledger = Ledger(reading, labels=labels)
        self.bus = reading.bus
        self.findings: list[Finding] = []
        self.layers = {pattern.slug: rule.layer for rule in rules for pattern in rule.patterns}
        self.after: dict[Stick, Aftermath] = {}
        self.blames = Blames()
        self._reading = reading
        self._watch: dict[Unit, Watch] = {}
        self.rules = [rule(self) for rule in rules]
        self._exchange = self._hooks("exchange")
        self._request, self._event = self._hooks("request"), self._hooks("event")
        self._stray, self._aftermath = self._hooks("stray"), self._hooks("aftermath")
        self._saying, self._heard = self._hooks("saying"), self._hooks("exchange", heard=True)

    def _hooks(self, name: str, *, heard: bool = False) -> list[Callable[..., None]]:
        rules = [rule for rule in self.rules if rule.hears or not heard]
        return [getattr(rule, name) for rule in rules if getattr(type(rule), name) is not getattr(Rule, name)]

    # -- what a rule may ask -------------------------------------------------------------------------------------

    @property
    def sticks(self) -> list[Stick]:
        """Every device in order of appearance."""
        return self.ledger.sticks.all

    @property
    def end_ns(self) -> int:
        """Time of the last record."""
        return self._reading.reader.last_ns

    @property
    def unread(self) -> str:
        """Lines of a text that look like storage traffic and were not understood, in words; "" for none."""
        return self._reading.reader.unread.words or self.wire_events.left_out

    @property
    def wire_events(self) -> WireEvents:
        """What a recording of packets shows beyond transfers; empty for a capture of a host."""
        return self._reading.reader.wire_events

    @property
    def logs(self) -> list[str]:
        """How each log beside the capture stands to it, in words."""
        return self._reading.logs

    @property
    def link_types(self) -> set[int]:
        """The link types of the capture by number, none for text."""
        return self._reading.reader.link_types

    @property
    def tick_ns(self) -> int:
        """How finely the capture tells times; far beyond any wait where it tells none."""
        return self._reading.reader.tick_ns

    def quiet_ns(self, stick: Stick) -> int:
        """How long the capture goes on after the last that was seen of a stick."""
        return max(0, self.end_ns - stick.last_ns) if stick.last_ns >= 0 else 0

    def habits(self, stick: Stick) -> int:
        """How many exchanges of a stick drew the remark that is the host's habit, without being shown to the rules."""
        return sum(self._watch[unit].habits for unit in stick.units.values() if unit in self._watch)

    def data(self, exchange: Exchange, limit: int = 4096) -> bytes:
        """The captured data of an exchange up to a limit; b"" when the first transfer is not whole."""
        found = b""
        for piece in exchange.pieces:
            found += self._reading.read(piece._replace(captured=min(piece.captured, limit - len(found))))
            if piece.captured < piece.actual or len(found) >= limit:
                break
        return found

    def bytes_of(self, request: Request) -> bytes:
        """The captured data of a control request."""
        return self._reading.read(request.data)

    def look_at(self, unit: Unit, exchanges: int) -> None:
        """Show the rules the next exchanges of a unit, however plain they are."""
        watch = self._watch[unit]
        watch.left = max(watch.left, exchanges)

    def sense(self, exchange: Exchange) -> SenseFacts | None:
        """The sense data of an exchange in full, None where there is none or it is too short."""
        if exchange.sense is None:
            return None
        at = exchange.sense.at
        return decode(self._reading.read(at._replace(captured=min(at.captured, 64))))

    def media(self, unit: Unit) -> list[Medium]:
        """The media that a unit had, in order of time."""
        return self.ledger.media(unit)

    def volumes(self, unit: Unit) -> list[Volume]:
        """The volumes on them."""
        return [volume for medium in self.media(unit) for volume in medium.volumes]

    def volume_facts(self) -> Iterator[tuple[Unit, Fact]]:
        """Integrity facts of the media, each with its unit."""
        return self.ledger.facts()

    # -- what passes by ------------------------------------------------------------------------------------------

    def see(self, item: Item) -> Stick:
        """Take in one item of the reading; returns whose it is."""
        if item.__class__ is Exchange:
            return self._take_exchange(item)
        stick = self.ledger.see(item)
        if isinstance(item, Request):
            for hook in self._request:
                hook(item, stick)
        elif isinstance(item, BusEvent):
            self._take_event(item, stick)
        elif isinstance(item, Stray):
            self._take_stray(item, stick)
        elif isinstance(item, Saying):
            self._take_saying(item, stick)
        return stick

    def see_run(self, run: Run) -> list[str]:
        """Take in a run of exchanges; returns what the blocks of each are for."""
        labels: list[str] = []
        if not self._take_run(run, labels):
            for item in run:
                self._take_exchange(item)
                labels.append(self.ledger.label)
        return labels

    def _take_run(self, run: Run, labels: list[str]) -> bool:
        """Count a run in which nothing is to be shown to the rules; returns whether that was so."""
        unit = self.ledger.sticks.known_unit(run)
        watch = self._watch.get(unit) if unit is not None else None
        if unit is None or watch is None or watch.left or unit.stick in self.after:
            return False
        if not all_plainly(run, unit) or self.ledger.run(run, labels) is None:
            return False
        unit.last = run.exchange(len(run) - 1)
        return True

    def end(self) -> None:
        """The capture is over: let the rules conclude."""
        for stick in list(self.after):
            self._settle(stick, None)
        for rule in self.rules:
            rule.end()

    def _take_exchange(self, item: Exchange) -> Stick:
        unit = self.ledger.exchange(item)
        stick = unit.stick
        watch = self._watch.get(unit) or self._watch.setdefault(unit, Watch())
        if item.told:
            for hook in self._heard:
                hook(item, unit)
            unit.last = item
            return stick
        if stick in self.after:
            self._settle(stick, item)
        remarks = item.remarks
        plain = item.status is PASSED and not item.residue and not item.stalled and not watch.left
        plain = plain and (item.wire is None or item.wire.plain)
        plain = plain and item.end_ns - item.time_ns <= _SLOW_NS
        if plain and (not remarks or remarks == watch.habit) and _plainly(item, unit):
            watch.habits += bool(remarks)
        else:
            self._closely(item, unit, watch)
        unit.last = item
        return stick

    def _closely(self, item: Exchange, unit: Unit, watch: Watch) -> None:
        trouble = item.status in BROKEN
        wanted = _WATCH_AFTER_TROUBLE if trouble else _WATCH if item.status is FAILED else 0
        watch.left = max(watch.left - 1, wanted)
        if len(item.remarks) == 1 and item.remarks[0].kind is Said.BLOCK_LENGTH_ODD and item.opcode in ACCESSES:
            watch.habit = item.remarks
        for hook in self._exchange:
            hook(item, unit)
        if trouble:
            self.after[unit.stick] = Aftermath(unit.stick, item, unit)

    def _settle(self, stick: Stick, following: Exchange | None) -> None:
        aftermath = self.after.pop(stick, None)
        if aftermath is None:
            return
        if following is not None and _lacks_before(following):
            following = None  # what came next, and what the host did about it, is not in the recording
        aftermath.next = following
        for hook in self._aftermath:
            hook(aftermath)

    def _take_event(self, item: BusEvent, stick: Stick) -> None:
        aftermath = self.after.get(stick)
        if aftermath is not None and len(aftermath.events) < KEPT:
            aftermath.events.append(item)
        for hook in self._event:
            hook(item, stick)

    def _take_saying(self, item: Saying, stick: Stick) -> None:
        if item.blames is not None:
            self.blames.add(item)
        if not item.shown:
            for hook in self._saying:
                hook(item, stick)

    def _take_stray(self, item: Stray, stick: Stick) -> None:
        aftermath = self.after.get(stick)
        if item.kind is StrayKind.INVALID_COMMAND:
            self._settle(stick, None)
            self.after[stick] = Aftermath(stick, item, None)
        elif aftermath is not None and len(aftermath.strays) < KEPT:
            aftermath.strays.append(item)
        for hook in self._stray:
            hook(item, stick)


def _lacks_before(item: Exchange) -> bool:
    return any(remark.kind is Said.MISSING_BEFORE for remark in item.remarks)


def all_plainly(run: Run, unit: Unit) -> bool:
    """Whether `_plainly` holds of every exchange of a run that the unit has not taken in yet, and none was slow."""
    import numpy as np

    columns, opcodes = run.columns, run.opcodes
    if (columns.end_ns - columns.time_ns).max() > _SLOW_NS or not np.isin(opcodes, list(_TEN)).all():
        return False
    block = columns.wide[:, 15:]
    blocks = block[:, 7].astype(np.int64) << 8 | block[:, 8]
    if not unit.reads or (not unit.writes and not (opcodes == 0x28).all()):
        return False  # the first of its kind
    fits = (columns.expected == blocks * unit.block) | (unit.block == 0)
    return bool((block[:, 2:6].any(axis=1) & fits).all())


def _plainly(item: Exchange, unit: Unit) -> bool:
    """Whether it is a READ or WRITE (10) or (16), away from block 0, of the length that its wrapper announces."""
    cdb = item.cdb
    opcode = cdb[0] if len(cdb) >= 10 else -1
    if opcode in _TEN:
        blocks, first = cdb[7] << 8 | cdb[8], cdb[2:6]
    elif opcode in _SIXTEEN and len(cdb) == 16:
        blocks, first = int.from_bytes(cdb[10:14], "big"), cdb[2:10]
    else:
        return False
    if unit.reads <= (opcode in READS) or (unit.writes == 1 and opcode in WRITES):
        return False  # the first of its kind
    return first not in _BLOCK_0 and (not unit.block or item.expected < 0 or item.expected == blocks * unit.block)
