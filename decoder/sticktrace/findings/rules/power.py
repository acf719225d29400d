"""Power and wiring: budget, over-current, drop-outs, unplugging (USB 2.0 7.2, 11.11, 11.12)."""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.devices import BusEvent
from sticktrace.bus.hubs import CONNECTION, Port
from sticktrace.bus.requests import Request
from sticktrace.codes.usb_requests import PORT_POWER
from sticktrace.findings.finding import BACK_FEEDING, FAULT, HOST_CAPTURE, NOTE, POWER, RISK, UNKNOWN, Pattern
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import PerSubject, Rule
from sticktrace.sticks.learning import WRITES
from sticktrace.sticks.subject import Aftermath, Subject
from sticktrace.sticks.tally import Tally
from sticktrace.storage.commands import name
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.exchange import MISSING, Exchange

LAYER = "power"
_POWER_BIT = 0x100
_SOON_NS = 3_000_000_000
_MOST_LOST = 200

OVER_CURRENT = Pattern(
    "over-current", FAULT, "A port reports over-current", "USB 2.0 11.12.5, Table 11-21",
    "The hub saw more current than it allows and cut the port, or all ports.",
    ("stick and hub together ask for more than the supply gives", "inrush at plugging in beyond what the port stands",
     "a short in plug, cable or stick"),
    "Use a self-powered hub or a stronger 5 V supply; look at the plug for damage.", POWER, ("F03",), HOST_CAPTURE,
    caution=BACK_FEEDING,
)  # fmt: skip

OVER_BUDGET = Pattern(
    "power-over-budget", RISK, "The stick asks for more current than its port gives", "USB 2.0 7.2.1, Table 7-7",
    "bMaxPower is above the budget of a bus-powered hub's port (one unit load, 100 mA). A careful host does not "
    "configure such a device; a careless one risks brown-outs.",
    ("a stick of several unit loads behind a bus-powered hub",),
    "Plug the stick into the board itself, or use a self-powered hub.", POWER, ("F04",), HOST_CAPTURE,
    caution=BACK_FEEDING,
)  # fmt: skip

NOT_CONFIGURED = Pattern(
    "not-configured-for-power", FAULT, "The host refuses the stick for its bMaxPower", "USB 2.0 7.2.1, 9.2.5.1",
    "The whole configuration was read, bMaxPower is above the port's budget, and the host never sends "
    "SET_CONFIGURATION.",
    ("the power budget of the port or hub",), "Plug the stick into the board itself, or use a self-powered hub.",
    POWER, ("F04",), HOST_CAPTURE, caution=BACK_FEEDING,
)  # fmt: skip

BROWN_OUT = Pattern(
    "brown-out", FAULT, "The device drops off the bus in use and comes back as new", "USB 2.0 7.2.2, common practice",
    "Transfers fail, the device disconnects, and a moment later it is there again and must be enumerated anew. After a "
    "write this is nearly always the supply: writing takes the most current.",
    ("the supply dips under the current of the stick", "a loose plug", "the stick's firmware crashed"),
    "Feed the stick from a stronger supply with a capacitor of 120 µF or more at the socket; shorten the cable.",
    POWER, ("F05",), HOST_CAPTURE, caution=BACK_FEEDING,
)  # fmt: skip

GONE_IN_USE = Pattern(
    "gone-in-use", FAULT, "The device disappears in the middle of a command", "USB 2.0 11.24.2.7.1",
    "A command was under way when the port reported the disconnection, or transfers ended with \"device gone\".",
    ("it was pulled out", "a loose plug or cable", "the supply collapsed"),
    "If nobody pulled it out, look at plug, cable and supply.", POWER, ("F05", "F25"), HOST_CAPTURE,
    caution=BACK_FEEDING,
)  # fmt: skip

BACK_FED = Pattern(
    "back-fed-port", RISK, "A port without power reports a connection", "USB 2.0 11.24.2.7.1, common practice",
    "wPortStatus shows a connection while the port's power is off: current comes from the other side.",
    ("a powered hub or device feeds 5 V back through VBUS", "the hub cannot really switch its ports"),
    "Use a hub that does not feed back, or power everything together.", POWER, ("F02", "F27"), HOST_CAPTURE,
    caution=BACK_FEEDING,
)  # fmt: skip

FALSE_SWITCHING = Pattern(
    "port-power-not-switched", NOTE, "A port stays powered although it was switched off", "USB 2.0 11.11",
    "After CLEAR_FEATURE(PORT_POWER) the port still reports power or a connection: the hub claims switching that it "
    "does not have, or switches all ports together.",
    ("ganged or missing power switches",), "Do not rely on port power to restart a stick; unplug it.", POWER,
    ("F27",), HOST_CAPTURE, workaround="do not power-cycle ports of this hub",
)  # fmt: skip


class Budget(Rule):
    """bMaxPower against what the hub's port may give."""

    layer = LAYER
    patterns = (OVER_BUDGET, NOT_CONFIGURED)

    def end(self) -> None:
        for subject in self.account.subjects:
            device = subject.device
            if device is None or device.hub is None or device.superspeed:
                continue
            for configuration in device.configurations.values():
                asked, budget = configuration.max_power_ma(False), _budget(device.hub)
                if configuration.complete and budget and asked > budget:
                    self._judge(subject, asked, budget)

    def _judge(self, subject: Subject, asked: int, budget: int) -> None:
        done = subject.ask("configuration")
        text = f"bMaxPower is {asked} mA, the port of a bus-powered hub gives {budget} mA"
        refused = not done.done and not done.failed and self.account.quiet_ns(subject) >= 1_000_000_000
        pattern = NOT_CONFIGURED if refused else OVER_BUDGET
        if refused:
            text += "; SET_CONFIGURATION never came"
        self.report(pattern, text, subject, subject.ask("configuration descriptor").done)


def _budget(hub: Device) -> int:
    """mA for each port of a bus-powered external hub, 0 for a hub with a supply of its own or one not known."""
    configuration = hub.current()
    if hub.hub is None or configuration is None or configuration.self_powered:
        return 0
    return 100


class OverCurrent(PerSubject):
    """Over-current reports."""

    layer = LAYER
    patterns = (OVER_CURRENT,)

    def begin(self) -> None:
        self.where: dict[int, str] = {}

    def event(self, event: BusEvent, subject: Subject) -> None:
        if event.kind == "over-current":
            self.tally(OVER_CURRENT, subject).add(event.time_ns, records=event.records)
            self.where[id(subject)] = event.text

    def words(self, pattern: Pattern, subject: Subject, tally: Tally) -> str:
        return f"{self.where[id(subject)]}, {count_of(tally.count, 'report')}"


class Ports(Rule):
    """Ports whose power and connection do not fit."""

    layer = LAYER
    patterns = (BACK_FED, FALSE_SWITCHING)

    def begin(self) -> None:
        self.off: dict[tuple[int, int], int] = {}

    def request(self, request: Request, subject: Subject) -> None:
        if (request.request_type, request.value) == (0x23, PORT_POWER) and request.done:
            key = (id(subject), request.index & 0xFF)
            if request.request == 1:
                self.off[key] = request.end_ns
            else:
                self.off.pop(key, None)
        elif (request.request_type, request.request) == (0xA3, 0) and request.done and self.off:
            self._after_off(request, subject)

    def _after_off(self, request: Request, subject: Subject) -> None:
        since = self.off.get((id(subject), request.index & 0xFF), -1)
        if since < 0 or request.end_ns - since < 50_000_000 or request.data.captured < 4:
            return
        status = int.from_bytes(self.account.reading.read(request.data)[:2], "little")
        if status & (_POWER_BIT | CONNECTION):
            del self.off[id(subject), request.index & 0xFF]
            text = f"port {request.index & 0xFF} reports status {status:04X}h {time_in_words(request.end_ns - since)} "
            self.report(FALSE_SWITCHING, text + "after it was switched off", subject, records=request.records)

    def end(self) -> None:
        for subject in self.account.subjects:
            hub = subject.device.as_hub if subject.device else None
            if hub is None or hub.superspeed:
                continue
            for port in hub.ports.values():
                self._back_fed(port, subject)

    def _back_fed(self, port: Port, subject: Subject) -> None:
        odd = [s for s in port.history if s.status & CONNECTION and not s.status & _POWER_BIT]
        if odd:
            text = f"port {port.number} reports status {odd[0].status:04X}h: connected, not powered"
            self.report(BACK_FED, text, subject, records=odd[0].records, time_ns=odd[0].time_ns)


class DropOuts(Rule):
    """Devices that go away in mid-command, and whether they come back."""

    layer = LAYER
    patterns = (BROWN_OUT, GONE_IN_USE)

    def begin(self) -> None:
        self.lost: dict[int, tuple[Subject, Exchange]] = {}

    def aftermath(self, aftermath: Aftermath) -> None:
        trouble = aftermath.trouble
        if not isinstance(trouble, Exchange) or trouble.status != MISSING:
            return
        if len(self.lost) < _MOST_LOST and _gone(aftermath):
            self.lost.setdefault(id(aftermath.subject), (aftermath.subject, trouble))

    def end(self) -> None:
        for subject, exchange in self.lost.values():
            if not subject.happened("over-current"):  # else that is the reason, and told by its own rule
                self._tell(subject, exchange)

    def _tell(self, subject: Subject, exchange: Exchange) -> None:
        detached = subject.detached.time_ns if subject.detached else subject.last_ns
        records = subject.detached.records if subject.detached else exchange.records
        written = _wrote_just_before(subject, exchange)
        text = f"exchange {exchange.number} ({name(exchange.cdb)}) was under way"
        if written and exchange.opcode not in WRITES:
            text += f", soon after {count_of(written, 'write')},"
        text += " when the device went"
        back = self._return(subject, detached)
        pattern, side = GONE_IN_USE, ""
        if back is not None:
            text += f"; it was back {time_in_words(max(0, back.happened('attached').first_ns - detached))} later"
            pattern, side = BROWN_OUT, POWER if exchange.opcode in WRITES or written else UNKNOWN
        self.report(pattern, text, subject, exchanges=(exchange.number,), records=records, time_ns=exchange.time_ns,
                    side=side)  # fmt: skip

    def _return(self, subject: Subject, since: int) -> Subject | None:
        """The device that appears in the same place soon after; the same one, as far as can be told."""
        for other in self.account.subjects:
            if other is subject or other.device is None or subject.device is None:
                continue
            same = other.device.earlier is subject.device or other.ids == subject.ids != ""
            start = other.happened("attached").first_ns
            if same and 0 <= start - since <= _SOON_NS:
                return other
        return None


def _gone(aftermath: Aftermath) -> bool:
    """Whether the device left while the command was open: a disconnection follows at once."""
    trouble, detached = aftermath.trouble, next((e for e in aftermath.events if e.kind == "detached"), None)
    if not isinstance(trouble, Exchange):
        return False
    if remarks.has(trouble, "unplugged", "gone with") or remarks.statuses(trouble) & remarks.GONE:
        return True
    return detached is not None and detached.time_ns - trouble.end_ns < _SOON_NS


def _wrote_just_before(subject: Subject, exchange: Exchange) -> int:
    """How many writes the device took before, if the last of them ended within a second of the trouble."""
    units = [u for u in subject.units.values() if u.written_ns >= 0 and exchange.time_ns - u.written_ns < 1_000_000_000]
    return sum(u.writes for u in units)


RULES = (Budget, OverCurrent, Ports, DropOuts)
