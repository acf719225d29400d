"""Hubs in between: not driven, too deep, splits, resets in a hurry (USB 2.0 chapter 11)."""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.findings.finding import FAULT, RISK
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.subject import Aftermath, Subject
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.exchange import Exchange

LAYER = "hub"

NOT_DRIVEN = by_slug("hub-not-driven")
SPLIT_MISSING = by_slug("split-transactions-missing")
RESET_RUSHED = by_slug("hub-reset-rushed")
UNNOTICED = by_slug("disconnect-unnoticed")
TIERS = by_slug("hubs-in-series")
TWO_AT_ZERO = by_slug("two-devices-at-address-0")


class Hubs(Rule):
    """Judges hubs, and devices by the hubs that they hang behind, when the capture is over."""

    layer = LAYER
    patterns = (NOT_DRIVEN, SPLIT_MISSING, TIERS)

    def end(self) -> None:
        for subject in self.account.subjects:
            device = subject.device
            if device is None:
                continue
            configured = subject.ask("configuration").done
            if subject.is_hub and configured and not subject.ask("hub").done and subject.ask("address").done:
                quiet = self.account.quiet_ns(subject)
                text = f"the hub got a configuration and no hub request in {time_in_words(quiet)}"
                self.report(NOT_DRIVEN, text, subject, configured, severity="" if quiet > 1_000_000_000 else RISK)
            self._behind(subject, device)

    def _behind(self, subject: Subject, device: Device) -> None:
        tiers = _tiers(device)
        if tiers > 1 and subject.is_storage:
            text = f"{count_of(tiers, 'external hub')} between host and stick"
            severity = FAULT if tiers > 5 else ""
            self.report(TIERS, text, subject, subject.happened("attached"), severity=severity)
        hub = device.hub
        if hub is None or hub.hub is None or hub.speed != "high" or device.speed not in ("full", "low"):
            return
        failed = sum(a.failed.count for a in subject.asks.values())
        if failed >= 2 and not any(a.done for a in subject.asks.values()):
            text = f"{count_of(failed, 'request')} to a {device.speed}-speed device, none answered"
            tally = next(a.failed for a in subject.asks.values() if a.failed)
            self.report(SPLIT_MISSING, text, subject, tally, severity=FAULT)


def _tiers(device: Device) -> int:
    """External hubs between a device and its root hub."""
    count, at = 0, device.hub
    while at is not None and at.hub is not None and count < 10:
        count, at = count + 1, at.hub
    return count


class Resets(Rule):
    """Port resets as they pass."""

    layer = LAYER
    patterns = (RESET_RUSHED, TWO_AT_ZERO)

    def begin(self) -> None:
        self.pending: dict[int, tuple[Subject, bool]] = {}
        self.told: set[int] = set()

    def request(self, request: Request, subject: Subject) -> None:
        if request.address:
            return
        if request.bus in self.pending and self.pending[request.bus][0] is subject:
            self.pending[request.bus] = (subject, request.done)
        resets = subject.device.resets if subject.device else []
        if resets and resets[-1].end_ns < 0 and resets[-1].time_ns < request.time_ns and id(subject) not in self.told:
            self.told.add(id(subject))
            gap = time_in_words(request.time_ns - resets[-1].time_ns)
            text = f"a request to address 0 came {gap} after the reset began, its end was not awaited"
            self.report(RESET_RUSHED, text, subject, records=request.records, time_ns=request.time_ns)

    def event(self, event: BusEvent, subject: Subject) -> None:
        if event.kind in ("address", "detached"):
            if event.bus in self.pending and self.pending[event.bus][0] is subject:
                del self.pending[event.bus]
        elif event.kind == "reset" and event.done and subject.device is not None and subject.device.hub is not None:
            other = self.pending.get(event.bus)
            if other is not None and other[0] is not subject and other[1]:
                self._two(event, other[0], subject)
            self.pending[event.bus] = (subject, False)

    def _two(self, event: BusEvent, first: Subject, second: Subject) -> None:
        if first.device is None or second.device is None or not first.device.present:
            return
        text = f"port {second.device.port} was reset while the device on port {first.device.port} had no address yet"
        self.report(TWO_AT_ZERO, text, second, records=event.records, time_ns=event.time_ns)


class Unnoticed(Rule):
    """Failures in a row behind a hub that the host does not look into."""

    layer = LAYER
    patterns = (UNNOTICED,)

    def begin(self) -> None:
        self.row: dict[int, list[int]] = {}

    def aftermath(self, aftermath: Aftermath) -> None:
        subject, trouble = aftermath.subject, aftermath.trouble
        device, number = subject.device, aftermath.number
        if device is None or device.hub is None:
            return
        if not isinstance(trouble, Exchange) or not remarks.statuses(trouble) & (remarks.BUS_ERROR | remarks.TIMED_OUT):
            return
        row = self.row.setdefault(id(subject), [])
        if aftermath.events:
            row.clear()
        row.append(number)
        if len(row) == 3:
            text = f"exchanges {row[0]}, {row[1]} and {row[2]} failed in a row and nobody asked the hub"
            self.report(UNNOTICED, text, subject, exchanges=row, time_ns=trouble.time_ns)

    def request(self, request: Request, subject: Subject) -> None:
        if (request.request_type, request.request) == (0xA3, 0):
            self.row.clear()


RULES = (Hubs, Resets, Unnoticed)
