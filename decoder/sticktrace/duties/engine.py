"""Shows the rules what passes by, once and in order, and counts.

An exchange like some that were judged already counts like them and is forgotten (`sticktrace.duties.alike`): its rules
are applied three times in full, and if all come to the same, the rest only raise a number. So nothing is kept for each
exchange.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.capture.join import AtOnce
from sticktrace.duties import requests as asking
from sticktrace.duties.alike import Likeness
from sticktrace.duties.catalogue import rules
from sticktrace.duties.commands import BadCommand, Command, Known, Loose, LooseUnit, Task
from sticktrace.duties.expression import Bytes, Unseen
from sticktrace.duties.learning import VOLATILE, learn
from sticktrace.duties.rule import Rule
from sticktrace.duties.score import Count, Place
from sticktrace.session import Reading
from sticktrace.sticks.learning import cut_short
from sticktrace.sticks.sticks import Sticks
from sticktrace.transport.items import INVALID, UNTOLD, Exchange, Item, Stray, StrayKind, Transport
from sticktrace.transport.remarks import LOST, Said, Why, reason

_MOST_STEPS, _MOST_KINDS = 64, 256
"""Steps between two commands, and kinds of answers or commands, that are kept: enough for any host, bounded for any
capture."""
_TICK_NS = 1_000_000
_STEPS = {
    Happening.CLASS_RESET: "class reset", Happening.RESET: "reset", Happening.CONFIGURED: "configured",
    Happening.INTERFACE: "interface", Happening.ADDRESS: "address", Happening.ATTACHED: "attached",
    Happening.DETACHED: "detached",
}  # fmt: skip


class Desk:
    """What is kept of one device: how the rules fared, what its units told, what went before."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.counts: dict[str, Count] = {}
        self.units: dict[int, Known] = {}
        self.state = Known()
        self.last: Command | None = None
        self.steps: list[str] | None = None
        self.prior: asking.Ask | None = None
        self.ports: dict[int, Known] = {}
        self.descriptors: list[tuple[str, asking.Descriptor]] = []
        self.answers: set[tuple[str, bytes]] = set()
        self.alike = Likeness()
        self.gaps = 0

    def unit(self, lun: int) -> Known:
        """What is known of a unit."""
        found = self.units.get(lun)
        if found is None:
            found = self.units[lun] = Known()
        return found

    def settled(self) -> None:
        """A request or an event is over: commands are judged in the light of it."""
        facts, device = vars(self.state), self.device
        self.alike.context = (facts.get("resets"), facts.get("configured"), facts.get("negotiated"), device.max_lun,
                              device.max_lun_result)  # fmt: skip

    def step(self, word: str) -> None:
        """Something happened to the device between two commands."""
        self.alike.calm = False
        if word in ("reset", "attached"):
            self.state.resets = vars(self.state).get("resets", 0) + 1
        if self.steps is not None and len(self.steps) < _MOST_STEPS:
            self.steps.append(word)

    def lost(self) -> None:
        """Something is missing here: what went before is not known any more."""
        self.gaps += 1
        self.alike.lose()
        self.last = self.steps = self.prior = None
        for unit in self.units.values():
            for name in ("before", *VOLATILE):
                vars(unit).pop(name, None)

    def follow(self, lun: int, sample: Command) -> None:
        """The command that went last is like this one."""
        self.last = self.unit(lun).before = sample
        self.steps = []


def _ends_wrongly(exchange: Exchange) -> bool:
    """Whether a wrong status was seen, and nothing is missing but what came of it."""
    if exchange.status is not INVALID or reason(exchange.remarks) is not Why.CAPTURE_ENDS:
        return False
    return not any(remark.kind in LOST for remark in exchange.remarks)


class Engine:
    """Feed it the items of a reading with `see`, then `end` it. ``desks`` holds what came of it, by device."""

    def __init__(self, reading: Reading, name: str) -> None:
        self.reading, self.name = reading, name
        self.sticks = Sticks(reading.read)
        self.desks: dict[Device, Desk] = {}
        self._at: dict[str, list[Rule]] = {}
        self._by_opcode: dict[tuple[str, int], list[Rule]] = {}
        for rule in rules().values():
            for at in rule.at:
                self._at.setdefault(at, []).append(rule)

    # -- what passes by --------------------------------------------------------------------------------------------

    def see(self, item: Item) -> None:
        """Take in one item."""
        desk = self.desks.get(item.device) or self._desk(item.device)
        if item.__class__ is Exchange:
            sample = desk.alike.ordinary(item)
            if sample is None:
                self._exchange(item, desk)
            else:
                desk.last = desk.unit(item.lun).before = sample
            return
        self.sticks.see(item)
        if isinstance(item, Request):
            self._request(item, desk)
        elif isinstance(item, BusEvent):
            self._event(item, desk)
        elif isinstance(item, Stray):
            self._stray(item, desk)
        desk.settled()

    def end(self) -> None:
        """The capture is over."""
        for desk in self.desks.values():
            desk.alike.settle()
            for at, found in desk.descriptors:
                found.others = self.reading.bus.devices
                self.ask(at, found, desk)
            if self.reading.reader.join_as is AtOnce or self.reading.reader.speaks or not self._whole_form():
                desk.gaps += 1

    def _whole_form(self) -> bool:
        """Whether the form has every transfer, so that what is not there did not happen."""
        return "hex" not in self.reading.reader.form

    def _desk(self, device: Device) -> Desk:
        desk = self.desks[device] = Desk(device)
        return desk

    def judge(self, at: Iterable[Rule], occasion: Any, desk: Desk) -> list[tuple[Count, bool]]:
        """Ask rules at an occasion and count what they say."""
        found = []
        for rule in at:
            verdict = rule.judge(occasion)
            if verdict is None:
                continue
            count = desk.counts.get(rule.id)
            if count is None:
                count = desk.counts[rule.id] = Count()
            count.add(verdict, Place(self.name, occasion.number, occasion.records[:8]))
            found.append((count, verdict))
        return found

    def ask(self, at: str, occasion: Any, desk: Desk) -> None:
        """The same by the name of the occasion."""
        self.judge(self._at.get(at, ()), occasion, desk)

    # -- exchanges -------------------------------------------------------------------------------------------------

    def _rules_for(self, at: str, opcode: int) -> list[Rule]:
        key = (at, opcode)
        found = self._by_opcode.get(key)
        if found is None:
            mine = [rule for rule in self._at.get(at, ()) if not rule.opcodes or opcode in rule.opcodes]
            found = self._by_opcode[key] = mine
        return found

    def _exchange(self, exchange: Exchange, desk: Desk) -> None:
        if exchange.told:
            self.sticks.exchange(exchange)
            return
        if any(remark.kind is Said.MISSING_BEFORE for remark in exchange.remarks):
            desk.lost()
        key = desk.alike.key(exchange, self.reading.read, desk.steps)
        sample = desk.alike.seen(key, exchange)
        if sample is not None:
            desk.follow(exchange.lun, sample)
            return
        self.sticks.exchange(exchange)
        device, unit = exchange.device, desk.unit(exchange.lun)
        max_lun = 0 if device.max_lun_result == "stall" else device.max_lun
        command = Command(exchange, self.reading.read, unit, desk.last, desk.steps, max_lun, desk.state)
        verdicts = self._sent(command, desk)
        if exchange.status is UNTOLD or (cut_short(exchange) and not _ends_wrongly(exchange)):
            if reason(exchange.remarks) is not Why.CAPTURE_ENDS:
                desk.lost()
            desk.alike.lose()
            desk.last = desk.steps = None
            return
        verdicts += self._done(command, desk)
        desk.alike.judged(key, command, verdicts, learn(unit, command))
        self._note_halts(command, desk)
        command.forget()
        desk.follow(exchange.lun, command)

    def _sent(self, command: Command, desk: Desk) -> list[tuple[Count, bool]]:
        """What the host sent, which is known though the end may not be."""
        found = self.judge(self._rules_for("block", command.opcode), command, desk)
        if command.bot:
            found += self.judge(self._rules_for("cbw", command.opcode), command, desk)
        return found

    def _done(self, command: Command, desk: Desk) -> list[tuple[Count, bool]]:
        at = {Transport.BOT: "command", Transport.UAS: "uas", Transport.CBI: "cbi"}[command.exchange.transport]
        found = self.judge(self._rules_for(at, command.opcode), command, desk)
        return found + self.judge(self._rules_for("scsi", command.opcode), command, desk)

    @staticmethod
    def _note_halts(command: Command, desk: Desk) -> None:
        """Which pipes a STALL left halted (USB 2.0 9.4.5), by their endpoints."""
        if not command.stalled or not command.bot:
            return
        pipes = next(iter(desk.device.storage_interfaces()), None)
        if pipes is None or pipes.bulk_in is None or pipes.bulk_out is None:
            return
        incoming = "status" in command.stalled or ("data" in command.stalled and command.direction == "in")
        halted = pipes.bulk_in if incoming else pipes.bulk_out
        desk.state.halted = frozenset((*vars(desk.state).get("halted", ()), halted))

    def _stray(self, stray: Stray, desk: Desk) -> None:
        if stray.kind is StrayKind.REST:
            desk.lost()
            return
        if stray.kind is StrayKind.INVALID_COMMAND and stray.remark.kind in (Said.WRAPPER_SIZE, Said.WRAPPER_SIGNATURE):
            stalls = stray.remark.numbers[0]
            size = stray.piece.actual
            bad = BadCommand(stray.remark.kind.value, size, stray.records, stalls, desk.last)
            self.ask("bad command", bad, desk)
        elif stray.kind is StrayKind.DATA and stray.remark.kind is Said.STRAY_BYTES and stray.piece.actual:
            self.ask("stray", Loose(stray.records, not stray.endpoint & 0x80), desk)
        elif stray.remark.kind is Said.TASK:
            iu = Bytes(self.reading.read(stray.piece), stray.piece.actual)
            self.ask("task", Task(iu, stray.remark.numbers, stray.records), desk)
        elif stray.remark.kind in (Said.NO_COMMAND_UNIT, Said.STATUS_PIPE_BYTES) and stray.piece.actual:
            self.ask("loose unit", LooseUnit(stray.records, stray.remark.kind is Said.NO_COMMAND_UNIT), desk)
        desk.step(f"stray {stray.kind}")

    # -- requests and events ---------------------------------------------------------------------------------------

    def _event(self, event: BusEvent, desk: Desk) -> None:
        if event.kind is Happening.CLEAR_HALT:
            word = "clear in" if event.endpoint & 0x80 else "clear out"
        else:
            word = _STEPS.get(event.kind, "")
        if word:
            desk.step(word if event.done else f"{word} refused")

    def _request(self, request: Request, desk: Desk) -> None:
        if request.result == "not seen" or len(request.setup) != 8:
            if request.status is None and request.end_ns < self.reading.reader.last_ns:
                desk.lost()
            desk.prior = None
            return
        reader = self.reading.reader
        timed = reader.timed and reader.tick_ns <= _TICK_NS
        ask = asking.Ask(request, self.reading.read(request.data), desk.state, desk.prior, timed)
        ask.others = self.reading.bus.devices
        self.ask("request", ask, desk)
        if ask.done and ask.what == asking.DESCRIPTOR:
            self._descriptor(ask, desk)
        elif ask.what[0] in (0x23, 0xA3, 0xA0):
            self._hub(ask, desk)
        self._remember(ask, desk)
        desk.prior = ask

    def _remember(self, ask: asking.Ask, desk: Desk) -> None:
        """What a request teaches about the device for those behind it."""
        state = desk.state
        if not ask.done:
            if ask.what == asking.DESCRIPTOR and ask.refused:
                state.refused = frozenset((*vars(state).get("refused", ()), ask.type))
            return
        if ask.what == asking.DESCRIPTOR:
            texts = vars(state).setdefault("texts", {})
            key = (ask.value, ask.index)
            if key in texts or len(texts) < _MOST_KINDS:
                texts[key] = max(texts.get(key, b""), ask.data.raw, key=len)
        if ask.of_class and ask.code in (0xFC, 0xFD):
            state.negotiated = True
        if ask.what == (0x00, 0x05):
            state.configured, state.negotiated = 0, False
        elif ask.what == (0x00, 0x09):
            state.configured, state.chosen = ask.value, {}
        elif ask.what == (0x01, 0x0B):
            state.chosen = {**vars(state).get("chosen", {}), ask.index: ask.value}
        elif ask.what == (0x02, 0x01):
            state.cleared = ask.index
            for name in ("halted", "kept_halted"):
                setattr(state, name, frozenset(vars(state).get(name, ())) - {ask.index})
        elif ask.what == (0x21, 0xFF):
            state.kept_halted = vars(state).get("halted", frozenset())
        elif ask.what == (0x00, 0x30):
            state.exit_latency = True

    def _descriptor(self, ask: asking.Ask, desk: Desk) -> None:
        data = ask.data
        at = {1: "device descriptor", 3: "string", 6: "qualifier", 15: "bos"}.get(ask.type, "")
        if len(data.raw) >= 2 and data.raw[1] != ask.type:
            return
        if ask.type == 2 and len(data.raw) >= 9 and len(data.raw) >= int.from_bytes(data.raw[2:4], "little"):
            if self._new("configuration", data.raw, desk):
                total = int.from_bytes(data.raw[2:4], "little")
                desk.descriptors += asking.inside(ask, data.raw[:total])
        elif at and self._new(f"{at} {ask.value & 0xFF}", data.raw, desk):
            desk.descriptors.append((at, asking.Descriptor(ask, Bytes(data.raw, data.size))))

    @staticmethod
    def _new(at: str, raw: bytes, desk: Desk) -> bool:
        """Whether an answer is one not judged before."""
        key = (at, raw)
        if key in desk.answers or len(desk.answers) > _MOST_KINDS:
            return False
        desk.answers.add(key)
        return True

    def _hub(self, ask: asking.Ask, desk: Desk) -> None:
        if ask.what == (0xA0, 0x06) and ask.done:
            if self._new("hub descriptor", ask.data.raw, desk):
                desk.descriptors.append(("hub descriptor", asking.Descriptor(ask, Bytes(ask.data.raw, ask.data.size))))
            return
        port = desk.ports.setdefault(ask.index & 0xFF, Known())
        if ask.what == (0xA3, 0x00) and ask.done and not (desk.device.as_hub and desk.device.as_hub.superspeed):
            try:
                found = asking.PortStatus(ask, port)
            except Unseen:
                return
            self.ask("port status", found, desk)
            port.was, port.asked = (found.status, found.change), []
            if not found.status & 0x10:
                vars(port).pop("reset_ns", None)
            if found.change & 4:
                vars(port).pop("resume_ns", None)
        elif ask.what in ((0x23, 0x03), (0x23, 0x01)) and ask.done:
            verb = "set" if ask.code == 3 else "clear"
            asked = vars(port).setdefault("asked", [])
            if len(asked) < _MOST_STEPS:
                asked.append((verb, ask.value))
            if (verb, ask.value) == ("set", 4):
                port.reset_ns = ask.request_.time_ns
            elif (verb, ask.value) == ("clear", 2):
                port.resume_ns = ask.request_.time_ns
