"""Brings each transfer to where it belongs: a storage lane, the bus room, or other traffic.

Endpoints belong to interfaces, and descriptors say which (USB 2.0 9.6.5, 9.6.6). Where the capture holds no descriptor
of a device, or only the beginning of one, the pipes that it does not show are told by the signatures of CBW and CSW,
and `Router.inferred` names the device.
"""

from __future__ import annotations

from collections import Counter, deque

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.hearsay import MOST_DEVICES, Hearsay
from sticktrace.bus.interfaces import Role, StorageInterface
from sticktrace.bus.requests import Request, is_request, read_request
from sticktrace.capture.logs import Kind, Statement
from sticktrace.capture.transfer import BREAK, BULK, GAP, INTERRUPT, Transfer
from sticktrace.transport.agreeing import Agreed
from sticktrace.transport.bot import Lane, Overdue, Read
from sticktrace.transport.cbi import CbiLane
from sticktrace.transport.items import Saying
from sticktrace.transport.remarks import Why
from sticktrace.transport.run import Run
from sticktrace.transport.saying import exchange_of
from sticktrace.transport.sequence import Sequence
from sticktrace.transport.tags import TagCounter
from sticktrace.transport.uas import UasLane

CONTROL_DATA = 4096
"""How much payload of a control transfer is looked at; no descriptor chain of a storage device is longer."""

_CBI, _CBI_NO_INTERRUPT, _BULK_ONLY, _UAS = 0x00, 0x01, 0x50, 0x62  # bInterfaceProtocol, MSC Overview 1.4 Table 2
_ADSC = b"\x21\x00"  # bmRequestType and bRequest of Accept Device-Specific Command, CBI 1.1 2.1

SETTLED_NS = 5_000_000_000
"""A device that was reset is spoken to by then (USB 2.0 9.2.6.1: within 5 s); who has not been told is a new one."""

CBW_HEAD = 15
"""Bytes of a CBW in front of its command block (BOT 1.0 Table 5.1)."""

BEYOND = f"log lines about devices beyond the first {MOST_DEVICES:,}"

MOST_SHOWN = 8
"""Commands back that a text may tell of again, in words."""

AnyLane = Lane | UasLane | CbiLane


class Router:
    """Feed it transfers in time order, then `end` it; take items out of ``out`` (see `Sequence.ready`).

    ``elsewhere`` counts the records that belong to none of the items, by place in words.
    """

    def __init__(self, read: Read, overdue: Overdue) -> None:
        self.bus = Bus()
        self._hearsay = Hearsay(self.bus)
        self.out = Sequence()
        self.elsewhere: Counter[str] = Counter()
        self.inferred: set[Device] = set()
        self._read, self._overdue = read, overdue
        self._holding = False
        self._counters: list[TagCounter] = []
        self._wondering: dict[int, int] = {}
        self.pipes: dict[int, AnyLane | None] = {}
        self._lanes: dict[Device, list[AnyLane]] = {}
        self._blocks: deque[bytes] = deque(maxlen=MOST_SHOWN)

    def feed(self, transfer: Transfer) -> None:
        """Take one transfer."""
        if transfer.kind == BULK:
            lane = self.pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)
            if lane is not None:
                if self._holding:
                    self._settle(lane)
                lane.feed(transfer)
                return
        if self._wondering:
            self._give_up(transfer.start_ns)
        if is_request(transfer):
            self._control(transfer)
        elif transfer.kind == BULK:
            self._bulk(transfer)
        elif transfer.kind == INTERRUPT:
            self._interrupt(transfer)
        elif transfer.kind == GAP:
            self._gap(transfer)
        elif transfer.kind == BREAK:
            self._begin_anew(transfer.start_ns)
        else:
            self._count(transfer, "isochronous traffic")

    def take_all(self, agreed: Agreed, record: int) -> Run | None:
        """Take exchanges in which everything agreed, all of one pair of pipes, as many of the first as may be taken
        like that: those of a Bulk-Only lane on which nothing is open, while no item waits. ``record`` is the number of
        the record that their columns count from."""
        lane = self.pipes.get(int(agreed.pipe_out[0]))
        if lane.__class__ is not Lane or lane is not self.pipes.get(int(agreed.pipe_in[0])) or not self.out.empty:
            return None
        here = int(agreed.pipe_out[0]) >> 8 == lane.bus << 8 | lane.address
        count = lane.take_all(agreed) if here else 0
        if not count:
            return None
        taken = agreed if count == len(agreed.first) else agreed.part(0, count)
        return Run(lane.device, taken, self.out.pass_by(count), record)

    def _gap(self, transfer: Transfer) -> None:
        """Transfers are missing, of whichever device."""
        for lanes in self._lanes.values():
            for lane in lanes:
                lane.control("GAP", transfer)
        self.bus.missing()
        self._count(transfer, "marks of lost transfers")

    def hear(self, item: Transfer | Statement) -> None:
        """Take what a text tells: a transfer, or something said."""
        if isinstance(item, Statement):
            self.tell(item)
            return
        if not item.address and item.bus:
            self._call_to(item.bus)
        self.feed(item)
        if item.kind == BULK and Lane.looks_like_command(self._read, item):
            self._blocks.append(self._read(item.data_at + CBW_HEAD, item.captured - CBW_HEAD))
        device = self.bus.find(item.bus, item.address)
        if device is not None and not device.is_hub:
            self._hearsay.at_hand = device
            if device.heard is not None:
                device.heard.beside = True

    def tell(self, statement: Statement) -> None:
        """Take what a log says."""
        device, lun, events = self._hearsay.take(statement)
        if device is None:
            self.elsewhere[BEYOND if self._hearsay.beyond else "log lines about no USB device"] += len(statement.owned)
            return
        for event in events:
            self.out.add(event)
        self._place(statement, device)
        exchange = None
        if statement.kind is Kind.COMMAND_FAILED and not self._shown(statement):
            exchange = exchange_of(statement, device, lun)
        if exchange is not None:
            self.out.add(exchange)
        self.out.add(
            Saying(statement.time_ns, device.bus, device.address, device, lun, statement, statement.owned,
                    exchange is not None)
        )  # fmt: skip

    def _shown(self, statement: Statement) -> bool:
        """Whether the failed command that a text tells of is one whose wrapper it has just shown."""
        block = statement.get("cdb", b"")
        return bool(block) and any(shown.startswith(block) for shown in self._blocks)

    def _place(self, statement: Statement, device: Device) -> None:
        """What a text says was plugged in is asked at address 0 (USB 2.0 9.1.2), and traffic of which no address is
        printed is its own; what is gone is nowhere."""
        if statement.kind is Kind.PLUGGED and not device.described and not device.is_hub:
            for bus in (device.bus, 0):
                if self.bus.find(bus, 0) is None:
                    self.bus.at_default[bus] = device
        elif statement.kind is Kind.UNPLUGGED:
            for lane in self._lanes.get(device, ()):
                lane.control("GONE", None, Why.GONE)
            self.bus.forget(device)

    def _call_to(self, bus: int) -> None:
        """Traffic at address 0 of a bus is of what the text said was plugged in, though it did not say on which bus."""
        waiting = self.bus.at_default.get(0)
        if waiting is None or waiting.heard is None or waiting.described or self.bus.find(bus, 0) is not None:
            return
        del self.bus.at_default[0]
        waiting.bus = bus
        self.bus.at_default[bus] = waiting

    def _begin_anew(self, time_ns: int) -> None:
        """Another recording begins: what was open ends, and who was there is not known any more."""
        self.end()
        self.pipes.clear()
        self._lanes.clear()
        self.bus.begin_anew(time_ns)

    def end(self) -> None:
        """The capture ends: close what is open."""
        self._give_up(None)
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
        device = self.bus.find(transfer.bus, transfer.address)
        for known in self._lanes.get(device, ()) if device is not None and transfer.endpoint & 0x80 else ():
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
        place = (transfer.bus, transfer.address)
        role = self.bus.endpoint_role(*place, transfer.endpoint)
        if role is None:
            return self._infer(transfer)
        if not role.storage:
            return None
        if not role.active and not (
            self._looks_like_command(transfer)
            and self.bus.adopt(*place, transfer.endpoint, transfer.start_ns, transfer.records)
        ):
            return None
        # Its descriptors were seen, its SET_CONFIGURATION or SET_INTERFACE was not.
        device = self.bus.holder(*place, transfer.start_ns)
        if all(lane.inferred for lane in self._lanes.get(device, ())):
            self._map_pipes(device)
        return self.pipes.get(transfer.bus << 16 | transfer.address << 8 | transfer.endpoint)

    def _looks_like_command(self, transfer: Transfer) -> bool:
        return Lane.looks_like_command(self._read, transfer) or UasLane.looks_like_command(self._read, transfer)

    def _infer(self, transfer: Transfer) -> AnyLane | None:
        device = self.bus.find(transfer.bus, transfer.address)
        lane: Lane | UasLane | None = None
        for known in self._lanes.get(device, ()) if device is not None else ():
            if isinstance(known, Lane | UasLane) and known.inferred and known.wants(transfer):
                lane = known
                break
        else:
            lane = self._new_inferred(transfer)
            if lane is None or not lane.wants(transfer):
                return None
            self._lanes.setdefault(lane.device, []).append(lane)
        self.inferred.add(lane.device)
        self.pipes[transfer.bus << 16 | transfer.address << 8 | transfer.endpoint] = lane
        return lane

    def _new_inferred(self, transfer: Transfer) -> Lane | UasLane | None:
        place = (transfer.bus, transfer.address)
        if Lane.looks_like_command(self._read, transfer):
            return Lane(
                self.bus.holder(*place, transfer.start_ns), *place, self.out, self._read, self._overdue,
                counters=self._counters,
            )  # fmt: skip
        if UasLane.looks_like_command(self._read, transfer):
            return UasLane(self.bus.holder(*place, transfer.start_ns), *place, {}, self.out, self._read, self._overdue)
        return None

    # -- control ---------------------------------------------------------------------------------------------

    def _control(self, transfer: Transfer) -> None:
        data = self._read(transfer.data_at, min(transfer.captured, CONTROL_DATA))
        request = read_request(transfer, data)
        if transfer.setup[:2] == _ADSC:
            request.in_exchange = self._adsc(transfer)
        wondered = self.bus.unsettled.get(transfer.bus)
        for event in self.bus.take(request, data):
            self._happened(event, transfer, request)
        self.out.add(request)
        if self.bus.unsettled.get(transfer.bus) is not wondered and transfer.bus in self.bus.unsettled:
            self._wondering[transfer.bus] = transfer.start_ns
            self.out.hold()
        self._settle_devices()

    def _settle_devices(self) -> None:
        """The bus has found out who a device is: what waited for that goes on, under the right name."""
        for provisional, found in self.bus.settled:
            self.out.settle(provisional, found)
            for lane in self._lanes.get(found, ()) if found is not provisional else ():
                lane.control("RESET", None, Why.RESET)
        self.bus.settled.clear()
        for bus in [bus for bus in self._wondering if bus not in self.bus.unsettled]:
            del self._wondering[bus]
        if not self._wondering:
            self.out.release()

    def _give_up(self, now_ns: int | None) -> None:
        """Who has not been told apart for long, or when the capture ends, is a device not met before."""
        for bus, since in list(self._wondering.items()):
            if now_ns is None or now_ns - since > SETTLED_NS:
                self.bus.settle_open(bus)
        self._settle_devices()

    def _adsc(self, transfer: Transfer) -> bool:
        """CBI: a command block as a class request. Returns whether a lane took it."""
        device = self.bus.holder(transfer.bus, transfer.address, transfer.start_ns)
        if device not in self._lanes and device.storage_interfaces():
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
        if event.kind is Happening.CLEAR_HALT:
            lane = self.pipes.get(event.bus << 16 | event.address << 8 | event.endpoint)
            signal = "CLEARED IN" if event.endpoint & 0x80 else "CLEARED OUT"
            if lane is not None and lane.control(signal, transfer) and request is not None:
                request.in_exchange = True
            return
        signal = _SIGNALS.get(event.kind, "")
        meant = transfer.setup[4] if event.kind is Happening.CLASS_RESET and len(transfer.setup) == 8 else -1
        for lane in self._lanes.get(event.device, ()) if signal else ():
            if meant in (-1, lane.interface) or lane.interface < 0:
                lane.control(signal, transfer, _REASONS[event.kind])
        if event.kind in _CHANGES_PIPES:
            self._map_pipes(event.device)

    def _map_pipes(self, device: Device) -> None:
        """Lay out the lanes of a device anew: its configuration, an alternate setting or the device itself changed. A
        lane that was inferred and turns out right goes on as it is, and a descriptor that the capture cut leaves the
        pipes that it does not show to the traffic."""
        prefix = device.bus << 16 | device.address << 8
        kept = {key & 0xFF: lane for key, lane in self.pipes.items() if key & ~0xFF == prefix}
        for endpoint in kept:
            del self.pipes[prefix | endpoint]
        old = self._lanes.pop(device, [])
        current = device.current()
        told = current is not None and current.complete
        roles = device.roles()
        for interface in (found for found in device.storage_interfaces() if found.active):
            ends = _pipes_of(interface)
            lane = next((lane for lane in old if lane.inferred and _fits(lane, ends, kept, told, roles)), None)
            if lane is not None:
                old.remove(lane)
            else:
                lane = self._new_lane(device, interface, told)
            self._keep(device, lane, {**kept, **dict.fromkeys(ends, lane)})
        for lane in list(old) if not told else ():
            if lane.inferred and not any(end in roles for end, owner in kept.items() if owner is lane):
                old.remove(lane)
                self._keep(device, lane, kept)
        for lane in old:
            self._drop(lane, Why.CONFIGURED)
        for stranger in {owner for owner in kept.values() if owner is not None and owner.device is not device}:
            self._drop(stranger, Why.REPLACED)  # the address was another device's

    def _drop(self, lane: AnyLane, why: Why) -> None:
        """A lane is no more. What it held of a pipe that might be its own is given a place first."""
        self._settle(lane)
        lane.end(why)
        for key in [key for key, owner in self.pipes.items() if owner is lane]:
            del self.pipes[key]
        lanes = self._lanes.get(lane.device, [])
        if lane in lanes:
            lanes.remove(lane)

    def _keep(self, device: Device, lane: AnyLane | None, ends: dict[int, AnyLane | None]) -> None:
        """A lane of the device, with those of the endpoints that are its own."""
        if lane is None:
            return
        self._lanes.setdefault(device, []).append(lane)
        prefix = device.bus << 16 | device.address << 8
        for endpoint, owner in ends.items():
            if owner is lane:
                self.pipes[prefix | endpoint] = lane

    def _new_lane(self, device: Device, interface: StorageInterface, told: bool) -> AnyLane | None:
        number, ends = interface.number, _pipes_of(interface)
        place = (device, device.bus, device.address)
        if interface.protocol == _UAS:
            return UasLane(*place, ends, self.out, self._read, self._overdue, number, whole=told)
        if interface.protocol in (_CBI, _CBI_NO_INTERRUPT):
            with_interrupt = interface.protocol == _CBI
            return CbiLane(*place, interface.subclass, with_interrupt, self.out, self._read, number)
        whole = interface.bulk_in is not None and interface.bulk_out is not None
        if interface.protocol == _BULK_ONLY and (whole or not told):
            return Lane(
                *place, self.out, self._read, self._overdue, bulk_in=_or_untold(interface.bulk_in),
                bulk_out=_or_untold(interface.bulk_out), interface=number, counters=self._counters,
            )  # fmt: skip
        return None

    def _count(self, transfer: Transfer, place: str) -> None:
        self.elsewhere[place] += transfer.weight


def _pipes_of(interface: StorageInterface) -> dict[int, str]:
    """Endpoint address -> usage, for the pipes that the interface has."""
    usage = {
        interface.command_out: "command", interface.data_in: "data in", interface.data_out: "data out",
        interface.bulk_in: "in", interface.bulk_out: "out", interface.status_in: "status",
    }  # fmt: skip
    return {endpoint: name for endpoint, name in usage.items() if endpoint is not None}


def _or_untold(endpoint: int | None) -> int:
    return -1 if endpoint is None else endpoint


def _fits(
    lane: AnyLane, ends: dict[int, str], kept: dict[int, AnyLane | None], told: bool, roles: dict[int, Role]
) -> bool:
    """Whether every pipe that a lane was seen to use is one of these; where the descriptor is cut, or at least nobody
    else's."""
    mine = [endpoint for endpoint, owner in kept.items() if owner is lane]
    return bool(mine) and all(end in ends or (not told and end not in roles) for end in mine)


_CHANGES_PIPES = frozenset((Happening.CONFIGURED, Happening.INTERFACE, Happening.ATTACHED, Happening.ADDRESS))
_SIGNALS = {
    **dict.fromkeys((*_CHANGES_PIPES, Happening.RESET, Happening.CLASS_RESET), "RESET"), Happening.DETACHED: "GONE"
}  # fmt: skip
# A device that was unplugged keeps its pipes until its address is given again: its last transfers end after it.

_REASONS = {
    Happening.RESET: Why.RESET, Happening.CLASS_RESET: Why.CLASS_RESET, Happening.DETACHED: Why.GONE,
    Happening.CONFIGURED: Why.CONFIGURED, Happening.INTERFACE: Why.INTERFACE, Happening.ADDRESS: Why.ADDRESS,
    Happening.ATTACHED: Why.REPLACED,
}  # fmt: skip
