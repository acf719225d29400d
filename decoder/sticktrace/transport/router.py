"""Brings each transfer to where it belongs: a storage lane, the bus room, or other traffic.

Endpoints belong to interfaces, and descriptors say which (USB 2.0 9.6.5, 9.6.6). Only where the capture holds no
descriptor of a device are lanes inferred from the signatures of CBW and CSW, and `Router.inferred` tells that.
"""

from __future__ import annotations

from collections import Counter

from sticktrace.bus.devices import Bus, BusEvent
from sticktrace.bus.interfaces import StorageInterface
from sticktrace.bus.requests import Request, is_request, read_request
from sticktrace.capture.transfer import BULK, INTERRUPT, Transfer
from sticktrace.transport.bot import Lane, Overdue, Read
from sticktrace.transport.cbi import CbiLane
from sticktrace.transport.sequence import Sequence
from sticktrace.transport.uas import UasLane

CONTROL_DATA = 4096
"""How much payload of a control transfer is looked at; no descriptor chain of a storage device is longer."""

_CBI, _CBI_NO_INTERRUPT, _BULK_ONLY, _UAS = 0x00, 0x01, 0x50, 0x62  # bInterfaceProtocol, MSC Overview 1.4 Table 2
_ADSC = b"\x21\x00"  # bmRequestType and bRequest of Accept Device-Specific Command, CBI 1.1 2.1

Key = tuple[int, int]
AnyLane = Lane | UasLane | CbiLane


class Router:
    """Feed it transfers in time order, then `end` it; take items out of ``out`` (see `Sequence.ready`).

    ``elsewhere`` counts the records that belong to none of the items, by place in words.
    """

    def __init__(self, read: Read, overdue: Overdue) -> None:
        self.bus = Bus()
        self.out = Sequence()
        self.elsewhere: Counter[str] = Counter()
        self.inferred: set[Key] = set()
        self._read, self._overdue = read, overdue
        self._holding = False
        self.pipes: dict[int, AnyLane | None] = {}
        self._lanes: dict[Key, list[AnyLane]] = {}

    def feed(self, transfer: Transfer) -> None:
        """Take one transfer."""
        if transfer.kind == BULK:
            lane = self.pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)
            if lane is not None:
                if self._holding:
                    self._settle(lane)
                lane.feed(transfer)
                return
        if is_request(transfer):
            self._control(transfer)
        elif transfer.kind == BULK:
            self._bulk(transfer)
        elif transfer.kind == INTERRUPT:
            self._interrupt(transfer)
        else:
            self._count(transfer, "isochronous traffic")

    def end(self) -> None:
        """The capture ends: close what is open."""
        for lanes in self._lanes.values():
            for lane in lanes:
                self._settle(lane)
                lane.end()

    # -- bulk ------------------------------------------------------------------------------------------------

    def _bulk(self, transfer: Transfer) -> None:
        lane = self._find(transfer)
        if lane is not None:
            self._settle(lane)
            lane.feed(transfer)
            return
        for known in self._lanes.get((transfer.bus, transfer.address), ()) if transfer.endpoint & 0x80 else ():
            if isinstance(known, Lane) and known.inferred and known.may_want(transfer):
                known.held.append(transfer)
                self._holding = True
                return
        self._elsewhere(transfer)

    def _settle(self, lane: AnyLane) -> None:
        if isinstance(lane, Lane) and lane.held:
            for transfer in lane.settle_in():
                self._elsewhere(transfer)

    def _elsewhere(self, transfer: Transfer) -> None:
        role = self.bus.endpoint_role(transfer.bus, transfer.address, transfer.endpoint)
        device = self.bus.find(transfer.bus, transfer.address)
        # A console text does not say of which kind a transfer is. A hub has no other pipe (USB 2.0 11.12.1).
        if (role is not None and role.kind == "interrupt") or (device is not None and device.is_hub):
            transfer.kind = INTERRUPT
            self._interrupt(transfer)
        elif role is None:
            self._count(transfer, "bulk traffic of a device whose descriptors are not in the capture")
        else:
            self._count(transfer, "bulk traffic of other functions")

    def _find(self, transfer: Transfer) -> AnyLane | None:
        """The lane of a pipe not met before, from descriptors if there are any, else from signatures."""
        device = (transfer.bus, transfer.address)
        role = self.bus.endpoint_role(*device, transfer.endpoint)
        if role is None:
            return self._infer(device, transfer)
        if not role.storage:
            return None
        if not role.active and not (
            self._looks_like_command(transfer)
            and self.bus.adopt(*device, transfer.endpoint, transfer.start_ns, transfer.records)
        ):
            return None
        # Its descriptors were seen, its SET_CONFIGURATION or SET_INTERFACE was not.
        self._map_pipes(device)
        return self.pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)

    def _looks_like_command(self, transfer: Transfer) -> bool:
        return Lane.looks_like_command(self._read, transfer) or UasLane.looks_like_command(self._read, transfer)

    def _infer(self, device: Key, transfer: Transfer) -> AnyLane | None:
        lane: Lane | UasLane | None = None
        for known in self._lanes.get(device, ()):
            if isinstance(known, Lane | UasLane) and known.inferred and known.wants(transfer):
                lane = known
                break
        else:
            lane = self._new_inferred(device, transfer)
            if lane is None or not lane.wants(transfer):
                return None
            self._lanes.setdefault(device, []).append(lane)
            self.inferred.add(device)
        self.pipes[transfer.bus << 16 | transfer.address << 8 | transfer.endpoint] = lane
        return lane

    def _new_inferred(self, device: Key, transfer: Transfer) -> Lane | UasLane | None:
        if Lane.looks_like_command(self._read, transfer):
            return Lane(*device, self.out, self._read, self._overdue)
        if UasLane.looks_like_command(self._read, transfer):
            return UasLane(*device, {}, self.out, self._read, self._overdue)
        return None

    # -- control ---------------------------------------------------------------------------------------------

    def _control(self, transfer: Transfer) -> None:
        data = self._read(transfer.data_at, min(transfer.captured, CONTROL_DATA))
        request = read_request(transfer, data)
        if transfer.setup[:2] == _ADSC:
            request.in_exchange = self._adsc(transfer)
        for event in self.bus.take(request, data):
            self._happened(event, transfer, request)
        self.out.add(request)

    def _adsc(self, transfer: Transfer) -> bool:
        """CBI: a command block as a class request. Returns whether a lane took it."""
        device = (transfer.bus, transfer.address)
        if device not in self._lanes and self.bus.storage_interfaces(*device):
            self._map_pipes(device)  # its SET_CONFIGURATION was not seen
        for lane in self._lanes.get(device, ()):
            if isinstance(lane, CbiLane):
                lane.command(transfer)
                return True
        return False

    def _interrupt(self, transfer: Transfer) -> None:
        lane = self.pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)
        if lane is not None:
            lane.feed(transfer)
            return
        data = self._read(transfer.data_at, min(transfer.captured, 64))
        for event in self.bus.feed(transfer, data):
            self._happened(event, transfer, None)
        self._count(transfer, "interrupt traffic (hubs, keyboards)")

    def _happened(self, event: BusEvent, transfer: Transfer, request: Request | None) -> None:
        self.out.add(event)
        if not event.done:
            return
        device = (event.bus, event.address)
        if event.kind == "clear halt":
            lane = self.pipes.get(event.bus << 16 | event.address << 8 | event.endpoint)
            signal = "CLEARED IN" if event.endpoint & 0x80 else "CLEARED OUT"
            if lane is not None and lane.control(signal, transfer) and request is not None:
                request.in_exchange = True
            return
        signal = _SIGNALS.get(event.kind, "")
        meant = transfer.setup[4] if event.kind == "class reset" and len(transfer.setup) == 8 else -1
        for lane in self._lanes.get(device, ()) if signal else ():
            if meant in (-1, lane.interface) or lane.interface < 0:
                lane.control(signal, transfer, _REASONS.get(event.kind, ""))
        if event.kind in _CHANGES_PIPES:
            self._map_pipes(device)

    def _map_pipes(self, device: Key) -> None:
        """Lay out the lanes of a device anew: its configuration, an alternate setting or the device itself changed. A
        lane that was inferred and turns out right goes on as it is."""
        prefix = device[0] << 16 | device[1] << 8
        kept = {key: lane for key, lane in self.pipes.items() if key & ~0xFF == prefix}
        for key in kept:
            del self.pipes[key]
        old = self._lanes.pop(device, [])
        for interface in self.bus.storage_interfaces(*device):
            ends = _pipes_of(interface)
            same = next((lane for lane in old if lane.inferred and _fits(lane, ends, kept)), None)
            lane = same or self._new_lane(device, interface)
            if lane is None:
                continue
            if same is not None:
                old.remove(same)
            self._lanes.setdefault(device, []).append(lane)
            for endpoint in ends:
                self.pipes[prefix | endpoint] = lane
        for lane in old:
            lane.end("the device was configured anew")

    def _new_lane(self, device: Key, interface: StorageInterface) -> AnyLane | None:
        number, ends = interface.number, _pipes_of(interface)
        if interface.protocol == _UAS:
            return UasLane(*device, ends, self.out, self._read, self._overdue, number)
        if interface.protocol in (_CBI, _CBI_NO_INTERRUPT):
            with_interrupt = interface.protocol == _CBI
            return CbiLane(*device, interface.subclass, with_interrupt, self.out, self._read, number)
        if interface.protocol == _BULK_ONLY and interface.bulk_in is not None and interface.bulk_out is not None:
            return Lane(
                *device, self.out, self._read, self._overdue, bulk_in=interface.bulk_in,
                bulk_out=interface.bulk_out, interface=number,
            )  # fmt: skip
        return None

    def _count(self, transfer: Transfer, place: str) -> None:
        self.elsewhere[place] += len(transfer.records)


def _pipes_of(interface: StorageInterface) -> dict[int, str]:
    """Endpoint address -> usage, for the pipes that the interface has."""
    usage = {
        interface.command_out: "command", interface.data_in: "data in", interface.data_out: "data out",
        interface.bulk_in: "in", interface.bulk_out: "out", interface.status_in: "status",
    }  # fmt: skip
    return {endpoint: name for endpoint, name in usage.items() if endpoint is not None}


def _fits(lane: AnyLane, ends: dict[int, str], pipes: dict[int, AnyLane | None]) -> bool:
    """Whether every pipe that a lane was seen to use is one of these."""
    return all(key & 0xFF in ends for key, owner in pipes.items() if owner is lane)


_CHANGES_PIPES = frozenset(("configured", "interface", "attached", "address"))
_SIGNALS = dict.fromkeys((*_CHANGES_PIPES, "reset", "class reset"), "RESET") | {"detached": "GONE"}
# A device that was unplugged keeps its pipes until its address is given again: its last transfers end after it.

_REASONS = {
    "reset": "the host reset the port", "class reset": "the host reset the device (Bulk-Only Mass Storage Reset)",
    "detached": "the device is gone", "configured": "the host configured the device anew",
    "interface": "the host chose an alternate setting", "address": "the device got an address",
    "attached": "another device was plugged in",
}  # fmt: skip
