"""Before and during enumeration: nothing there, no answer at address 0, no address (USB 2.0 chapter 9)."""

from __future__ import annotations

from sticktrace.bus.events import Happening
from sticktrace.bus.hubs import CONNECTION, OVER_CURRENT
from sticktrace.bus.requests import Request
from sticktrace.findings.finding import HOST, QUIET_NS, RISK
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule
from sticktrace.findings.rules.trouble import BABBLE
from sticktrace.sticks.learning import ask_kind
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.text import count_of, time_in_words

LAYER = "enumeration"
_LONG_NS = 1_000_000_000
"""Ports that were asked for less than this may just not have a connection yet."""

NOTHING_ATTACHED = by_slug("nothing-attached")
FIRST_NO_ANSWER = by_slug("first-descriptor-no-answer")
FIRST_ANSWER_RETRIED = by_slug("first-descriptor-retried")
HOST_NEVER_RETRIED = by_slug("host-never-retried")
ADDRESS_REFUSED = by_slug("address-refused")
DEAF_AFTER_ADDRESS = by_slug("deaf-after-address")
ADDRESS_RECOVERY_SHORT = by_slug("address-recovery-short")
RESET_RECOVERY_SHORT = by_slug("reset-recovery-short")
DEBOUNCE_SHORT = by_slug("debounce-short")
CONNECTION_FLAPS = by_slug("connection-flaps")
FIRST_LENGTH_UPSETS = by_slug("first-request-length")


class Nothing(Rule):
    """No connection on any port."""

    layer = LAYER
    patterns = (NOTHING_ATTACHED,)

    def end(self) -> None:
        sticks = self.scene.sticks
        if any(not s.is_hub and (s.exchanges or s.asks or s.events) for s in sticks):
            return
        hubs = [s for s in sticks if s.device.as_hub and s.device.as_hub.ports]
        ports = [p for s in hubs if s.device.as_hub for p in s.device.as_hub.ports.values() if p.history]
        # A connection change without a connection: something was there and has gone (Table 11-22). A port that the hub
        # has switched off for over-current shows none either.
        shown = CONNECTION | OVER_CURRENT
        if not ports or any((state.status | state.change) & shown for p in ports for state in p.history):
            return
        records = [n for p in ports for n in p.history[0].records]
        asked, span = sum(s.ask("hub").done.count for s in hubs), self.scene.end_ns
        over = f"over {time_in_words(span)}, " if span else ""
        text = f"{count_of(len(ports), 'port')} asked {over}none with a connection"
        sure = asked >= 3 and span >= _LONG_NS
        text += "" if sure else "; the capture is too short to be sure"
        self.report(NOTHING_ATTACHED, text, hubs[0], records=records, severity="" if sure else RISK)


class FirstWords(Rule):
    """Requests at address 0, and the first after SET_ADDRESS."""

    layer = LAYER
    patterns = (
        FIRST_NO_ANSWER, FIRST_ANSWER_RETRIED, HOST_NEVER_RETRIED, ADDRESS_REFUSED, DEAF_AFTER_ADDRESS,
        FIRST_LENGTH_UPSETS,
    )  # fmt: skip

    def begin(self) -> None:
        self.first: dict[int, dict[int, Tally]] = {}
        self.worked: dict[int, int] = {}
        self.deaf: dict[int, Tally] = {}

    def request(self, request: Request, stick: Stick) -> None:
        if request.result == "not seen":
            return
        kind = ask_kind(request)
        key = id(stick)
        if kind == "device descriptor":
            if request.done:
                self.worked.setdefault(key, request.requested)
            elif key not in self.worked and request.status != BABBLE:
                tally = self.first.setdefault(key, {}).setdefault(request.requested, Tally())
                tally.add(request.time_ns, records=request.records)
        deaf = request.address and not request.done and request.result != "stall" and stick.ask("address").done
        if deaf and not stick.ask("configuration").done:
            self.deaf.setdefault(key, Tally()).add(request.time_ns, records=request.records)

    def end(self) -> None:
        for stick in self.scene.sticks:
            if stick.by_hearsay or (stick.is_hub and stick.ask("hub").done):
                continue
            self._first(stick)
            self._address(stick)

    def _first(self, stick: Stick) -> None:
        failed = self.first.get(id(stick), {})
        if not failed:
            return
        total = sum(t.count for t in failed.values())
        tally = next(iter(failed.values()))
        gap = _gap(stick, "reset")
        told = f"; the first came {time_in_words(gap)} after the reset" if gap >= 0 else ""
        worked = self.worked.get(id(stick))
        if worked is not None:
            text = f"{count_of(total, 'read')} of the device descriptor failed before one of {worked} bytes "
            text += f"worked{told}"
            other = worked not in failed
            self.report(FIRST_LENGTH_UPSETS if other else FIRST_ANSWER_RETRIED, text, stick, tally)
        elif not stick.ask("address").done:
            self._never(stick, total, tally, told)

    def _never(self, stick: Stick, total: int, tally: Tally, told: str) -> None:
        quiet = self.scene.quiet_ns(stick)
        resets = stick.happened(Happening.RESET).count
        text = f"{count_of(total, 'read')} of the device descriptor at address 0, none answered{told}"
        if total == 1 and resets <= 1:
            if quiet >= QUIET_NS:
                text = f"one read of the device descriptor failed, then nothing for {time_in_words(quiet)}{told}"
                self.report(HOST_NEVER_RETRIED, text, stick, tally)
            else:
                self.report(FIRST_NO_ANSWER, text + "; the capture ends here", stick, tally, severity=RISK, ends=True)
            return
        self.report(FIRST_NO_ANSWER, text, stick, tally)

    def _address(self, stick: Stick) -> None:
        asks = stick.ask("address")
        if asks.failed and not asks.done:
            text = f"SET_ADDRESS failed {count_of(asks.failed.count, 'time')}, with {_resets(stick)}; it never worked"
            ended = asks.failed.count == 1 and self.scene.quiet_ns(stick) < QUIET_NS
            self.report(ADDRESS_REFUSED, text, stick, asks.failed, severity=RISK if ended else "",
                        ends=True)  # fmt: skip
        deaf = self.deaf.get(id(stick))
        if deaf is None or (id(stick) in self.worked and stick.ask("configuration descriptor").done):
            return
        gap = _gap(stick, "address")
        told = f"the first request came {time_in_words(gap)} after SET_ADDRESS" if gap >= 0 else "the gap is not seen"
        text = f"{count_of(deaf.count, 'request')} to the new address without an answer; {told}"
        self.report(DEAF_AFTER_ADDRESS, text, stick, deaf, side=HOST if 0 <= gap < 2_000_000 else "")


def _resets(stick: Stick) -> str:
    return count_of(stick.happened(Happening.RESET).count, "port reset")


def _gap(stick: Stick, kind: str) -> int:
    """The shortest wait of a kind, -1 if none was seen."""
    gaps = [g.length_ns for g in stick.device.gaps if g.kind == kind]
    return min(gaps, default=-1)


class Waits(Rule):
    """Waits that the standard limits from below, and connections that do not last."""

    layer = LAYER
    patterns = (ADDRESS_RECOVERY_SHORT, RESET_RECOVERY_SHORT, DEBOUNCE_SHORT, CONNECTION_FLAPS)

    _LIMITS = (
        ("address", 2_000_000, ADDRESS_RECOVERY_SHORT, "after SET_ADDRESS", "2 ms"),
        ("reset", 10_000_000, RESET_RECOVERY_SHORT, "after the reset was seen to end", "10 ms"),
        ("attach", 100_000_000, DEBOUNCE_SHORT, "after the connection was reported", "100 ms"),
    )

    def end(self) -> None:
        tick = self.scene.tick_ns  # times of a console may be whole seconds, or not printed at all
        for stick in self.scene.sticks:
            device = stick.device
            if device.superspeed:
                continue
            for kind, least, pattern, what, words in self._LIMITS:
                short = [g for g in device.gaps if g.kind == kind and 0 <= g.length_ns < least - tick]
                if short:
                    worst = min(short, key=lambda g: g.length_ns)
                    text = f"{time_in_words(worst.length_ns)} {what}, {words} are due"
                    self.report(pattern, text, stick, records=worst.records, time_ns=worst.start_ns)
        self._flaps()

    def _flaps(self) -> None:
        places: dict[tuple[int, int, int], list[Stick]] = {}
        for stick in self.scene.sticks:
            device = stick.device
            if device.hub is not None and device.attached_ns >= 0:
                places.setdefault((device.bus, id(device.hub), device.port), []).append(stick)
        for (_, _, port), sticks in places.items():
            brief = [s for s in sticks if 0 <= s.device.detached_ns - s.device.attached_ns < 500_000_000]
            if len(brief) >= 2 and not any(s.happened(Happening.OVER_CURRENT) for s in brief):
                text = f"port {port}: {count_of(len(brief), 'connection')} of less than 500 ms each"
                times = [n for s in brief for n in s.happened(Happening.ATTACHED).records]
                first = brief[0].device
                self.report(CONNECTION_FLAPS, text, brief[0], records=times, time_ns=first.attached_ns if first else 0)


RULES = (Nothing, FirstWords, Waits)
