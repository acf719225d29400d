"""What diagnosis remembers of one device and of each of its logical units while a capture passes by."""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.codes import msc
from sticktrace.sticks.tally import Tally
from sticktrace.storage.words import Capacity, Inquiry
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import Exchange

KEPT = 64
"""How many events and strays after a failure are kept: enough for any recovery, bounded for any capture."""


class Asks:
    """How one kind of control request fared."""

    __slots__ = ("done", "failed", "largest")

    def __init__(self) -> None:
        self.done, self.failed = Tally(), Tally()
        self.largest = 0


class Aftermath:
    """What followed a command that went wrong on the transport, up to the next command.

    ``trouble`` is the exchange, or the invalid command as a stray. ``next`` is the next exchange of the device, None if
    the capture ends before one.
    """

    __slots__ = ("events", "next", "strays", "subject", "trouble", "unit")

    def __init__(self, subject: Subject, trouble: Exchange | Stray, unit: Unit | None) -> None:
        self.subject, self.trouble, self.unit = subject, trouble, unit
        self.events: list[BusEvent] = []
        self.strays: list[Stray] = []
        self.next: Exchange | None = None

    @property
    def number(self) -> int:
        """Number of the exchange, 0 for an invalid command."""
        return self.trouble.number if isinstance(self.trouble, Exchange) else 0

    def kinds(self) -> list[str]:
        """The events after the trouble in order: "clear in", "clear out", "class reset", "reset", "detached"."""
        words = []
        for event in self.events:
            if event.kind == "clear halt":
                words.append("clear in" if event.endpoint & 0x80 else "clear out")
            elif event.kind in ("class reset", "reset", "detached", "configured"):
                words.append(event.kind)
        return words


class Unit:
    """One logical unit. Times are nanoseconds since the first record, -1 for never; numbers are exchange numbers, 0 for
    none. ``block`` is the block length as reported, 0 before that. ``watch`` counts exchanges still to be looked at
    closely. ``written`` is the last write that no SYNCHRONIZE CACHE followed. ``unsure``: which data belongs to which
    command could not always be told. ``empty``: the last NOT READY said that there is no medium. ``habit`` is a
    remark that every READ and WRITE of this host draws (bCBWCBLength), and ``habits`` how many drew it without being
    looked at."""

    __slots__ = (
        "attention", "block", "capacity", "capacity_at", "capacity_bad", "empty", "failed", "first", "habit", "habits",
        "identity",
        "identity_at", "identity_bad", "identity_data", "largest_in", "largest_out", "last", "lun", "reads",
        "ready_at", "ready_ns", "refused", "start_asked", "subject", "total", "unsure", "watch", "writes", "written",
        "written_ns",
    )  # fmt: skip

    def __init__(self, subject: Subject, lun: int) -> None:
        self.subject, self.lun = subject, lun
        self.total = self.reads = self.writes = self.watch = 0
        self.first = self.ready_at = self.identity_at = self.capacity_at = self.written = 0
        self.ready_ns = self.written_ns = -1
        self.largest_in = self.largest_out = self.block = 0
        self.identity: Inquiry | None = None
        self.identity_data = b""
        self.capacity: Capacity | None = None
        self.identity_bad, self.capacity_bad = Tally(), Tally()
        self.refused, self.attention, self.failed = Tally(), Tally(), Tally()
        self.habit: tuple[str, ...] = ()
        self.habits = 0
        self.start_asked = self.unsure = self.empty = False
        self.last: Exchange | None = None

    @property
    def title(self) -> str:
        """What to call it: ``device 1.2, LUN 0``."""
        return f"device {self.subject.bus}.{self.subject.address}, LUN {self.lun}"

    @property
    def device_type(self) -> int:
        """PERIPHERAL DEVICE TYPE, 0 (disk) until told otherwise."""
        return self.identity.device_type if self.identity else 0


class Subject:
    """One device from plug to unplug, with what was asked of it. ``device`` is None where no control request was
    seen."""

    def __init__(self, bus: int, address: int, device: Device | None) -> None:
        self.bus, self.address, self.device = bus, address, device
        self.units: dict[int, Unit] = {}
        self.places: set[tuple[int, int]] = set()
        self.asks: dict[str, Asks] = {}
        self.aftermath: Aftermath | None = None
        self.last_request: Request | None = None
        self.last_was_exchange = False
        self.first_ns = self.last_ns = -1
        self.exchanges = self.failures = self.transport_bad = 0
        self.cut_short = False
        self.first_exchange: Exchange | None = None
        self.events: dict[str, Tally] = {}
        self.detached: BusEvent | None = None

    def ask(self, kind: str) -> Asks:
        """How requests of a kind fared."""
        found = self.asks.get(kind)
        if found is None:
            found = self.asks[kind] = Asks()
        return found

    def happened(self, kind: str) -> Tally:
        """Events of a kind."""
        found = self.events.get(kind)
        if found is None:
            found = self.events[kind] = Tally()
        return found

    @property
    def ids(self) -> str:
        """VID:PID, "" if not read."""
        return self.device.vid_pid if self.device else ""

    @property
    def name(self) -> str:
        """What to call it: INQUIRY vendor and product, else its strings, ids or address."""
        for unit in self.units.values():
            if unit.identity and (unit.identity.vendor or unit.identity.product):
                return f"{unit.identity.vendor} {unit.identity.product}".strip()
        if self.device is not None and (self.device.ids or self.device.addresses):
            return self.device.title
        return f"device at address {self.address}" if self.address else "device without an address"

    @property
    def begun_before(self) -> bool:
        """Whether it was at work before the capture began: neither configured nor identified in it. What such a host
        knows already, and what it makes of a refusal, cannot be told."""
        return not self.ask("configuration").done and not any(unit.identity_at for unit in self.units.values())

    @property
    def at_work(self) -> bool:
        """Whether any of its units is ready."""
        return any(unit.ready_ns >= 0 for unit in self.units.values())

    @property
    def is_hub(self) -> bool:
        """Whether it is a hub."""
        return self.device is not None and self.device.is_hub

    @property
    def is_storage(self) -> bool:
        """Whether it took storage commands or has an interface of the mass storage class."""
        if self.exchanges:
            return True
        device = self.device
        if device is None or device.is_hub:
            return False
        return any(i.class_code == msc.CLASS for c in device.configurations.values() for i in c.interfaces)

    @property
    def known(self) -> bool:
        """Whether the configuration descriptor tells what it is."""
        return self.device is not None and any(c.interfaces for c in self.device.configurations.values())
