"""Before and during enumeration: nothing there, no answer at address 0, no address (USB 2.0 chapter 9)."""

from __future__ import annotations

from sticktrace.bus.requests import Request
from sticktrace.findings.finding import HOST, QUIET_NS, RISK
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.learning import ask_kind
from sticktrace.sticks.subject import Subject
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
        subjects = self.account.subjects
        if any(not s.is_hub and (s.exchanges or s.asks or s.events) for s in subjects):
            return
        hubs = [s for s in subjects if s.device and s.device.as_hub and s.device.as_hub.ports]
        ports = [p for s in hubs if s.device and s.device.as_hub for p in s.device.as_hub.ports.values() if p.history]
        # A connection change without a connection: something was there and has gone (Table 11-22).
        if not ports or any((state.status | state.change) & 1 for p in ports for state in p.history):
            return
        records = [n for p in ports for n in p.history[0].records]
        asked, span = sum(s.ask("hub").done.count for s in hubs), self.account.end_ns
        text = f"{count_of(len(ports), 'port')} asked over {time_in_words(span)}, none with a connection"
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

    def request(self, request: Request, subject: Subject) -> None:
        if request.result == "not seen":
            return
        kind = ask_kind(request)
        key = id(subject)
        if kind == "device descriptor":
            if request.done:
                self.worked.setdefault(key, request.requested)
            elif key not in self.worked:
                tally = self.first.setdefault(key, {}).setdefault(request.requested, Tally())
                tally.add(request.time_ns, records=request.records)
        deaf = request.address and not request.done and request.result != "stall" and subject.ask("address").done
        if deaf and not subject.ask("configuration").done:
            self.deaf.setdefault(key, Tally()).add(request.time_ns, records=request.records)

    def end(self) -> None:
        for subject in self.account.subjects:
            if subject.is_hub and subject.ask("hub").done:
                continue
            self._first(subject)
            self._address(subject)

    def _first(self, subject: Subject) -> None:
        failed = self.first.get(id(subject), {})
        if not failed:
            return
        total = sum(t.count for t in failed.values())
        tally = next(iter(failed.values()))
        gap = _gap(subject, "reset")
        told = f"; the first came {time_in_words(gap)} after the reset" if gap >= 0 else ""
        worked = self.worked.get(id(subject))
        if worked is not None:
            text = f"{count_of(total, 'read')} of the device descriptor failed before one of {worked} bytes "
            text += f"worked{told}"
            other = worked not in failed
            self.report(FIRST_LENGTH_UPSETS if other else FIRST_ANSWER_RETRIED, text, subject, tally)
        elif not subject.ask("address").done:
            self._never(subject, total, tally, told)

    def _never(self, subject: Subject, total: int, tally: Tally, told: str) -> None:
        quiet = self.account.quiet_ns(subject)
        resets = subject.happened("reset").count
        text = f"{count_of(total, 'read')} of the device descriptor at address 0, none answered{told}"
        if total == 1 and resets <= 1:
            if quiet >= QUIET_NS:
                text = f"one read of the device descriptor failed, then nothing for {time_in_words(quiet)}{told}"
                self.report(HOST_NEVER_RETRIED, text, subject, tally)
            else:
                self.report(FIRST_NO_ANSWER, text + "; the capture ends here", subject, tally, severity=RISK)
            return
        self.report(FIRST_NO_ANSWER, text, subject, tally)

    def _address(self, subject: Subject) -> None:
        asks = subject.ask("address")
        if asks.failed and not asks.done:
            text = f"SET_ADDRESS failed {count_of(asks.failed.count, 'time')}, with {_resets(subject)}; it never worked"
            ended = asks.failed.count == 1 and self.account.quiet_ns(subject) < QUIET_NS
            self.report(ADDRESS_REFUSED, text, subject, asks.failed, severity=RISK if ended else "")
        deaf = self.deaf.get(id(subject))
        if deaf is None or (id(subject) in self.worked and subject.ask("configuration descriptor").done):
            return
        gap = _gap(subject, "address")
        told = f"the first request came {time_in_words(gap)} after SET_ADDRESS" if gap >= 0 else "the gap is not seen"
        text = f"{count_of(deaf.count, 'request')} to the new address without an answer; {told}"
        self.report(DEAF_AFTER_ADDRESS, text, subject, deaf, side=HOST if 0 <= gap < 2_000_000 else "")


def _resets(subject: Subject) -> str:
    return count_of(subject.happened("reset").count, "port reset")


def _gap(subject: Subject, kind: str) -> int:
    """The shortest wait of a kind, -1 if none was seen."""
    gaps = [g.length_ns for g in subject.device.gaps if g.kind == kind] if subject.device else []
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
        for subject in self.account.subjects:
            device = subject.device
            if device is None or device.superspeed:
                continue
            for kind, least, pattern, what, words in self._LIMITS:
                short = [g for g in device.gaps if g.kind == kind and 0 <= g.length_ns < least]
                if short:
                    worst = min(short, key=lambda g: g.length_ns)
                    text = f"{time_in_words(worst.length_ns)} {what}, {words} are due"
                    self.report(pattern, text, subject, records=worst.records, time_ns=worst.start_ns)
        self._flaps()

    def _flaps(self) -> None:
        places: dict[tuple[int, int, int], list[Subject]] = {}
        for subject in self.account.subjects:
            device = subject.device
            if device is not None and device.hub is not None and device.attached_ns >= 0:
                places.setdefault((device.bus, id(device.hub), device.port), []).append(subject)
        for (_, _, port), subjects in places.items():
            brief = [s for s in subjects if s.device and 0 <= s.device.detached_ns - s.device.attached_ns < 500_000_000]
            if len(brief) >= 2 and not any(s.happened("over-current") for s in brief):
                text = f"port {port}: {count_of(len(brief), 'connection')} of less than 500 ms each"
                times = [n for s in brief for n in s.happened("attached").records]
                first = brief[0].device
                self.report(CONNECTION_FLAPS, text, brief[0], records=times, time_ns=first.attached_ns if first else 0)


RULES = (Nothing, FirstWords, Waits)
