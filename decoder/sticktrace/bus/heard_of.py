"""What each kind of statement tells of the device that it is about, and what happened with it."""

from __future__ import annotations

from collections.abc import Callable

from sticktrace.bus.device import Device
from sticktrace.bus.events import Happening
from sticktrace.bus.heard import Heard
from sticktrace.capture.logs import Kind, Statement

Tell = Callable[..., None]
"""Reports an event: kind, statement, device, and whether it succeeded (True where left out)."""

_ROOT_HUBS = 0x1D6B
"""idVendor that Linux kernels give their root hubs."""


def _plug(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    if item.get("speed"):
        device.speed = item.get("speed")
    address = item.about.address
    if address > 0 and device.address != address:
        device.addresses.append(address)
    heard.driver = item.get("driver", "") or heard.driver
    if item.get("text") and not heard.strings:
        heard.strings["iProduct"] = item.get("text")
    if device.attached_ns < 0:
        device.attached_ns = item.time_ns
        tell(Happening.ATTACHED, item, device)
    if item.reaches == "descriptors":
        tell(Happening.ADDRESS, item, device)


def _unplug(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    if device.detached_ns < 0:
        device.detached_ns = item.time_ns
        tell(Happening.DETACHED, item, device)


def _reset(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    if item.get("speed"):
        device.speed = item.get("speed")
    if item.about.address > 0 and not device.addresses:
        device.addresses.append(item.about.address)
    tell(Happening.RESET, item, device)


def _ids(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    before = heard.ids or (-1, -1)
    heard.ids = (item.get("vid", before[0]), item.get("pid", before[1]))
    heard.release = item.get("bcd", heard.release)
    if heard.ids[0] == _ROOT_HUBS and heard.path.endswith("-0"):  # a root hub's own ids
        heard.kind = "hub"
    if device.addresses:
        tell(Happening.ADDRESS, item, device)


def _string(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    name = {"product": "iProduct", "manufacturer": "iManufacturer", "serial": "iSerialNumber"}[item.get("which")]
    heard.strings.setdefault(name, item.get("text", ""))


def _driver(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    first = heard.kind != "storage"
    heard.kind = "storage"
    heard.transport = item.get("transport", "") or heard.transport
    if first or item.kind is Kind.DRIVER:
        tell(Happening.CONFIGURED, item, device)


def _hub(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    heard.kind = "hub"


def _other(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    heard.kind = heard.kind or "other"


def _storage(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    heard.kind = "storage"


def _step(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    if item.end == "device" and "storage" in item.line.casefold():  # what a gadget calls itself
        heard.kind = "storage"


def _current(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    tell(Happening.OVER_CURRENT, item, device)


def _error(item: Statement, device: Device, heard: Heard, tell: Tell) -> None:
    device.errors += 1
    if "vid" in item.values:
        heard.ids = (item.get("vid"), item.get("pid", -1))
    tell(Happening.DEVICE_ERROR, item, device, False)


LEARN: dict[Kind, Callable[[Statement, Device, Heard, Tell], None]] = {
    Kind.PLUGGED: _plug, Kind.UNPLUGGED: _unplug, Kind.RESET: _reset, Kind.IDS: _ids, Kind.STRING: _string,
    Kind.DRIVER: _driver, Kind.SCSI_HOST: _driver, Kind.HUB: _hub, Kind.CLASS: _other, Kind.OVER_CURRENT: _current,
    Kind.INQUIRY: _storage, Kind.CAPACITY: _storage, Kind.COMMAND_FAILED: _storage, Kind.READY: _storage,
    Kind.NOT_READY: _storage, Kind.IO_ERROR: _storage, Kind.OFFLINE: _storage, Kind.ABORT: _storage,
    Kind.FILE_RESULT: _storage, Kind.DESCRIPTOR_ERROR: _error, Kind.ADDRESS_REFUSED: _error,
    Kind.CONFIGURATION_ERROR: _error, Kind.ENUMERATION_FAILED: _error, Kind.STEP: _step,
}  # fmt: skip
"""By kind of statement; kinds that are not here say nothing of the device itself."""
