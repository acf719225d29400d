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
        self._pipes: dict[int, AnyLane | None] = {}
        self._lanes: dict[Key, list[AnyLane]] = {}

    def feed(self, transfer: Transfer) -> None:
        """Take one transfer."""
        if transfer.kind == BULK:
            key = transfer.bus << 16 | transfer.address << 8 | transfer.endpoint
            lane = self._pipes.get(key)
            if lane is not None:
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
                lane.end()

    # -- bulk ------------------------------------------------------------------------------------------------

    def _bulk(self, transfer: Transfer) -> None:
        lane = self._find(transfer)
        if lane is not None:
            lane.feed(transfer)
            return
        role = self.bus.endpoint_role(transfer.bus, transfer.address, transfer.endpoint)
        if role is None:
            self._count(transfer, "bulk traffic of a device whose descriptors are not in the capture")
        else:
            self._count(transfer, "bulk traffic of other functions")

    def _find(self, transfer: Transfer) -> AnyLane | None:
        """The lane of a pipe not met before, from descriptors if there are any, else from signatures."""
        device = (transfer.bus, transfer.address)
        role = self.bus.endpoint_role(*device, transfer.endpoint)
        if role is None:
            return self._infer(device, transfer)
        if not role.active or not any(role.interface == s.number for s in self.bus.storage_interfaces(*device)):
            return None
        # Its descriptors were seen, its SET_CONFIGURATION was not.
        self._map_pipes(device)
        return self._pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)

    def _infer(self, device: Key, transfer: Transfer) -> AnyLane | None:
        lane: Lane | UasLane
        for known in self._lanes.get(device, ()):
            if not isinstance(known, CbiLane) and known.inferred:
                lane = known
                break
        else:
            if Lane.looks_like_command(self._read, transfer):
                lane = Lane(*device, self.out, self._read, self._overdue, inferred=True)
            elif UasLane.looks_like_command(self._read, transfer):
                lane = UasLane(*device, {}, self.out, self._read, self._overdue)
            else:
                return None
            self._lanes.setdefault(device, []).append(lane)
            self.inferred.add(device)
        if not lane.wants(transfer):
            return None
        self._pipes[transfer.bus << 16 | transfer.address << 8 | transfer.endpoint] = lane
        return lane

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
        lane = self._pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)
        if lane is not None:
            lane.feed(transfer)
            return
        data = self._read(transfer.data_at, min(transfer.captured, 64))
        for event in self.bus.feed(transfer, data):
            self._happened(event, transfer, None)
        self._count(transfer, "interrupt traffic (hubs, keyboards)")

    def _happened(self, event: BusEvent, transfer: Transfer, request: Request | None) -> None:
        device = (event.bus, event.address)
        self.out.add(event)
        if not event.done:
            return
        if event.kind == "clear halt":
            lane = self._pipes.get(event.bus << 16 | event.address << 8 | event.endpoint)
            signal = "CLEARED IN" if event.endpoint & 0x80 else "CLEARED OUT"
            if lane is not None and lane.control(signal, transfer) and request is not None:
                request.in_exchange = True
        elif event.kind in _ENDS_EXCHANGES:
            for lane in self._lanes.get(device, ()):
                lane.control("RESET", None, event.text)
            if event.kind in _CHANGES_PIPES:
                self._map_pipes(device)

    def _map_pipes(self, device: Key) -> None:
        """Lay out the lanes of a device anew: its configuration, an alternate setting or the device itself changed."""
        for lane in self._lanes.pop(device, []):
            lane.end("the device was configured anew")
        prefix = device[0] << 16 | device[1] << 8
        for key in [key for key in self._pipes if key & ~0xFF == prefix]:
            del self._pipes[key]
        for interface in self.bus.storage_interfaces(*device):
            self._add_lane(device, prefix, interface)

    def _add_lane(self, device: Key, prefix: int, interface: StorageInterface) -> None:
        lane: AnyLane
        if interface.protocol == _UAS:
            usage = {
                interface.command_out: "command", interface.status_in: "status",
                interface.data_in: "data in", interface.data_out: "data out",
            }  # fmt: skip
            pipes = {endpoint: name for endpoint, name in usage.items() if endpoint is not None}
            lane = UasLane(*device, pipes, self.out, self._read, self._overdue)
        elif interface.protocol in (_CBI, _CBI_NO_INTERRUPT):
            ends = (interface.bulk_in, interface.bulk_out, interface.status_in)
            pipes = {endpoint: "" for endpoint in ends if endpoint is not None}
            lane = CbiLane(*device, interface.subclass, interface.protocol == _CBI, self.out, self._read)
        elif interface.bulk_in is not None and interface.bulk_out is not None and interface.protocol == _BULK_ONLY:
            pipes = {interface.bulk_in: "in", interface.bulk_out: "out"}
            lane = Lane(*device, self.out, self._read, self._overdue)
        else:
            return
        self._lanes.setdefault(device, []).append(lane)
        for endpoint in pipes:
            self._pipes[prefix | endpoint] = lane

    def _count(self, transfer: Transfer, place: str) -> None:
        self.elsewhere[place] += len(transfer.records)


_CHANGES_PIPES = frozenset(("configured", "interface", "attached", "address"))
_ENDS_EXCHANGES = _CHANGES_PIPES | {"reset", "class reset", "detached"}
# A device that was unplugged keeps its pipes until its address is given again: its last transfers end after it.
