"""Power and wiring: budget, over-current, drop-outs, unplugging (USB 2.0 7.2, 11.11, 11.12)."""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.hubs import CONNECTION, Port
from sticktrace.bus.requests import Request
from sticktrace.codes.usb_requests import PORT_POWER
from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.finding import POWER, UNKNOWN, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.sticks.learning import WRITES
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import MISSING, Exchange

LAYER = "power"
_POWER_BIT = 0x100
_MOST_LOST = 200

OVER_CURRENT = by_slug("over-current")
OVER_BUDGET = by_slug("power-over-budget")
NOT_CONFIGURED = by_slug("not-configured-for-power")
BROWN_OUT = by_slug("brown-out")
GONE_IN_USE = by_slug("gone-in-use")
BACK_FED = by_slug("back-fed-port")
FALSE_SWITCHING = by_slug("port-power-not-switched")


class Budget(Rule):
    """bMaxPower against what the hub's port may give."""

    layer = LAYER
    patterns = (OVER_BUDGET, NOT_CONFIGURED)

    def end(self) -> None:
        for stick in self.scene.sticks:
            device = stick.device
            if device.hub is None or device.superspeed:
                continue
            for configuration in device.configurations.values():
                asked, budget = configuration.max_power_ma(False), _budget(device.hub)
                if configuration.complete and budget and asked > budget:
                    self._judge(stick, asked, budget)

    def _judge(self, stick: Stick, asked: int, budget: int) -> None:
        done = stick.ask("configuration")
        text = f"bMaxPower is {asked} mA, the port of a bus-powered hub gives {budget} mA"
        refused = not done.done and not done.failed and self.scene.quiet_ns(stick) >= 1_000_000_000
        pattern = NOT_CONFIGURED if refused else OVER_BUDGET
        if refused:
            text += "; SET_CONFIGURATION never came"
        self.report(pattern, text, stick, stick.ask("configuration descriptor").done)


def _budget(hub: Device) -> int:
    """mA for each port of a bus-powered external hub, 0 for a hub with a supply of its own or one not known."""
    configuration = hub.current()
    if hub.hub is None or configuration is None or configuration.self_powered:
        return 0
    return 100


class OverCurrent(PerStick):
    """Over-current reports."""

    layer = LAYER
    patterns = (OVER_CURRENT,)

    def begin(self) -> None:
        self.where: dict[int, str] = {}

    def event(self, event: BusEvent, stick: Stick) -> None:
        if event.kind is Happening.OVER_CURRENT:
            self.tally(OVER_CURRENT, stick).add(event.time_ns, records=event.records)
            self.where[id(stick)] = event.text

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        return f"{self.where[id(stick)]}, {count_of(tally.count, 'report')}"


class Ports(Rule):
    """Ports whose power and connection do not fit."""

    layer = LAYER
    patterns = (BACK_FED, FALSE_SWITCHING)

    def begin(self) -> None:
        self.off: dict[tuple[int, int], int] = {}

    def request(self, request: Request, stick: Stick) -> None:
        if (request.request_type, request.value) == (0x23, PORT_POWER) and request.done:
            key = (id(stick), request.index & 0xFF)
            if request.request == 1:
                self.off[key] = request.end_ns
            else:
                self.off.pop(key, None)
        elif (request.request_type, request.request) == (0xA3, 0) and request.done and self.off:
            self._after_off(request, stick)

    def _after_off(self, request: Request, stick: Stick) -> None:
        since = self.off.get((id(stick), request.index & 0xFF), -1)
        if since < 0 or request.end_ns - since < 50_000_000 or request.data.captured < 4:
            return
        status = int.from_bytes(self.scene.bytes_of(request)[:2], "little")
        if status & (_POWER_BIT | CONNECTION):
            del self.off[id(stick), request.index & 0xFF]
            text = f"port {request.index & 0xFF} reports status {status:04X}h {time_in_words(request.end_ns - since)} "
            self.report(FALSE_SWITCHING, text + "after it was switched off", stick, records=request.records)

    def end(self) -> None:
        for stick in self.scene.sticks:
            hub = stick.device.as_hub
            if hub is None or hub.superspeed:
                continue
            for port in hub.ports.values():
                self._back_fed(port, stick)

    def _back_fed(self, port: Port, stick: Stick) -> None:
        odd = [s for s in port.history if s.status & CONNECTION and not s.status & _POWER_BIT]
        if odd:
            text = f"port {port.number} reports status {odd[0].status:04X}h: connected, not powered"
            self.report(BACK_FED, text, stick, records=odd[0].records, time_ns=odd[0].time_ns)


_CAUSE_WITH_HUB = "the hub above it went: its plug, its cable or its supply"


class DropOuts(Rule):
    """Devices that go away in mid-command, and whether they come back."""

    layer = LAYER
    patterns = (BROWN_OUT, GONE_IN_USE)

    def begin(self) -> None:
        self.lost: dict[int, tuple[Stick, Exchange]] = {}

    def aftermath(self, aftermath: Aftermath) -> None:
        trouble = aftermath.trouble
        if not isinstance(trouble, Exchange) or trouble.status != MISSING:
            return
        if len(self.lost) < _MOST_LOST and remarks.went_away(aftermath):
            self.lost.setdefault(id(aftermath.stick), (aftermath.stick, trouble))

    def end(self) -> None:
        for stick, exchange in self.lost.values():
            if not stick.happened(Happening.OVER_CURRENT):  # else that is the reason, and told by its own rule
                self._tell(stick, exchange)

    def _tell(self, stick: Stick, exchange: Exchange) -> None:
        detached = stick.detached.time_ns if stick.detached else stick.last_ns
        records = stick.detached.records if stick.detached else exchange.records
        written = _wrote_just_before(stick, exchange)
        text = f"exchange {exchange.number} ({exchange.command}) was under way"
        if written and exchange.opcode not in WRITES:
            text += f", soon after {count_of(written, 'write')},"
        hub = stick.device.hub
        with_hub = hub is not None and 0 <= hub.detached_ns == stick.device.detached_ns
        text += " when the device went" + (f" with {hub.title}, behind which it hung" if hub and with_hub else "")
        cause = _CAUSE_WITH_HUB if with_hub else ""
        back = self._return(stick, detached)
        pattern, side = GONE_IN_USE, ""
        if back is not None:
            away_ns = max(0, back.happened(Happening.ATTACHED).first_ns - detached)
            text += f"; it was back {time_in_words(away_ns)} later"
            pattern, side = BROWN_OUT, POWER if exchange.opcode in WRITES or written else UNKNOWN
        self.report(pattern, text, stick, exchanges=(exchange.number,), records=records, time_ns=exchange.time_ns,
                    side=side, cause=cause)  # fmt: skip

    def _return(self, stick: Stick, since: int) -> Stick | None:
        """The device that appears in the same place soon after; the same one, as far as can be told."""
        for other in self.scene.sticks:
            if other is stick:
                continue
            same = other.device.earlier is stick.device or other.ids == stick.ids != ""
            start = other.happened(Happening.ATTACHED).first_ns
            if same and 0 <= start - since <= remarks.SOON_NS:
                return other
        return None


def _wrote_just_before(stick: Stick, exchange: Exchange) -> int:
    """How many writes the device took before, if the last of them ended within a second of the trouble."""
    units = [u for u in stick.units.values() if u.written_ns >= 0 and exchange.time_ns - u.written_ns < 1_000_000_000]
    return sum(u.writes for u in units)


RULES = (Budget, OverCurrent, Ports, DropOuts)
