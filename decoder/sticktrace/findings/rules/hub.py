"""Hubs in between: not driven, too deep, splits, resets in a hurry (USB 2.0 chapter 11)."""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.finding import FAULT, RISK
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.stick import Stick
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import Exchange

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
        for stick in self.scene.sticks:
            device = stick.device
            configured = stick.ask("configuration").done
            if stick.is_hub and configured and not stick.ask("hub").done and stick.ask("address").done:
                quiet = self.scene.quiet_ns(stick)
                text = f"the hub got a configuration and no hub request in {time_in_words(quiet)}"
                self.report(NOT_DRIVEN, text, stick, configured, severity="" if quiet > 1_000_000_000 else RISK)
            self._behind(stick, device)

    def _behind(self, stick: Stick, device: Device) -> None:
        tiers = _tiers(device)
        if tiers > 1 and stick.is_storage:
            text = f"{count_of(tiers, 'external hub')} between host and stick"
            severity = FAULT if tiers > 5 else ""
            self.report(TIERS, text, stick, stick.happened(Happening.ATTACHED), severity=severity)
        hub = device.hub
        if hub is None or hub.hub is None or hub.speed != "high" or device.speed not in ("full", "low"):
            return
        failed = sum(a.failed.count for a in stick.asks.values())
        if failed >= 2 and not any(a.done for a in stick.asks.values()):
            text = f"{count_of(failed, 'request')} to a {device.speed}-speed device, none answered"
            tally = next(a.failed for a in stick.asks.values() if a.failed)
            self.report(SPLIT_MISSING, text, stick, tally, severity=FAULT)


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
        self.pending: dict[int, tuple[Stick, bool]] = {}
        self.told: set[int] = set()

    def request(self, request: Request, stick: Stick) -> None:
        if request.address:
            return
        if request.bus in self.pending and self.pending[request.bus][0] is stick:
            self.pending[request.bus] = (stick, request.done)
        resets = stick.device.resets
        under_way = resets and resets[-1].end_ns < 0 and not resets[-1].unsure
        if under_way and resets[-1].time_ns < request.time_ns and id(stick) not in self.told:
            self.told.add(id(stick))
            gap = time_in_words(request.time_ns - resets[-1].time_ns)
            text = f"a request to address 0 came {gap} after the reset began, its end was not awaited"
            self.report(RESET_RUSHED, text, stick, records=request.records, time_ns=request.time_ns)

    def event(self, event: BusEvent, stick: Stick) -> None:
        if event.kind in ("address", "detached"):
            if event.bus in self.pending and self.pending[event.bus][0] is stick:
                del self.pending[event.bus]
        elif event.kind is Happening.RESET and event.done and stick.device.hub is not None:
            other = self.pending.get(event.bus)
            if other is not None and other[0] is not stick and other[1]:
                self._two(event, other[0], stick)
            self.pending[event.bus] = (stick, False)

    def _two(self, event: BusEvent, first: Stick, second: Stick) -> None:
        if not first.device.present:
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
        stick, trouble = aftermath.stick, aftermath.trouble
        device, number = stick.device, aftermath.number
        if device.hub is None:
            return
        if not isinstance(trouble, Exchange) or not remarks.statuses(trouble) & (remarks.BUS_ERROR | remarks.TIMED_OUT):
            return
        row = self.row.setdefault(id(stick), [])
        if aftermath.events:
            row.clear()
        row.append(number)
        if len(row) == 3:
            text = f"exchanges {row[0]}, {row[1]} and {row[2]} failed in a row and nobody asked the hub"
            self.report(UNNOTICED, text, stick, exchanges=row, time_ns=trouble.time_ns)

    def request(self, request: Request, stick: Stick) -> None:
        if (request.request_type, request.request) == (0xA3, 0):
            self.row.clear()


RULES = (Hubs, Resets, Unnoticed)
