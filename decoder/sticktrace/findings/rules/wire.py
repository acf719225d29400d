"""What only packets show: attempts without an answer, toggles, damage, NAK, a bus that sleeps (USB 2.0 chapters 7, 8).

Most of it mends itself on the next attempt, so that no host capture ever tells of it; it is the reason why a stick is
slow, or fails on one cable and not on another.
"""

from __future__ import annotations

from sticktrace.capture.packets.under_way import STRIKES
from sticktrace.codes import pids
from sticktrace.findings.finding import NOTE, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.damage import Damage, damage
from sticktrace.findings.rules.rule import Rule
from sticktrace.findings.rules.seen_on_wire import Kinds, Seen, by_stick
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import FAILED, PASSED, Exchange

LAYER = "wire"

NO_RESPONSE = by_slug("token-not-answered")
NOT_ACKNOWLEDGED = by_slug("data-not-acknowledged")
THREE_STRIKES = by_slug("three-attempts-failed")
TOGGLE = by_slug("data-toggle-wrong")
REPEATED = by_slug("data-repeated")
OUT_PACKETS = by_slug("out-packets-corrupted")
TOO_LONG = by_slug("packet-too-long")
DAMAGED = by_slug("packets-damaged")
NAK_STORM = by_slug("nak-storm")
ASLEEP = by_slug("bus-asleep")
NO_FRAMES = by_slug("frames-missing")
LATE = by_slug("answer-too-late")
OLD_ADDRESS = by_slug("answers-at-old-address")

_MOST_SPANS = 1_000
"""Remarkable exchanges whose records are kept, as evidence for what happened in them."""

_STORM, _STORM_NS = 1_000, 50_000_000
"""NAK is told of from so many answers and so much time on: fewer cost nobody anything."""
_LONG_NS = 1_000_000_000
"""Hosts give up on a NAK after one second at the earliest (common practice)."""
_FEW = 2
"""So many repeats or lost answers happen on good cables now and then (common practice)."""


class OnTheWire(Rule):
    """Sorts what was seen by stick when the capture is over, and tells of each kind."""

    layer = LAYER
    patterns = (
        NO_RESPONSE, NOT_ACKNOWLEDGED, THREE_STRIKES, TOGGLE, REPEATED, OUT_PACKETS, TOO_LONG, DAMAGED, NAK_STORM,
        ASLEEP, NO_FRAMES, LATE, OLD_ADDRESS,
    )  # fmt: skip

    def begin(self) -> None:
        self.spans: dict[Stick, list[tuple[int, int, int]]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.wire is None or not exchange.records or (exchange.wire.plain and exchange.status is PASSED):
            return
        spans = self.spans.setdefault(unit.stick, [])
        if len(spans) < _MOST_SPANS:
            spans.append((exchange.records[0], exchange.records[-1], exchange.number))

    def end(self) -> None:
        for one in self.scene.sticks:
            self._naks(one)
        events = self.scene.wire_events
        lossy = events.lossy
        for stick, kinds in by_stick(events, self.scene.sticks):
            self._silence(stick, kinds)
            self._damage(stick, kinds)
            if stick is not None:
                if (stick.bus, pids.ACK) in events.heard:  # else the recorder leaves answers out
                    self._attempts(stick, kinds)
                    self._toggles(stick, kinds, lossy)
                self._manners(stick, kinds, lossy)

    def _tell(
        self,
        pattern: Pattern,
        stick: Stick | None,
        seen: Seen,
        text: str,
        severity: str = "",
        ends: bool = False,
        cause: str = "",
    ) -> None:
        spans = self.spans.get(stick, []) if stick is not None else []
        found = (number for event in seen.events for first, last, number in spans if first <= event.record <= last)
        self.report(pattern, text, stick, exchanges=dict.fromkeys(found), records=seen.records, time_ns=seen.time_ns,
                    severity=severity, ends=ends, cause=cause)  # fmt: skip

    # -- attempts --------------------------------------------------------------------------------------------------

    def _attempts(self, stick: Stick, kinds: Kinds) -> None:
        strikes, silent, unheard = kinds["three strikes"], kinds["no answer"], kinds["no handshake"]
        if strikes.count:
            over = not _went_on(stick, strikes.events[-1].time_ns)
            why, cause = _why(strikes, kinds)
            text = (
                f"{strikes.times('transfer')} given up after {STRIKES} failed attempts in a row{why}, {strikes.where}"
            )
            text += "; nothing worked after it" if over else "; the device answered again later"
            self._tell(THREE_STRIKES, stick, strikes, text, "" if over else RISK, ends=over, cause=cause)
        for pattern, seen, what in ((NO_RESPONSE, silent, "token"), (NOT_ACKNOWLEDGED, unheard, "data packet")):
            mended = _mended(seen, strikes)
            if mended:
                text = f"{count_of(mended, what)} without an answer, and another attempt made good; {seen.where}"
                no_nak = (stick.bus, pids.NAK) not in self.scene.wire_events.heard
                text += "; the recording holds no NAK, which may be what was answered" if no_nak else ""
                self._tell(pattern, stick, seen, text, "" if mended > _FEW and not no_nak else NOTE)

    def _toggles(self, stick: Stick, kinds: Kinds, lossy: bool) -> None:
        first, stuck, again = kinds["first toggle"], kinds["toggle"], kinds["repeat"]
        words = (
            [f"{first.times('time')} DATA1 where DATA0 was due, after the toggle was set back"] if first.count else []
        )
        if stuck.count:
            words.append(f"{stuck.times('time')} new data under the toggle of the data before")
        if words:
            both = kinds.total("first toggle", "toggle")
            doubt = "; the recording lacks packets elsewhere, and may lack some here" if lossy else ""
            self._tell(TOGGLE, stick, both, f"{'; '.join(words)}; {both.where}{doubt}", NOTE if lossy else "")
        if again.count:
            text = f"{again.times('data packet')} sent again although acknowledged, and discarded; {again.where}"
            self._tell(REPEATED, stick, again, text, "" if again.count > _FEW else NOTE)
        changed = kinds["changed after NAK"]
        if changed.count:
            text = f"{changed.times('time')} other data or another toggle came where data refused with NAK was due; "
            self._tell(OUT_PACKETS, stick, changed, text + changed.where, NOTE if lossy else "")

    def _manners(self, stick: Stick, kinds: Kinds, lossy: bool) -> None:
        """What the device, or the host, does against the rules."""
        long, old = kinds["babble"], kinds["old address"]
        if long.count:
            event = long.events[0]
            text = f"{long.times('packet')} too long, the first of {event.size} bytes; {long.where}"
            self._tell(
                TOO_LONG, stick, long, text, "" if long.count > _FEW or not _went_on(stick, event.time_ns) else RISK
            )
        if old.count:
            value = old.events[0].value
            text = f"{old.times('setup packet')} to address 0 answered after address {value} had been given, "
            second = any(_spoke(one, value, old.time_ns) for one in self.scene.sticks)
            text += f"and no reset in between; {old.where}"
            text += f"; address {value} went on as well, so it is a second device" if second else ""
            self._tell(OLD_ADDRESS, stick, old, text, NOTE if second else "")
        for kind, whose in (("late answer", "the device answers"), ("late handshake", "the host acknowledges")):
            seen = kinds[kind]
            if seen.count:
                worst = time_in_words(max(event.value for event in seen.events))
                text = f"{whose} too late {seen.times('time')}, {worst} after the packet before at worst; {seen.where}"
                self._tell(LATE, stick, seen, text, NOTE if lossy else "")

    # -- the bus ---------------------------------------------------------------------------------------------------

    def _damage(self, stick: Stick | None, kinds: Kinds) -> None:
        found: Damage | None = damage(kinds)
        if found is not None:
            severity = NOTE if found.recorder or found.count <= _FEW else ""
            self._tell(DAMAGED, stick, found.seen, found.words, severity)

    def _silence(self, stick: Stick | None, kinds: Kinds) -> None:
        asleep, at_work, missing = kinds["suspend"], kinds["silent at work"], kinds["frames missing"]
        if at_work.count:
            worst = time_in_words(max(event.value for event in at_work.events))
            text = f"{at_work.times('time')} no packet on the bus for up to {worst} while a transfer was under way; "
            self._tell(ASLEEP, stick, at_work, f"{text}inferred: suspend; {at_work.where}", RISK)
        elif asleep.count and not self.scene.wire_events.total("silent at work"):
            longest = time_in_words(max(event.value for event in asleep.events))
            text = f"{asleep.times('time')} no packet for up to {longest}, and the devices kept their addresses: "
            self._tell(ASLEEP, stick, asleep, f"{text}inferred: suspend and resume; {asleep.where}")
        if missing.count:
            gone = sum(event.value for event in missing.events)
            text = f"{count_of(gone, 'frame number')} left out while other packets went on; {missing.where}"
            self._tell(NO_FRAMES, stick, missing, text)

    def _naks(self, stick: Stick) -> None:
        wire = stick.wire
        if wire is None or wire.naks < _STORM or wire.nak_ns < max(_STORM_NS, wire.whole_ns // 2):
            return
        share, long = 100 * wire.nak_ns // wire.whole_ns, wire.longest_ns >= _LONG_NS
        text = f"NAK {wire.naks:,} times, {wire.naks // wire.commands:,} a command: {time_in_words(wire.nak_ns)}, "
        text += (
            f"{share} % of the time in commands; longest in exchange {wire.longest}: {time_in_words(wire.longest_ns)}"
        )
        self.report(NAK_STORM, text, stick, exchanges=(wire.longest,), severity=RISK if long else "")


_REASONS = {
    "no answer": ("nobody answered", ""),
    "no handshake in": ("the host did not acknowledge the data", "the host's receiver finds the data damaged, or its "
                        "controller is in trouble"),
    "no handshake out": ("the device did not acknowledge the data", ""),
    "crc16": ("the data was damaged", "signals so poor that three attempts fail in a row"),
    "split error": ("the hub reported errors on the slower bus", "the device behind the hub, or its cable"),
}  # fmt: skip
"""What the attempts failed of, in words, and the likeliest cause where that is another than the pattern's."""


def _why(strikes: Seen, kinds: Kinds) -> tuple[str, str]:
    """What most attempts failed of on the endpoint that was given up most often, and its cause."""
    endpoint = strikes.pipes.most_common(1)[0][0]
    way = "in" if endpoint & 0x80 else "out"
    found = {name: kinds[name.removesuffix(f" {way}")].pipes[endpoint] for name in _REASONS}
    reason = max(found, key=lambda name: found[name])
    words, cause = _REASONS[reason]
    return (f" ({words})", cause) if found[reason] else ("", "")


def _mended(seen: Seen, strikes: Seen) -> int:
    """How many attempts failed without ending a transfer."""
    return sum(max(0, count - STRIKES * strikes.pipes[endpoint]) for endpoint, count in seen.pipes.items())


def _went_on(stick: Stick, time_ns: int) -> bool:
    """Whether the device did anything right after that."""
    last = stick.last_request
    if last is not None and last.done and last.time_ns > time_ns:
        return True
    items = (unit.last for unit in stick.units.values())
    return any(x is not None and x.time_ns > time_ns and x.status in (PASSED, FAILED) for x in items)


def _spoke(stick: Stick, address: int, time_ns: int) -> bool:
    """Whether a device was heard at that address after that."""
    last = stick.last_request
    asked = last is not None and last.done and last.address == address and last.time_ns > time_ns
    items = (unit.last for unit in stick.units.values())
    return asked or any(x is not None and x.address == address and x.time_ns > time_ns for x in items)


RULES = (OnTheWire,)
