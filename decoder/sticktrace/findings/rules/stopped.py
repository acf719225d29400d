"""Hosts that stop: what the last thing was that a device got, and why a host might end there.

A capture that ends at once cannot tell a host that stopped from a recording that was cut, so the finding is then a
risk and says so; with later traffic in the capture and silence towards the device it is a fault.
"""

from __future__ import annotations

from sticktrace.findings.finding import QUIET_NS, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.learning import REQUEST_SENSE, ask_kind
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.storage.sense import in_words
from sticktrace.text import time_in_words
from sticktrace.transport.items import FAILED, Exchange

LAYER = "class start-up"

MAX_LUN_FATAL = by_slug("max-lun-stall-fatal")
STRING_FATAL = by_slug("string-failure-fatal")
INTERFACE_FATAL = by_slug("set-interface-stall-fatal")
OPTIONAL_DESCRIPTOR_FATAL = by_slug("optional-descriptor-fatal")
ATTENTION_FATAL = by_slug("unit-attention-fatal")
STARTING_FATAL = by_slug("gave-up-while-starting")
START_NEEDED = by_slug("start-unit-needed")
OPTIONAL_FATAL = by_slug("optional-command-fatal")

ILLEGAL, NOT_READY, UNIT_ATTENTION = 0x5, 0x2, 0x6
_REQUESTS = {
    "max lun": MAX_LUN_FATAL, "string": STRING_FATAL, "interface": INTERFACE_FATAL,
    "BOS descriptor": OPTIONAL_DESCRIPTOR_FATAL, "device qualifier": OPTIONAL_DESCRIPTOR_FATAL,
}  # fmt: skip
OPTIONAL = frozenset((0x00, 0x1A, 0x1B, 0x1E, 0x23, 0x35, 0x5A, 0x9E, 0xA0, 0xA3, 0x4A, 0x46, 0x51))
"""Commands that a host can do without, or replace by another."""


class Stopped(Rule):
    """Looks at the last thing that each storage device got."""

    layer = LAYER
    patterns = (
        MAX_LUN_FATAL, STRING_FATAL, INTERFACE_FATAL, OPTIONAL_DESCRIPTOR_FATAL, ATTENTION_FATAL, STARTING_FATAL,
        START_NEEDED, OPTIONAL_FATAL,
    )  # fmt: skip

    def begin(self) -> None:
        self.last: dict[int, tuple[Exchange, int]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        stick = unit.stick
        if exchange.opcode != REQUEST_SENSE:
            self.last[id(stick)] = (exchange, stick.exchanges)
        elif id(stick) in self.last and self.last[id(stick)][1] == stick.exchanges - 1:
            self.last[id(stick)] = (self.last[id(stick)][0], stick.exchanges)

    def end(self) -> None:
        for stick in self.scene.sticks:
            if stick.is_hub or stick.detached is not None:
                continue
            if stick.last_was_exchange:
                self._after_exchange(stick)
            elif stick.last_request is not None:
                self._after_request(stick)

    def _after_request(self, stick: Stick) -> None:
        request = stick.last_request
        if request is None or request.done or request.result == "not seen":
            return
        pattern = _REQUESTS.get(ask_kind(request))
        if pattern is None or stick.exchanges or (stick.known and not stick.is_storage):
            return
        text, severity = self._ending(stick, f"{request.text} was the last that the device got")
        self.report(pattern, text, stick, records=request.records, time_ns=request.time_ns, severity=severity,
                    ends=True)  # fmt: skip

    def _after_exchange(self, stick: Stick) -> None:
        exchange, count = self.last.get(id(stick), (None, 0))
        if exchange is None or count != stick.exchanges or exchange.status != FAILED or exchange.sense is None:
            return
        unit = stick.units.get(exchange.lun)
        pattern = self._pattern(exchange, unit) if unit else None
        if pattern is None:
            return
        sense = in_words(*exchange.sense[:3])
        what = f"{exchange.command} failed with {sense}, the host read it and stopped"
        text, severity = self._ending(stick, what)
        self.report(pattern, text, stick, exchanges=(exchange.number, exchange.sense.exchange or exchange.number),
                    records=exchange.records, time_ns=exchange.time_ns, severity=severity,
                    commands=(exchange.command,), ends=True)  # fmt: skip

    def _pattern(self, exchange: Exchange, unit: Unit) -> Pattern | None:
        assert exchange.sense is not None
        key, asc, ascq = exchange.sense[:3]
        if unit.ready_ns >= 0 and key != ILLEGAL:
            return None
        if key == UNIT_ATTENTION:
            return ATTENTION_FATAL
        if key == NOT_READY and asc == 0x04:
            return START_NEEDED if ascq == 0x02 and not unit.start_asked else STARTING_FATAL
        if key == ILLEGAL and exchange.opcode in OPTIONAL and not unit.reads and not unit.stick.begun_before:
            return OPTIONAL_FATAL
        return None

    def _ending(self, stick: Stick, what: str) -> tuple[str, str]:
        quiet = self.scene.quiet_ns(stick)
        if quiet >= QUIET_NS:
            return f"{what}; the capture goes on for {time_in_words(quiet)} without a word to it", ""
        return f"{what}, and the capture ends there; if the host ended there too, this is why", RISK


RULES = (Stopped,)
