"""A control request as an occasion, and the descriptors and port states that its answer holds (USB 2.0 chapters 9, 11).

A property raises `Unseen` where the recording does not show it.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

from sticktrace.bus.device import HUB_SAYS, Device
from sticktrace.bus.requests import Request
from sticktrace.duties.commands import Known
from sticktrace.duties.expression import Bytes, Unseen, le

DESCRIPTOR = (0x80, 0x06)
_TICK_NS = 1_000_000


class Ask:
    """One control request. ``prior`` is the request before it to the same device, ``state`` what was learned of that
    device so far. ``timed``: the form tells times finely enough for limits of milliseconds."""

    number = 0

    def __init__(self, request: Request, data: bytes, state: Known, prior: Ask | None, timed: bool) -> None:
        self.request_, self.state, self._prior, self._timed = request, state, prior, timed
        self.records = request.records
        self.device: Device = request.device
        self.data = Bytes(data, request.actual)
        self.done = request.result == "done"
        self.refused = request.result == "stall"
        self.silent = request.result == "no answer"
        self.ended = self.done or self.refused
        self.result = request.result
        self.actual = request.actual
        self.address = request.address
        self.hub = request.device.is_hub

    @property
    def prior(self) -> Ask:
        """The request before it to the same device."""
        if self._prior is None:
            raise Unseen
        return self._prior

    @property
    def whole(self) -> bool:
        """Whether the setup packet was recorded."""
        return len(self.request_.setup) == 8

    @cached_property
    def setup(self) -> bytes:
        """The setup packet."""
        if len(self.request_.setup) != 8:
            raise Unseen
        return self.request_.setup

    @property
    def kind(self) -> int:
        """bmRequestType."""
        return self.setup[0]

    @property
    def code(self) -> int:
        """bRequest."""
        return self.setup[1]

    @property
    def what(self) -> tuple[int, int]:
        """bmRequestType and bRequest."""
        return self.kind, self.code

    @property
    def value(self) -> int:
        """wValue."""
        return le(self.setup, 2, 2)

    @property
    def index(self) -> int:
        """wIndex."""
        return le(self.setup, 4, 2)

    @property
    def length(self) -> int:
        """wLength."""
        return le(self.setup, 6, 2)

    @property
    def type(self) -> int:
        """Descriptor type that is asked for."""
        return self.value >> 8

    @property
    def bulk_only(self) -> set[int]:
        """The numbers of the bulk-only interfaces."""
        found = {one.number for one in self.device.storage_interfaces() if one.protocol == 0x50}
        if not found:
            raise Unseen
        return found

    @property
    def serial_index(self) -> int:
        """iSerialNumber, where there is one."""
        descriptor = self.device.descriptor
        if len(descriptor) < 18 or not descriptor[16]:
            raise Unseen
        return descriptor[16]

    @property
    def standard(self) -> bool:
        """Whether it is a standard request."""
        return not self.kind & 0x60

    @property
    def of_class(self) -> bool:
        """Whether it is a class request."""
        return self.kind & 0x60 == 0x20

    @property
    def took(self) -> int:
        """Nanoseconds from the setup packet to the end."""
        if not self._timed or len(self.records) < 2:
            raise Unseen
        return self.request_.end_ns - self.request_.time_ns

    @property
    def after(self) -> int:
        """Nanoseconds from the end of the request before."""
        if not self._timed:
            raise Unseen
        return self.request_.time_ns - self.prior.request_.end_ns

    @property
    def speed(self) -> str:
        """The speed as a hub or the recording itself told it."""
        return told_speed(self.device)


def told_speed(device: Device) -> str:
    """ "low", "full", "high" or "super", where it was told and not inferred from sizes."""
    if not device.speed or (device.speed_from and device.speed_from.startswith("inferred")):
        raise Unseen
    return device.speed


class Descriptor:
    """A descriptor that came: ``d`` are its bytes. For those inside a configuration ``above`` is the interface that an
    endpoint belongs to, ``next`` the descriptor behind it, ``later`` all up to the next interface or endpoint."""

    number = 0

    def __init__(self, ask: Ask, d: Bytes, above: bytes = b"", later: tuple[bytes, ...] = ()) -> None:
        self.ask, self.d, self.above, self.later = ask, d, above, later
        self.records, self.state, self.device = ask.records, ask.state, ask.device
        self.others: list[Device] = []
        self.endpoints: tuple[bytes, ...] = ()
        self.parts: tuple[bytes, ...] = ()

    @property
    def next(self) -> bytes:
        """The descriptor behind it, b"" for none."""
        return self.later[0] if self.later else b""

    @property
    def speed(self) -> str:
        """The speed as a hub or the recording itself told it."""
        return told_speed(self.device)

    @property
    def storage(self) -> bool:
        """Whether the interface is of the mass storage class."""
        return len(self.d) >= 9 and self.d[5] == 0x08

    @property
    def of_storage(self) -> bool:
        """Whether the endpoint belongs to a mass storage interface."""
        return len(self.above) >= 9 and self.above[5] == 0x08

    @property
    def bulk(self) -> bool:
        """Whether the endpoint is a bulk endpoint."""
        return bool(self.d[3] & 3 == 2)

    @property
    def serial(self) -> bool:
        """Whether a string is the serial number."""
        return self.ask.serial_index == self.ask.value & 0xFF

    @property
    def text(self) -> str:
        """The text of a whole string descriptor."""
        size = int(self.d[0])
        raw: bytes = self.d[2:size]
        return raw.decode("utf-16-le", "replace")

    @property
    def twins(self) -> list[str]:
        """The serial numbers of devices of the same ids that were there at the same time on another port."""
        mine = self.device
        return [
            other.named("iSerialNumber") for other in self.others
            if other is not mine and other.vid_pid == mine.vid_pid and other.named("iSerialNumber")
            and other.present and mine.present and (other.hub, other.port) != (mine.hub, mine.port)
        ]  # fmt: skip

    @property
    def storage_device(self) -> bool:
        """Whether the device has a mass storage interface."""
        return 0x08 in self.device.interface_classes


def walk(data: bytes) -> list[bytes] | None:
    """The descriptors of a configuration; None where their lengths do not lead to its end."""
    parts, at = [], 0
    while at + 2 <= len(data):
        size = data[at]
        if size < 2 or at + size > len(data):
            return None
        parts.append(data[at : at + size])
        at += size
    return parts if at == len(data) else None


def inside(ask: Ask, data: bytes) -> Iterator[tuple[str, Descriptor]]:
    """The occasions that a whole configuration holds: itself, its interfaces, its endpoints."""
    parts = walk(data)
    whole = Descriptor(ask, Bytes(data))
    if parts is None:
        yield "configuration", whole
        return
    whole.parts = tuple(parts)
    yield "configuration", whole
    above = b""
    for number, part in enumerate(parts):
        if len(part) >= 2 and part[1] == 4:
            above = part
            found = Descriptor(ask, Bytes(part), part, _until(parts, number, (4,)))
            found.endpoints = tuple(one for one in found.later if one[1] == 5)
            found.parts = whole.parts
            yield "interface", found
        elif len(part) >= 2 and part[1] == 5:
            yield "endpoint", Descriptor(ask, Bytes(part), above, _until(parts, number, (4, 5)))


def _until(parts: list[bytes], number: int, kinds: tuple[int, ...]) -> tuple[bytes, ...]:
    later = []
    for part in parts[number + 1 :]:
        if part[1] in kinds:
            break
        later.append(part)
    return tuple(later)


class PortStatus:
    """An answer to GET_STATUS(port) of a USB 2.0 hub. ``was`` is the answer before it of the same port, ``asked`` the
    requests about the port in between, as ("set" or "clear", feature)."""

    number = 0

    def __init__(self, ask: Ask, port: Known) -> None:
        self.ask, self.port, self.records, self.device = ask, port, ask.records, ask.device
        if len(ask.data) < 4:
            raise Unseen
        self.status, self.change = le(ask.data, 0, 2), le(ask.data, 2, 2)

    @property
    def was(self) -> tuple[int, int]:
        """Status and change of the answer before."""
        found: tuple[int, int] = self.port.was
        return found

    @property
    def asked(self) -> list[tuple[str, int]]:
        """What the host asked of the port since the answer before."""
        found: list[tuple[str, int]] = self.port.asked
        return found

    @property
    def reset_took(self) -> int:
        """Nanoseconds from the request of a reset to this answer, the first that shows it over."""
        if not self.ask._timed or self.status & 0x10 or not self.change & 0x10:
            raise Unseen
        took: int = self.ask.request_.end_ns - self.port.reset_ns
        return took

    @property
    def root(self) -> bool:
        """Whether the hub is a root hub: it has no port above it and stands at address 1."""
        return self.device.hub is None and self.ask.address == 1


__all__ = ["HUB_SAYS", "Ask", "Descriptor", "PortStatus", "inside", "told_speed", "walk"]
