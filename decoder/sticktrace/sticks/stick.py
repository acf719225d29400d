"""A stick from plug to unplug: its device, its units, what was asked of it and which stages it reached."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.codes import msc
from sticktrace.sticks.stages import WHAT, Reached, Stage
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.sticks.wire_time import WireTime
from sticktrace.transport.items import Exchange, Transport

_BROUGHT_UP = (Happening.RESET, Happening.ADDRESS, Happening.CONFIGURED)


class Asks:
    """How one kind of control request fared."""

    __slots__ = ("done", "failed", "largest")

    def __init__(self) -> None:
        self.done, self.failed = Tally(), Tally()
        self.largest = 0


class Stick:
    """One device from plug to unplug, with all that is known of it; other devices on the bus are kept the same way.

    ``number`` counts the sticks of a capture from 1 in order of appearance, 0 for devices that are none (see
    `Sticks.listed`); ``shares_place``: another stick had its address before or after it. ``first_ns`` and ``last_ns``
    are the times of its first and last item, -1 for none. ``failures`` counts commands that did not pass,
    ``transport_bad`` those without a proper status; ``cut_short``: its last command has no end in this recording.
    ``wire`` is what packets add to all its commands, None for a capture of a host.
    """

    __slots__ = (
        "_reached", "asks", "cut_short", "detached", "device", "events", "exchanges", "failures", "first_exchange",
        "first_ns", "last_ns", "last_request", "last_was_exchange", "number", "said_failed", "shares_place",
        "transport_bad",
        "transports", "units", "wire",
    )  # fmt: skip

    def __init__(self, device: Device) -> None:
        self.device = device
        self.number = 0
        self.units: dict[int, Unit] = {}
        self.transports: set[Transport] = set()
        self.asks: dict[str, Asks] = {}
        self.events: dict[Happening, Tally] = {}
        self.first_ns = self.last_ns = -1
        self.exchanges = self.failures = self.transport_bad = 0
        self.cut_short = self.last_was_exchange = self.shares_place = False
        self.first_exchange: Exchange | None = None
        self.last_request: Request | None = None
        self.detached: BusEvent | None = None
        self._reached: dict[Stage, Reached] = {}
        self.wire: WireTime | None = None
        self.said_failed: dict[Stage, Reached] = {}

    # -- who it is -----------------------------------------------------------------------------------------------

    @property
    def bus(self) -> int:
        """Its bus."""
        return self.device.bus

    @property
    def address(self) -> int:
        """The address given last, 0 if none."""
        return self.device.address

    @property
    def place(self) -> str:
        """Bus and address as people write them: ``1.2``."""
        return f"{self.bus}.{self.address}"

    @property
    def ids(self) -> str:
        """VID:PID, "" if not read."""
        return self.device.vid_pid

    @property
    def name(self) -> str:
        """What to call it: INQUIRY vendor and product of its first unit that tells them, else its strings, ids or
        address."""
        told = next((unit.names for _, unit in sorted(self.units.items()) if unit.names), "")
        if told or self.device.ids or self.device.addresses or self.by_hearsay:
            return told or self.device.title
        return "device without an address"

    @property
    def title(self) -> str:
        """Name and ids."""
        return f"{self.name} ({self.ids})" if self.ids and self.ids not in self.name else self.name

    @property
    def named_place(self) -> str:
        """Name and place."""
        return self.name if self.place in self.name else f"{self.name} at {self.place}"

    @property
    def speed(self) -> str:
        """ "low", "full", "high", "super", or "" where nothing tells."""
        return self.device.speed_and_source()[0]

    @property
    def bulk_packet(self) -> int:
        """wMaxPacketSize of its bulk endpoints, 0 if no descriptor told."""
        roles = self.device.roles().values()
        return max((role.max_packet for role in roles if role.kind == "bulk" and role.active), default=0)

    @property
    def by_hearsay(self) -> bool:
        """Whether all that is known of it is what a log says: nothing of it was seen on the bus."""
        seen = self.device.described or (self.first_exchange is not None and not self.first_exchange.told)
        return self.device.heard is not None and not seen

    # -- what it is ----------------------------------------------------------------------------------------------

    @property
    def is_hub(self) -> bool:
        """Whether it is a hub."""
        return self.device.is_hub

    @property
    def is_storage(self) -> bool:
        """Whether it took storage commands or has an interface of the mass storage class."""
        return bool(self.exchanges) or (not self.device.is_hub and msc.CLASS in self.device.interface_classes)

    @property
    def known(self) -> bool:
        """Whether the configuration descriptor, or a log, tells what it is."""
        heard = self.device.heard
        return bool(self.device.interface_classes) or (heard is not None and heard.kind == "other")

    @property
    def begun_before(self) -> bool:
        """Whether it was at work before the capture began: neither configured nor identified in it. What such a host
        knows already, and what it makes of a refusal, cannot be told."""
        return not self.ask("configuration").done and not any(unit.identity_at for unit in self.units.values())

    @property
    def brought_up(self) -> bool:
        """Whether the capture shows the host bringing it up: plugging in, reset, address or configuration. Descriptors
        read without any of these were not read by the host's bring-up: recorders read them too when they start."""
        return self.device.attached_ns >= 0 or any(self.happened(kind) for kind in _BROUGHT_UP)

    @property
    def at_work(self) -> bool:
        """Whether any of its units is ready."""
        return any(unit.ready_ns >= 0 for unit in self.units.values())

    # -- what happened to it -------------------------------------------------------------------------------------

    def unit(self, lun: int) -> Unit:
        """The logical unit of that number, made at first mention."""
        found = self.units.get(lun)
        if found is None:
            found = self.units[lun] = Unit(self, lun)
        return found

    def ask(self, kind: str) -> Asks:
        """How requests of a kind fared (see `sticktrace.sticks.learning`)."""
        found = self.asks.get(kind)
        if found is None:
            found = self.asks[kind] = Asks()
        return found

    def happened(self, kind: Happening) -> Tally:
        """Events of a kind."""
        found = self.events.get(kind)
        if found is None:
            found = self.events[kind] = Tally()
        return found

    def seen(self, start_ns: int, end_ns: int) -> None:
        """An item of it, from when to when."""
        if self.first_ns < 0:
            self.first_ns = start_ns
        if end_ns > self.last_ns:
            self.last_ns = end_ns

    def reach(
        self, stage: Stage, time_ns: int, exchange: int = 0, records: tuple[int, ...] = (), said: str = ""
    ) -> None:
        """A stage is reached, unless it was before."""
        if stage not in self._reached:
            self._reached[stage] = Reached(time_ns, exchange, records, said)

    def take_back(self, stage: Stage, lun: int) -> None:
        """What was taken for reached turns out not to be."""
        self._reached.pop(stage, None)
        self.unit(lun).reached.pop(stage, None)

    @property
    def height(self) -> int:
        """How many stages it has reached so far."""
        return len(self._reached)

    @property
    def reached(self) -> dict[Stage, Reached]:
        """The stages that it reached in this capture, in their order."""
        shown = set(self._reached)
        if not self.brought_up:
            shown.discard(Stage.DESCRIPTORS)
        return {stage: self._reached[stage] for stage in Stage if stage in shown}

    def milestones(self) -> Iterator[dict[str, Any]]:
        """As JSON says it: each stage with its time, and the time since the connection was seen (None if unseen)."""
        reached = self.reached
        start = reached.get(Stage.ATTACH)
        for stage, at in reached.items():
            since = None if start is None else at.time_ns - start.time_ns
            yield {
                "kind": "milestone", "step": stage, "what": WHAT[stage], "time_ns": at.time_ns,
                "since_attach_ns": since,
            }  # fmt: skip
