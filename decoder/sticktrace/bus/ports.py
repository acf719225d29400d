"""What hub requests tell: who is connected to which port, resets and their duration, over-current (USB 2.0 11.24.2)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sticktrace.bus.device import HUB_SAYS, Device, Gap
from sticktrace.bus.events import Happening
from sticktrace.bus.hubs import CONNECTION, ENABLE, OVER_CURRENT, RESETTING, Hub, Port, PortState, Reset
from sticktrace.codes.usb_requests import BH_PORT_RESET, C_PORT_CONNECTION, PORT_POWER, PORT_RESET, PORT_SUSPEND
from sticktrace.grammar.hub import port_words
from sticktrace.text import time_in_words

if TYPE_CHECKING:
    from sticktrace.bus.devices import Bus
    from sticktrace.bus.requests import Request


def _hub(bus: Bus, device: Device) -> Hub:
    if device.as_hub is None:
        # SuperSpeed hubs have protocol 3 (USB 3.2 10.15.1); their port status words differ.
        device.as_hub = Hub(superspeed=device.superspeed or device.descriptor[6:7] == b"\x03")
        bus.buses_with_hub.add(device.bus)
    return device.as_hub


def _place(device: Device, port: Port) -> str:
    return f"port {port.number} of the hub at address {device.address}"


def hub_descriptor(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """GET_DESCRIPTOR of the hub class (11.24.2.5)."""
    hub = _hub(bus, device)
    if request.done and len(data) >= 3 and data[1] in (0x29, 0x2A) and len(data) >= len(hub.descriptor):
        hub.descriptor = data[: data[0]] if data[0] >= 7 else data
        hub.superspeed = data[1] == 0x2A
        device.tell(request.end_ns, f"is a hub with {data[2]} ports", request.records)


def hub_status(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """GET_STATUS of the hub itself (Tables 11-19, 11-20)."""
    hub = _hub(bus, device)
    if not request.done or len(data) < 4:
        return
    before, hub.hub_status = hub.hub_status, int.from_bytes(data[:2], "little")
    if hub.hub_status & 2 and not before & 2:
        text = "over-current on the whole hub"
        device.tell(request.end_ns, text, request.records)
        bus.emit(Happening.OVER_CURRENT, request, device, text)


def status_change(device: Device, time_ns: int, data: bytes) -> None:
    """The hub's interrupt bitmap: bit n is port n (11.12.4)."""
    hub = device.as_hub
    if hub is None:
        return
    hub.reports += 1
    bitmap = int.from_bytes(data[:32], "little")
    for number, port in hub.ports.items():
        if bitmap >> number & 1 and port.signalled_ns < 0:
            port.signalled_ns = time_ns


def set_port_feature(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """SET_FEATURE(port): power and reset matter here (11.24.2.13)."""
    port = _hub(bus, device).port(request.index & 0xFF)
    if request.value == PORT_POWER and request.done:
        port.power_asked_ns = request.end_ns
        device.tell(request.end_ns, f"port {port.number}: power switched on", request.records)
    if request.value == PORT_SUSPEND and request.done:
        _note(port, request, "its port is suspended")
    if request.value in (PORT_RESET, BH_PORT_RESET) and request.result in ("done", "not seen"):
        _begin_reset(bus, device, port, request)


def clear_port_feature(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """CLEAR_FEATURE(port): acknowledges a change, so that its next showing is a new one (11.24.2.2)."""
    port = _hub(bus, device).port(request.index & 0xFF)
    if request.done and C_PORT_CONNECTION <= request.value < C_PORT_CONNECTION + 5:
        port.pending &= ~(1 << request.value - C_PORT_CONNECTION)
    if request.done and request.value == PORT_POWER:
        device.tell(request.end_ns, f"port {port.number}: power switched off", request.records)
    if request.done and request.value in (PORT_POWER, PORT_SUSPEND):
        what = "the power of its port is switched off" if request.value == PORT_POWER else "its port is resumed"
        _note(port, request, what)


def _note(port: Port, request: Request, text: str) -> None:
    if port.device is not None and port.device.present:
        port.device.tell(request.end_ns, text, request.records)


def _begin_reset(bus: Bus, hub: Device, port: Port, request: Request) -> None:
    device = port.device
    if device is None or not device.present:
        device = port.device = bus.new_device(hub.bus, request.time_ns, hub, port.number)
    bus.settle_open(hub.bus)
    if device.attached_ns < 0 and not device.addresses:
        bus.wonder(device)
    if device.attached_ns >= 0 and not device.resets:
        device.gaps.append(Gap("attach", device.attached_ns, request.time_ns, request.records))
    port.reset = Reset(request.time_ns, records=request.records)
    device.resets.append(port.reset)
    text = f"port reset ({_place(hub, port)})"
    device.tell(request.time_ns, text, request.records)
    bus.emit(Happening.RESET, request, device, text, done=request.done, time_ns=request.time_ns)
    device.unconfigure()
    device.waiting = None
    bus.at_default[hub.bus] = device


def port_status(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """GET_STATUS(port): two words that tell connection, speed, reset and over-current (11.24.2.7)."""
    hub = _hub(bus, device)
    if not request.done or len(data) < 4:
        return
    port = hub.port(request.index & 0xFF)
    signalled = port.signalled_ns
    status, change = int.from_bytes(data[:2], "little"), int.from_bytes(data[2:4], "little")
    if not hub.descriptor and not device.descriptor:
        # A powered USB 2.0 port shows bit 8, a powered SuperSpeed port bit 9 instead (USB 3.2 10.16.2.6).
        hub.superspeed = status & 0x300 == 0x200 or (hub.superspeed and not status & 0x300)
    known = len(port.history)
    fresh = port.record(PortState(request.end_ns, status, change, request.records))
    # The hub's own report, if recorded, is nearer to the event than the host's reading of it.
    when = signalled if fresh & (CONNECTION | OVER_CURRENT) and signalled >= 0 else request.end_ns
    if len(port.history) > known:
        words = port_words(status, change, hub.superspeed)
        device.tell(request.end_ns, f"port {port.number}: {words}", request.records)
    if fresh & OVER_CURRENT or (status & OVER_CURRENT and len(port.history) < 2):
        _over_current(bus, device, port, request, status, when)
    _connection(bus, device, hub, port, request, bool(fresh & CONNECTION), when)
    if port.reset is not None and not status & RESETTING:
        _end_reset(hub, device, port, request, status)


def _over_current(bus: Bus, hub: Device, port: Port, request: Request, status: int, when: int) -> None:
    text = f"over-current on {_place(hub, port)}" + ("" if status & OVER_CURRENT else " came and went")
    target = port.device if port.device is not None and port.device.present else hub
    target.tell(when, text, request.records)
    bus.emit(Happening.OVER_CURRENT, request, target, text, time_ns=when)


def _connection(bus: Bus, hub_device: Device, hub: Hub, port: Port, request: Request, new: bool, when: int) -> None:
    """Compare what the port says with who is known to be there."""
    device, connected = port.device, bool(port.status & CONNECTION)
    there = device is not None and device.present
    if there and device is not None and (not connected or (new and _came_anew(hub, port, device))):
        bus.remove(device, request, f"unplugged from {_place(hub_device, port)}", when)
        there = False
    if connected and not there and (new or not bus.has_unplaced(hub_device.bus)):
        fresh = port.device = bus.new_device(hub_device.bus, when, hub_device, port.number)
        words = port_words(port.status, 0, hub.superspeed)
        if new:
            fresh.attached_ns = when
            text = f"plugged into {_place(hub_device, port)} ({words})"
        else:
            text = f"already on {_place(hub_device, port)} ({words})"
        fresh.tell(when, text, request.records)
        bus.emit(Happening.ATTACHED, request, fresh, text, time_ns=when)
    if not connected:
        port.device = None


def _came_anew(hub: Hub, port: Port, device: Device) -> bool:
    """Whether a connection change with someone there means another plugging in. A SuperSpeed link may report one
    while it is reset (USB 3.2 10.3.1), and the first reading of a port may be of the plugging in already known."""
    if hub.superspeed and port.reset is not None:
        return False
    return len(port.history) > 1 or device.attached_ns >= 0


def _end_reset(hub: Hub, hub_device: Device, port: Port, request: Request, status: int) -> None:
    reset, device = port.reset, port.device
    if reset is None:
        return
    reset.end_ns, reset.records = request.end_ns, reset.records + request.records
    port.reset = None
    if device is None or not device.present:
        return
    took = time_in_words(reset.duration_ns)
    if not status & ENABLE:
        device.tell(request.end_ns, f"reset over after {took}, but the port is not enabled", request.records)
        return
    device.speed, device.speed_from = hub.speed(status), HUB_SAYS
    device.waiting = ("reset", request.end_ns)
    device.tell(request.end_ns, f"reset over after at most {took}, {device.speed} speed", request.records)
