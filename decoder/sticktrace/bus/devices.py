"""The bus tracker, without I/O: control and hub-interrupt transfers in, events out, devices kept over time.

Theory of operation
-------------------
A hub's port shows a connection (USB 2.0 11.24.2.7.1); the host resets the port; from then on the device behind it is
the one that answers at address 0 (9.1.1.3), one device at a time on a bus. SET_ADDRESS moves it to its own address
(9.4.6), SET_CONFIGURATION gives its endpoints meaning (9.4.7). What a capture leaves out is bridged, and the story of
the device says so:

* a host controller that assigns addresses itself shows no SET_ADDRESS: the first GET_DESCRIPTOR(device) to an
  unknown address after a port reset belongs to the device behind that port;
* a recording without any hub has a single socket in view: whoever answers at address 0 is that socket's device,
  until its ids or its serial number say otherwise;
* other ids, or another serial number, at an address in use mean another device;
* a port whose device was plugged in before the capture began is reset: a host never gives away an address in use
  (9.4.6), so whoever is then given, or answers at, an address that a device of unknown place has is that device. Until
  that is settled the newcomer is in ``unsettled``, and then in ``settled`` with the device that it turned out to be;
* storage traffic of an address of which no request was seen belongs to a device all the same, undescribed.
"""

from __future__ import annotations

from collections.abc import Callable

from sticktrace.bus import learn, ports
from sticktrace.bus.device import HUB_SAYS, Device, Gap
from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.interfaces import Role, StorageInterface
from sticktrace.bus.requests import Request, is_request, read_request
from sticktrace.capture.transfer import INTERRUPT, Transfer
from sticktrace.capture.wire import Told
from sticktrace.text import time_in_words


def _nothing_told(_bus: int, _address: int) -> Told | None:
    return None


Handler = Callable[["Bus", Device, Request, bytes], None]

_HANDLERS: dict[tuple[int, int], Handler] = {
    # (bmRequestType, bRequest): what the tracker learns from it
    (0x80, 0x06): learn.descriptor,  # USB 2.0 9.4.3
    (0x00, 0x05): learn.set_address,  # 9.4.6
    (0x00, 0x09): learn.set_configuration,  # 9.4.7
    (0x80, 0x08): learn.get_configuration,  # 9.4.2
    (0x01, 0x0B): learn.set_interface,  # 9.4.10
    (0x81, 0x0A): learn.get_interface,  # 9.4.4
    (0x02, 0x01): learn.clear_halt,  # 9.4.1
    (0x21, 0xFF): learn.class_reset,  # BOT 1.0 3.1
    (0xA1, 0xFE): learn.max_lun,  # BOT 1.0 3.2
    (0xA0, 0x06): ports.hub_descriptor,  # 11.24.2.5
    (0xA0, 0x00): ports.hub_status,  # 11.24.2.6
    (0xA3, 0x00): ports.port_status,  # 11.24.2.7
    (0x23, 0x03): ports.set_port_feature,  # 11.24.2.13
    (0x23, 0x01): ports.clear_port_feature,  # 11.24.2.2
}

LAST_ADDRESS = 127  # USB 2.0 9.4.6

_BENIGN = {"done", "stall", "not seen"}
"""Results that are no device error: a STALL is an answer, and a lost completion says nothing."""


class Bus:
    """Keeps every device of a capture, on all its buses. ``devices`` holds them in order of appearance."""

    def __init__(self) -> None:
        self.devices: list[Device] = []
        self.at_address: dict[tuple[int, int], Device] = {}
        self.at_default: dict[int, Device] = {}
        self.buses_with_hub: set[int] = set()
        self.unsettled: dict[int, Device] = {}
        self.settled: list[tuple[Device, Device]] = []
        self.told: Callable[[int, int], Told | None] = _nothing_told
        """What the capture's own headers or tokens tell of the device at an address of a bus."""
        self._events: list[BusEvent] = []
        self._speaker: Device | None = None

    def feed(self, transfer: Transfer, data: bytes = b"") -> list[BusEvent]:
        """Take in one control or interrupt transfer with its captured payload; returns what happened."""
        if is_request(transfer):
            return self.take(read_request(transfer, data), data)
        if transfer.kind == INTERRUPT:
            device = self.at_address.get((transfer.bus, transfer.address))
            if device is not None and device.is_hub and transfer.status == 0 and data:
                ports.status_change(device, transfer.end_ns, data)
        return []

    def missing(self) -> None:
        """The recorder lost transfers: whether a reset that has begun is over by now is not known."""
        for device in self.at_default.values():
            for reset in device.resets[-1:]:
                reset.unsure = reset.end_ns < 0

    def take(self, request: Request, data: bytes = b"") -> list[BusEvent]:
        """The same for a control transfer that was already read with `read_request`."""
        self._events = []
        device = self._speaker = self._device_of(request)
        device.described = True
        self._told_of(device, request)
        self._close_gap(device, request)
        if request.result not in _BENIGN:
            device.errors += 1
            if device.errors <= 20:
                device.tell(request.end_ns, request.text, request.records)
            self.emit(Happening.DEVICE_ERROR, request, device, request.text, done=False)
        handler = _HANDLERS.get((request.request_type, request.request))
        if handler is not None:
            handler(self, device, request, data)
        request.device = self._speaker
        return self._events

    def forget(self, device: Device) -> None:
        """A device is gone from its place, as a text says."""
        self.at_address = {place: who for place, who in self.at_address.items() if who is not device}
        self.at_default = {bus: who for bus, who in self.at_default.items() if who is not device}

    def begin_anew(self, time_ns: int) -> None:
        """Another recording begins: nobody is known any more."""
        for device in self.devices:
            if device.present:
                device.replaced_ns = time_ns
                device.tell(time_ns, "the recording ends here, and another begins", ())
        self.at_address.clear()
        self.at_default.clear()
        self.buses_with_hub.clear()

    def _told_of(self, device: Device, request: Request) -> None:
        """Speed and place as headers or tokens tell; a hub's word on the speed stands above theirs."""
        told = self.told(request.bus, request.address)
        if told is None:
            return
        device.place = told.place or device.place
        if told.speed and (not device.speed or device.speed_from != HUB_SAYS):
            device.speed, device.speed_from = told.speed, told.source

    # Questions

    def find(self, bus: int, address: int) -> Device | None:
        """The device that has this address now."""
        return self.at_default.get(bus) if address == 0 else self.at_address.get((bus, address))

    def holder(self, bus: int, address: int, time_ns: int) -> Device:
        """The device that has this address now; one that is not described yet where no request has told of any."""
        device = self.find(bus, address)
        if device is None:
            device = self.new_device(bus, time_ns)
            if address:
                device.addresses.append(address)
                self.at_address[bus, address] = device
            else:
                self.at_default[bus] = device
        return device

    def storage_interfaces(self, bus: int, address: int, *, all_settings: bool = False) -> list[StorageInterface]:
        """The mass storage interfaces of a device in their chosen alternate settings (0 until SET_INTERFACE is seen);
        ``all_settings`` adds those not chosen. Empty when no configuration descriptor was seen."""
        device = self.find(bus, address)
        found = device.storage_interfaces() if device else []
        return found if all_settings else [s for s in found if s.active]

    def endpoint_role(self, bus: int, address: int, endpoint: int) -> Role | None:
        """Who owns an endpoint address, None if no descriptor told. Endpoints of alternate settings not chosen are
        found too, with ``active`` False, as a capture may miss the SET_INTERFACE."""
        device = self.find(bus, address)
        return device.roles().get(endpoint) if device else None

    def adopt(self, bus: int, address: int, endpoint: int, time_ns: int, records: tuple[int, ...]) -> bool:
        """Traffic shows that the alternate setting of this endpoint is in use, though no SET_INTERFACE was recorded:
        take it as chosen. Returns whether that changed anything."""
        device = self.find(bus, address)
        role = device.roles().get(endpoint) if device is not None else None
        if device is None or role is None or role.active:
            return False
        device.alternates[role.interface] = role.alternate
        device.changed()
        where = f"alternate setting {role.alternate} of interface {role.interface}"
        text = f"works in {where}; no SET_INTERFACE was recorded"
        device.tell(time_ns, text, records)
        return True

    # For the modules that learn

    def emit(
        self, kind: Happening, request: Request, device: Device, text: str, *, done: bool = True, endpoint: int = -1,
        address: int | None = None, time_ns: int | None = None,
    ) -> None:  # fmt: skip
        """Report an event that this request shows."""
        where = device.address if address is None else address
        when = request.end_ns if time_ns is None else time_ns
        self._events.append(BusEvent(kind, when, device.bus, where, device, text, request.records, endpoint, done))

    def new_device(self, bus: int, time_ns: int, hub: Device | None = None, port: int = 0) -> Device:
        """A device not known before."""
        device = Device(bus, time_ns, hub=hub, port=port)
        self.devices.append(device)
        return device

    def assign(self, device: Device, address: int, request: Request) -> Device:
        """Let a device have an address, whoever had it before."""
        holder = self.at_address.get((device.bus, address))
        if self.unsettled.get(device.bus) is device:
            device = self._settle(device, holder)
            holder = self.at_address.get((device.bus, address))
        if holder is not None and holder is not device and holder.present:
            holder.replaced_ns = request.end_ns
            holder.tell(request.end_ns, f"address {address} is given to another device", request.records)
        self._leave_address(device, address)
        self.at_address[(device.bus, address)] = device
        if self.at_default.get(device.bus) is device:
            del self.at_default[device.bus]
        if not device.addresses or device.addresses[-1] != address:
            device.addresses.append(address)
        return device

    def _leave_address(self, device: Device, unless: int = -1) -> None:
        """Only the address given last can still be the device's."""
        key = (device.bus, device.address)
        if key[1] != unless and self.at_address.get(key) is device:
            del self.at_address[key]

    def replace(self, old: Device, request: Request, why: str) -> Device:
        """Another device answers where ``old`` did."""
        new = self.new_device(old.bus, request.time_ns, old.hub, old.port)
        new.speed, new.speed_from, new.place = old.speed, old.speed_from, old.place
        old.replaced_ns = request.time_ns
        old.tell(request.end_ns, f"another device answers here now: {why}", request.records)
        new.tell(request.end_ns, f"answers in place of {old.title}: {why}", request.records)
        if old.hub is not None and old.hub.as_hub is not None and old.port in old.hub.as_hub.ports:
            old.hub.as_hub.ports[old.port].device = new
        if self.at_default.get(old.bus) is old:
            self.at_default[old.bus] = new
        else:
            self.at_address[(old.bus, old.address)] = new
            new.addresses.append(old.address)
        self._speaker = new
        self.emit(Happening.ATTACHED, request, new, f"another device answers here now: {why}")
        return new

    def remove(self, device: Device, request: Request, text: str, time_ns: int) -> None:
        """A device was unplugged, and with a hub everything behind it."""
        if not device.present:
            return
        device.detached_ns = time_ns
        device.tell(time_ns, text, request.records)
        self.emit(Happening.DETACHED, request, device, text, time_ns=time_ns)
        self._leave_address(device)
        if self.at_default.get(device.bus) is device:
            del self.at_default[device.bus]
        for port in device.as_hub.ports.values() if device.as_hub else ():
            if port.device is not None:
                self.remove(port.device, request, "gone with the hub that it hung behind", time_ns)

    # Who is meant

    def wonder(self, device: Device) -> None:
        """A port is reset whose device was there before the capture began. Where a device of unknown place is about, it
        may be that one."""
        if any(self._may_be(other, device) for other in self.devices):
            self.unsettled[device.bus] = device

    def has_unplaced(self, bus: int) -> bool:
        """Whether a device is about of which the capture does not show where it hangs."""
        return any(d.bus == bus and d.unplaced for d in self.devices)

    def settle_open(self, bus: int) -> None:
        """Nothing will tell any more: the device in question is one not met before."""
        device = self.unsettled.pop(bus, None)
        if device is not None:
            self.settled.append((device, device))

    @staticmethod
    def _may_be(known: Device, newcomer: Device) -> bool:
        """Whether a device met before may be the one whose port was just reset: of unknown place, no other ids."""
        if known is newcomer or known.bus != newcomer.bus or not known.unplaced:
            return False
        return known.ids is None or newcomer.ids is None or known.ids == newcomer.ids

    def _answers_for(self, known: Device, request: Request) -> bool:
        """Whether a device met before turns out to be the one that was reset, by answering at its old address."""
        waiting = self.unsettled.get(request.bus)
        asked = waiting is not None and not waiting.spoken and _asks_device(request) and request.done
        return asked and waiting is not None and self._may_be(known, waiting)

    def _settle(self, device: Device, found: Device | None) -> Device:
        """Who the device in question is: ``found``, if that may be, else itself. Returns it."""
        if self.unsettled.pop(device.bus, None) is None:
            return device
        if found is None or not self._may_be(found, device):
            self.settled.append((device, device))
            return device
        found.take_over(device)
        self.devices.remove(device)
        if found.hub is not None and found.hub.as_hub is not None:
            found.hub.as_hub.port(found.port).device = found
        if self.at_default.get(device.bus) is device:
            self.at_default[device.bus] = found
        self._speaker = found if self._speaker is device else self._speaker
        for event in self._events:
            event.device = found if event.device is device else event.device
        self.settled.append((device, found))
        return found

    def _device_of(self, request: Request) -> Device:
        if request.address == 0:
            return self._at_zero(request)
        device = self.at_address.get((request.bus, request.address))
        waiting = self.at_default.get(request.bus)
        if device is None:
            return self._newcomer(request, waiting)
        if self._answers_for(device, request) and waiting is not None:
            waiting = self._settle(waiting, device)
        if device is waiting and request.done:
            # It answers at its old address after a reset: the host controller gave it back without a SET_ADDRESS.
            del self.at_default[request.bus]
        return device

    def _at_zero(self, request: Request) -> Device:
        device = self.at_default.get(request.bus)
        if device is None:
            device = self._lone_device(request) or self.new_device(request.bus, request.time_ns)
            self.at_default[request.bus] = device
            if not device.addresses:
                device.tell(request.time_ns, "first seen at address 0; the port reset is not in view", request.records)
        device.spoken = True
        return device

    def _lone_device(self, request: Request) -> Device | None:
        """Without a hub in view there is one socket, so its device is back at address 0."""
        here = (self.at_address.get((request.bus, address)) for address in range(1, LAST_ADDRESS + 1))
        present = [device for device in here if device is not None]
        if request.bus in self.buses_with_hub or len(present) != 1:
            return None
        device = present[0]
        text = "back at address 0: reset, or taken off and put on again; this capture does not show which"
        device.tell(request.time_ns, text, request.records)
        self.emit(Happening.RESET, request, device, text, time_ns=request.time_ns)
        device.unconfigure()
        return device

    def _newcomer(self, request: Request, waiting: Device | None) -> Device:
        if waiting is not None and not waiting.spoken and _asks_device(request):
            waiting = self.assign(waiting, request.address, request)
            text = f"at address {request.address}; no SET_ADDRESS seen, the host controller may have given it"
            waiting.tell(request.time_ns, text, request.records)
            self.emit(Happening.ADDRESS, request, waiting, text, time_ns=request.time_ns)
            return waiting
        device = self.new_device(request.bus, request.time_ns)
        device.addresses.append(request.address)
        self.at_address[(request.bus, request.address)] = device
        device.tell(request.time_ns, f"first seen at address {request.address}", request.records)
        return device

    def _close_gap(self, device: Device, request: Request) -> None:
        if device.waiting is None:
            return
        kind, since = device.waiting
        device.waiting = None
        gap = Gap(kind, since, request.time_ns, request.records)
        device.gaps.append(gap)
        what = "the reset ended" if kind == "reset" else "SET_ADDRESS"
        if gap.length_ns:  # else the clock is too coarse, or there is none
            device.tell(request.time_ns, f"first request {time_in_words(gap.length_ns)} after {what}", request.records)


def _asks_device(request: Request) -> bool:
    """Whether it is GET_DESCRIPTOR(device), with which a host begins once a device has its address."""
    return request.request_type == 0x80 and request.request == 6 and request.value in (-1, 0x0100)
