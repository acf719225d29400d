"""What standard and mass storage requests tell about a device (USB 2.0 9.4, Bulk-Only Transport 1.0 3)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sticktrace.bus.device import Device, StringText
from sticktrace.bus.events import Happening
from sticktrace.bus.interfaces import parse_configuration
from sticktrace.codes import msc
from sticktrace.grammar.usb import langids, string_text
from sticktrace.grammar.usb_chain import descriptors
from sticktrace.text import count_of, safe

if TYPE_CHECKING:
    from sticktrace.bus.devices import Bus
    from sticktrace.bus.requests import Request


_LOOK_BACK = 200
"""How many devices back a device is looked for that was plugged in before; a flapping contact makes many."""


def descriptor(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """GET_DESCRIPTOR from the device (9.4.3), by the type that was asked for."""
    if not request.done or len(data) < 2:
        return
    kind = request.value >> 8 if request.value >= 0 else data[1]
    if data[1] != kind:
        device.lie(f"asked for descriptor type {kind:02X}h, it sent type {data[1]:02X}h")
        return
    if kind == 1:
        _device_descriptor(bus, device, request, data)
    elif kind == 2:
        _configuration(device, request, data)
    elif kind == 3 and request.value >= 0:
        _string(bus, device, request, data)
    elif len(data) >= len(device.other_descriptors.get(kind, b"")):
        device.other_descriptors[kind] = data
        _note_lies(device, data)


def _note_lies(device: Device, data: bytes) -> None:
    for lie in descriptors(data).lies:
        device.lie(lie)


def _device_descriptor(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    _note_lies(device, data)
    data = data[:18]
    ids = int.from_bytes(data[8:10], "little"), int.from_bytes(data[10:12], "little")
    if len(data) >= 12 and device.ids is not None and device.ids != ids:
        device = bus.replace(device, request, "other ids")
    elif len(data) >= 14 and len(device.descriptor) >= 14 and device.descriptor[12:14] != data[12:14]:
        device = bus.replace(device, request, "the same ids, another release (bcdDevice)")
    if len(data) >= len(device.descriptor):
        before, device.descriptor = device.ids, data
        device.changed()
        if device.ids and device.ids != before:
            device.tell(request.end_ns, f"is {device.vid_pid}", request.records)


def _configuration(device: Device, request: Request, data: bytes) -> None:
    if 0 <= request.actual < min(request.requested, int.from_bytes(data[2:4], "little")):
        asked = f"asked for {request.requested} bytes, it sent {request.actual}"
        device.lie(f"wTotalLength is {int.from_bytes(data[2:4], 'little')}, {asked}")
    if any(known.data == data for known in device.configurations.values()):
        return
    found = parse_configuration(data)
    if found is None:
        _note_lies(device, data)
        return
    for lie in found.lies:
        device.lie(f"configuration {found.value}: {lie}")
    known = device.configurations.get(found.value)
    if known is None or len(found.data) >= len(known.data):
        device.configurations[found.value] = found
        device.changed()


def _string(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    index = request.value & 0xFF
    body = data[2 : data[0]] if data[0] >= 2 else b""
    if index == 0:
        device.languages = langids(body)
        return
    if body and body == b"".join(language.to_bytes(2, "little") for language in device.languages):
        device.lie(f"string {index} repeats the list of languages: no name")
        return
    if data[0] == 2:
        device.lie(f"string {index} is empty: no name")
    text = StringText(string_text(body), len(data) >= data[0])
    key = (index, request.index)
    known = device.strings.get(key)
    serial = device.descriptor[16:17] == bytes([index])
    if known and known.whole and text.whole and known.text != text.text and serial:
        old, device = device, bus.replace(device, request, f"serial number {safe(text.text)}")
        # Same model, as the ids agreed: its descriptors hold for this one too.
        device.descriptor, device.configurations = old.descriptor, dict(old.configurations)
        device.configuration, device.alternates = old.configuration, dict(old.alternates)
    if known is None or len(text.text) >= len(known.text):
        device.strings[key] = text
    if serial and device.earlier is None:
        _recognise(bus, device, request, text)


def _recognise(bus: Bus, device: Device, request: Request, serial: StringText) -> None:
    """The same ids and serial number as one that is gone: the same device, plugged in again."""
    for other in reversed(bus.devices[-_LOOK_BACK:]):
        if other is device or other.present or other.descriptor[8:14] != device.descriptor[8:14]:
            continue  # idVendor, idProduct and bcdDevice (USB 2.0 Table 9-8)
        index = int.from_bytes(other.descriptor[16:17], "little")
        if any(at == index and s.text == serial.text for (at, _), s in other.strings.items()):
            device.earlier = other
            text = f"the same device as at address {other.address} before: same ids and serial number"
            device.tell(request.end_ns, text, request.records)
            return


def set_address(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """SET_ADDRESS (9.4.6)."""
    if not request.done or not 0 < request.value < 128:
        return
    device = bus.assign(device, request.value, request)
    text = f"gets address {request.value}"
    device.tell(request.end_ns, text, request.records)
    device.waiting = ("address", request.end_ns)
    bus.emit(Happening.ADDRESS, request, device, text)


def set_configuration(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """SET_CONFIGURATION (9.4.7); value 0 takes the device back to the Address state."""
    if request.done:
        device.configuration = request.value if request.value >= 0 else None
        device.alternates.clear()
        device.changed()
    current = device.current()
    text = request.text
    if request.done and request.value and current is not None:
        text += f" ({count_of(len({i.number for i in current.interfaces}), 'interface')}, "
        text += f"up to {current.max_power_ma(device.superspeed)} mA)"
    device.tell(request.end_ns, text, request.records)
    bus.emit(Happening.CONFIGURED, request, device, text, done=request.done)


def get_configuration(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """GET_CONFIGURATION (9.4.2): tells what was chosen before the capture began."""
    if request.done and data and device.configuration is None:
        device.configuration = data[0]
        device.changed()
        device.tell(request.end_ns, f"says that it is in configuration {data[0]}", request.records)


def set_interface(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """SET_INTERFACE (9.4.10). A device with one setting only may answer STALL, which changes nothing."""
    if request.done and request.value >= 0:
        device.alternates[request.index & 0xFF] = request.value
        device.changed()
    device.tell(request.end_ns, request.text, request.records)
    bus.emit(Happening.INTERFACE, request, device, request.text, done=request.done)


def get_interface(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """GET_INTERFACE (9.4.4)."""
    if request.done and data and request.index >= 0:
        device.alternates[request.index & 0xFF] = data[0]
        device.changed()


def clear_halt(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """CLEAR_FEATURE(ENDPOINT_HALT) (9.4.1): part of every recovery."""
    if request.value == 0:
        bus.emit(Happening.CLEAR_HALT, request, device, request.text, done=request.done, endpoint=request.index & 0xFF)


def _is_storage(device: Device, interface: int) -> bool:
    """Whether a class request to this interface can be mass storage: it is, or no descriptor says otherwise."""
    current = device.current()
    classes = [i.class_code for i in current.interfaces if i.number == interface & 0xFF] if current else []
    return not classes or msc.CLASS in classes


def class_reset(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """Bulk-Only Mass Storage Reset (BOT 1.0 3.1)."""
    if _is_storage(device, request.index):
        device.tell(request.end_ns, request.text, request.records)
        bus.emit(Happening.CLASS_RESET, request, device, request.text, done=request.done)


def max_lun(bus: Bus, device: Device, request: Request, data: bytes) -> None:
    """Get Max LUN (BOT 1.0 3.2); a device with one LUN may answer STALL."""
    if not _is_storage(device, request.index):
        return
    device.max_lun_result = request.result
    text = request.text
    if request.done and data:
        device.max_lun = data[0]
        text += f": {data[0]}"
    device.tell(request.end_ns, text, request.records)
    bus.emit(Happening.MAX_LUN, request, device, text, done=request.done)
