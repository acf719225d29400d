"""The bus as a log tells it: statements in, the device that each is about and what happened to it out.

Theory of operation
-------------------
Every layer of a system has its own name for one stick: a path of ports, an address, a SCSI host, a disk's name, a
driver's unit. Lines that name two of them tie the names together; from then on each name leads to the device. A name
that no line ties to another is taken for the one device that lacks such a name, if there is just one, and the device
remembers that this was taken for granted. Boot loaders and boards name nobody: there a line is about the device that
was spoken of last.

A path is given out anew when something is plugged in there and the device before was enumerated; a host that tries
again and again with new addresses is still at the same plugging in. When the system starts again nobody is known.
Disks that some line ties to another bus than USB are nobody's.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.heard import Heard
from sticktrace.bus.heard_of import LEARN
from sticktrace.capture.logs import Kind, Statement

AFTER_NS = 15_000_000_000
"""What is said of a disk so soon after it was unplugged is about that disk."""

MOST_TOLD = 2_000
"""So many lines of a log go into the story of one device."""

MOST_DEVICES = 2_000
"""So many devices of a log are told apart: a stick that comes and goes for weeks must not fill the memory."""

LAST_LUN = 0xFFFF

NOT_USB = re.compile(r"mmcblk|nvme|vd[a-z]|xvd|loop|md\d|dm-")

_STARTING = frozenset(
    (Kind.DESCRIPTOR_ERROR, Kind.ADDRESS_REFUSED, Kind.ENUMERATION_FAILED, Kind.PORT_TROUBLE)
)  # fmt: skip
_OF_STORAGE = frozenset((
    Kind.DRIVER, Kind.SCSI_HOST, Kind.QUIRK, Kind.INQUIRY, Kind.UNIT, Kind.CAPACITY, Kind.NO_MEDIUM, Kind.PROTECTION,
    Kind.CACHE, Kind.PARTITIONS, Kind.READY, Kind.NOT_READY, Kind.COMMAND_FAILED, Kind.IO_ERROR, Kind.ABORT,
    Kind.OFFLINE, Kind.FILE_SYSTEM, Kind.FILE_RESULT, Kind.FILES, Kind.NO_PARTITIONS,
))  # fmt: skip
_OF_HOSTS = frozenset((Kind.CONTROLLER, Kind.CONTROLLER_DIED, Kind.CONTROLLER_TROUBLE))
_NEWCOMERS = _OF_STORAGE - {Kind.FILE_SYSTEM, Kind.PARTITIONS, Kind.CACHE, Kind.FILES} | {
    Kind.PLUGGED, Kind.IDS, Kind.STRING, Kind.DESCRIPTOR_ERROR, Kind.ADDRESS_REFUSED, Kind.ENUMERATION_FAILED,
    Kind.CONFIGURATION_ERROR, Kind.NOT_SUPPORTED, Kind.PORT_TROUBLE, Kind.TRANSPORT_ERROR, Kind.STEP, Kind.RESET,
}  # fmt: skip
"""Kinds that show that there is a device, even where none was spoken of."""


class Hearsay:
    """Give it each statement with `take`. It keeps the names; the devices are the bus's. ``at_hand`` is the device of
    which the same text shows traffic: what is said of nobody in particular is about that one."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._events: list[BusEvent] = []
        self.at_hand: Device | None = None
        self.beyond = False
        """Whether the last statement was about a device beyond the first `MOST_DEVICES`."""
        self._made = 0
        self._rest = Device(0, 0, heard=Heard())
        self._forget()

    def _forget(self) -> None:
        self._all: list[Device] = []
        self._paths: dict[str, Device] = {}
        self._hosts: dict[int, Device | None] = {}
        self._blocks: dict[str, tuple[Device | None, int]] = {}
        self._units: dict[str, Device] = {}
        self._controllers: dict[str, list[int]] = {}
        self._last: Device | None = None
        self._last_storage: Device | None = None

    def take(self, item: Statement) -> tuple[Device | None, int, list[BusEvent]]:
        """Whom a statement is about (None: nobody on USB, or nobody in particular), which LUN, and what happened."""
        self._events = []
        if item.kind is Kind.BEGINS:
            self.beyond = False
            for known in self._all:
                known.replaced_ns = item.time_ns if known.present else known.replaced_ns
            self._forget()
            return None, 0, []
        device, lun = self._who(item)
        self.beyond = device is self._rest
        if self.beyond:
            self._last = self._last_storage = device
            return None, 0, []
        if device is not None:
            self._last = device if not device.is_hub else self._last
            if item.kind in _OF_STORAGE:
                self._last_storage = device
            self._learn(item, device, lun)
        return device, lun, self._events

    # -- who is meant ----------------------------------------------------------------------------------------------

    def _who(self, item: Statement) -> tuple[Device | None, int]:
        about, lun = item.about, max(0, item.about.lun)
        if item.kind is Kind.SCSI_HOST and about.host >= 0:
            return self._host_said(about.host, item), lun
        if about.scsi:
            host, _, _, unit = map(int, about.scsi.split(":"))
            lun = min(unit, LAST_LUN)
            return self._tie_block(self._at_host(host, item), lun, about.block), lun
        if about.path:
            return self._at_path(item), lun
        if about.host >= 0 and "sim" not in item.values:
            return self._tie_block(self._at_host(about.host, item), lun, about.block), lun
        if item.kind in _OF_HOSTS:
            return self._controller(item), lun
        if about.unit or "sim" in item.values or "bus_unit" in item.values:
            return self._tie_block(self._at_unit(item), lun, about.block), lun
        if about.block:
            return self._at_block(item)
        if about.address > 0:
            return self._at_address(item), lun
        return self._nobody_named(item), lun

    def _at_path(self, item: Statement) -> Device | None:
        about = item.about
        path = _child(about.path, about.port) if about.port > 0 else about.path
        device = self._paths.get(path)
        if item.kind is Kind.OVER_CURRENT and (device is None or not device.present):
            return self._hub_of(path, item)
        if item.kind is Kind.PLUGGED:
            return self._plugged(path, device, item)
        stays = device is not None and (device.present or item.kind not in _STARTING)
        if device is not None and stays:
            return device
        if device is None and about.port > 0 and item.kind is Kind.PORT_TROUBLE and _hub_itself(item):
            return self._hub_of(path, item)
        adopted = self._lone(lambda d: d.heard is not None and not d.heard.path and d.heard.host >= 0)
        if adopted is not None and adopted.heard is not None and not path.endswith("-0"):
            adopted.heard.path, adopted.heard.taken, adopted.bus = path, True, int(path.split("-")[0])
            self._paths[path] = adopted
            return adopted
        return self._new(path, item)

    def _plugged(self, path: str, device: Device | None, item: Statement) -> Device:
        """Something is plugged in; a device that never got as far as its ids is still being tried."""
        untold = device is not None and device.heard is not None and device.heard.ids is None and not device.heard.kind
        if device is not None and device.present:
            if untold:
                return device
            device.replaced_ns = item.time_ns
        return self._new(path, item)

    def _hub_of(self, path: str, item: Statement) -> Device:
        """The hub at whose port something hangs, or would."""
        above = path.rpartition(".")[0] or f"{path.split('-')[0]}-0"
        hub = self._paths.get(above)
        if hub is None:
            hub = self._new(above, item)
        if hub.heard is not None:
            hub.heard.kind = "hub"
        return hub

    def _new(self, path: str, item: Statement) -> Device:
        if self._made >= MOST_DEVICES:
            if path:
                self._paths[path] = self._rest
            return self._rest
        self._made += 1
        bus, _, ports = path.partition("-")
        device = self._bus.new_device(int(bus) if bus else 0, item.time_ns)
        device.heard = Heard(path)
        if ports == "0":
            device.heard.kind = "hub"
        elif ports:
            device.hub, device.port = self._hub_of(path, item), int(ports.rpartition(".")[2])
        if path:
            self._paths[path] = device
        self._all.append(device)
        return device

    def _at_host(self, host: int, item: Statement) -> Device | None:
        """The device behind a SCSI host's number."""
        if host in self._hosts:
            return self._hosts[host]
        if str(item.get("vendor", "")).strip() == "ATA":  # how a host's own disk controller calls its disks
            self._hosts[host] = None
            return None
        device = self._lone(lambda d: d.heard is not None and d.heard.host < 0 and d.heard.kind in ("", "storage"))
        if device is None or device.heard is None:
            if item.kind not in _NEWCOMERS:
                return None
            device = self._new("", item)
        else:
            device.heard.taken = True
        assert device.heard is not None
        device.heard.host = host
        self._hosts[host] = device
        return device

    def _host_said(self, host: int, item: Statement) -> Device | None:
        if item.get("transport") == "not USB":
            self._hosts[host] = None
            return None
        device = self._paths.get(item.about.path) if item.about.path else None
        if device is None and item.about.path:
            device = self._new(item.about.path, item)
        if device is None:
            free = [d for d in self._all if d.present and not d.is_hub and d.heard is not None and d.heard.host < 0]
            fit = [d for d in free if d.heard is not None and d.heard.kind in ("", "storage")]
            device = fit[-1] if fit else self._new("", item)
        if device.heard is not None:
            device.heard.host = host
        self._hosts[host] = device
        return device

    def _at_block(self, item: Statement) -> tuple[Device | None, int]:
        """The disk of that name."""
        block = item.about.block
        if NOT_USB.match(block):
            return None, 0
        if block in self._blocks:
            return self._blocks[block]
        device = self._lone(lambda d: d.heard is not None and not d.heard.blocks and d.heard.kind in ("", "storage"))
        if device is None and (item.kind not in _NEWCOMERS or any(not d.is_hub for d in self._all)):
            return None, 0
        device = device or self._new("", item)
        return self._tie_block(device, 0, block), 0

    def _tie_block(self, device: Device | None, lun: int, block: str) -> Device | None:
        if block:
            self._blocks[block] = (device, lun)
            if device is not None and device.heard is not None:
                device.heard.blocks[lun] = block
        return device

    def _at_unit(self, item: Statement) -> Device | None:
        """A BSD kernel's names: umass0, ugen0.2, and "addr 2" on a bus, which tie them."""
        names = [name for name in (item.about.unit, _unit_of_sim(item.get("sim", ""))) if name]
        bus = _number(item.get("bus_unit", ""))
        address = item.about.address
        generic = re.fullmatch(r"ugen(\d+)\.(\d+)", item.about.unit)
        if generic is not None:
            bus, address = int(generic[1]), int(generic[2])
        if address > 0:
            names.append(f"address {bus}.{address}")
        device = next((self._units[name] for name in names if name in self._units), None)
        gone = device is not None and not device.present
        if device is None or (gone and item.kind is Kind.PLUGGED):
            if item.kind not in _NEWCOMERS:
                return None
            device = self._new("", item)
            device.bus = max(0, bus)
        for name in names:
            self._units[name] = device
        return device

    def _at_address(self, item: Statement) -> Device | None:
        """A device by its address alone: the last that was given it."""
        address = item.about.address
        known = [d for d in self._all if address in d.addresses and d.present]
        if known:
            return known[-1]
        device = self._nobody_named(item)
        if device is not None and not device.is_hub and address not in device.addresses:
            device.addresses.append(address)
        return device

    def _controller(self, item: Statement) -> Device:
        """The root hub of a host controller."""
        name = item.get("controller", "") or item.get("driver", "")
        buses = self._controllers.setdefault(name, [])
        if item.about.bus > 0 and item.about.bus not in buses:
            buses.append(item.about.bus)
        path = f"{buses[0]}-0" if buses else name
        device = self._paths.get(path)
        if device is None:
            device = self._new(path if buses else "", item)
            self._paths[path] = device
        if device.heard is not None:
            device.heard.kind, device.heard.serves = "hub", name or "of the board"
        return device

    def _nobody_named(self, item: Statement) -> Device | None:
        """The device spoken of last."""
        if item.kind is Kind.HUB:
            return None
        if item.kind is Kind.OVER_CURRENT and (self._last is None or not self._last.present):
            return self._controller(item)
        if self.at_hand is not None and self.at_hand.present:
            self.at_hand.heard = self.at_hand.heard or Heard(beside=True)
            return self.at_hand
        last = self._last_storage if item.kind in _OF_STORAGE and self._last_storage is not None else self._last
        if item.kind is Kind.PLUGGED:
            return self._plugged("", last if last is not None and last.heard and not last.heard.path else None, item)
        if item.kind is Kind.INQUIRY and self._another_unit(item):
            return self._numbered(item)
        if last is not None and (last.present or item.kind not in _NEWCOMERS or _late(last, item)):
            return last
        return self._new("", item) if item.kind in _NEWCOMERS else None

    def _another_unit(self, item: Statement) -> bool:
        return "storage" in item.values

    def _numbered(self, item: Statement) -> Device:
        """A boot loader's disks, which it counts."""
        name = f"storage {item.get('storage')}"
        if name not in self._units:
            last = self._last_storage or self._last
            fresh = last is None or last in self._units.values() or not last.present
            self._units[name] = self._new("", item) if fresh or last is None else last
        return self._units[name]

    def _lone(self, wanted: Callable[[Device], bool]) -> Device | None:
        """The one device that is there and wanted, if there is just one."""
        found = [d for d in self._all if d.present and not d.is_hub and wanted(d)]
        return found[0] if len(found) == 1 else None

    # -- what is learned -------------------------------------------------------------------------------------------

    def _learn(self, item: Statement, device: Device, lun: int) -> None:
        heard = device.heard
        if heard is None:
            return
        heard.itself = heard.itself or (item.end == "device" and not heard.path and heard.ids is None)
        if item.kind is not Kind.NEWS and len(device.story) < MOST_TOLD:
            device.tell(item.time_ns, f"the log says: {item.line}", item.records)
        handler = LEARN.get(item.kind)
        if handler is not None:
            handler(item, device, heard, self._happened)

    def _happened(self, kind: Happening, item: Statement, device: Device, done: bool = True) -> None:
        """Report an event."""
        self._events.append(
            BusEvent(kind, item.time_ns, device.bus, device.address, device, item.line, item.records, done=done)
        )


def _hub_itself(item: Statement) -> bool:
    return item.get("what") in ("disabled", "cannot disable", "hub does not answer", "debounce")


def _child(path: str, port: int) -> str:
    """The path of a port of the hub at a path: 1-0 and 1 give 1-1, 1-1 and 3 give 1-1.3."""
    return f"{path[:-2]}-{port}" if path.endswith("-0") else f"{path}.{port}"


def _unit_of_sim(sim: str) -> str:
    """umass-sim0 is the SCSI side of umass0."""
    found = re.fullmatch(r"umass-?sim(\d+)", sim)
    return f"umass{found[1]}" if found else ""


def _number(text: str) -> int:
    found = re.search(r"\d+", text)
    return int(found[0]) if found else -1


def _late(device: Device, item: Statement) -> bool:
    return device.detached_ns >= 0 and item.time_ns - device.detached_ns < AFTER_NS
