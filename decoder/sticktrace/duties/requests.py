"""A control request as an occasion, and the descriptors and port states that its answer holds (USB 2.0 chapters 9, 11).

A property raises `Unseen` where the recording does not show it.
"""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.bus.device import Device
from sticktrace.bus.interfaces import StorageInterface
from sticktrace.bus.requests import Request
from sticktrace.duties.commands import Known
from sticktrace.duties.expression import Bytes, Unseen, le
from sticktrace.grammar import usb

DESCRIPTOR = (0x80, 0x06)
_SETUP = usb.SETUP.fast("bmRequestType", "bRequest", "wValue", "wIndex", "wLength")
_RECOVERY_NS, _HUB_RESET_NS, _ROOT_RESET_NS = 10_000_000, 10_000_000, 50_000_000
"""TRSTRCY, the shortest TDRST, and TDRSTR (USB 2.0 7.1.7.5)."""


class Ask:
    """One control request whose setup packet was recorded: ``kind`` is bmRequestType, ``code`` bRequest, ``what`` both,
    ``value``, ``index`` and ``length`` the other fields. ``prior`` is the request before it to the same device,
    ``state`` what was learned of that device so far. ``timed``: the form tells times finely enough for limits of
    milliseconds."""

    kind: int
    code: int
    value: int
    index: int
    length: int

    number = 0

    def __init__(self, request: Request, data: bytes, state: Known, prior: Ask | None, timed: bool) -> None:
        self.request_, self.state, self._prior, self._timed = request, state, prior, timed
        self.records = request.records
        self.setup = request.setup
        self.kind, self.code, self.value, self.index, self.length = _SETUP.unpack(request.setup)
        self.what = (self.kind, self.code)
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
        self.others: list[Device] = []

    @property
    def root(self) -> bool:
        """Whether it goes to a root hub, whose answers the host's own software makes."""
        return self.device.hub is None and self.address == 1

    @property
    def prior(self) -> Ask:
        """The request before it to the same device."""
        if self._prior is None:
            raise Unseen
        return self._prior

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

    # -- the device that it goes to -----------------------------------------------------------------------------------

    loose = False

    def _interfaces(self) -> list[StorageInterface]:
        if self.kind & 0x1F != 1:
            raise Unseen
        return [one for one in self.device.storage_interfaces() if one.number == self.index & 0xFF]

    @property
    def to_storage(self) -> bool:
        """Whether it goes to a mass storage interface."""
        return bool(self._interfaces())

    @property
    def protocols(self) -> set[int]:
        """The protocols of the storage interface that it goes to, in all its settings."""
        found = {one.protocol for one in self._interfaces()}
        if not found:
            raise Unseen
        return found

    @property
    def class_request(self) -> bool:
        """Whether it is a class request to an interface whose UAS setting is chosen; no other puts the rule to the
        test."""
        chosen: int = self.state.chosen[self.index & 0xFF]
        if not self.of_class or (0x62, chosen) not in {(one.protocol, one.alternate) for one in self._interfaces()}:
            raise Unseen
        return True

    @property
    def string_indices(self) -> set[int]:
        """The strings that the device descriptor names."""
        return set(self.device.descriptor[14:17]) - {0}

    @property
    def refused_types(self) -> frozenset[int]:
        """Types of descriptors that the device refused before."""
        return frozenset(vars(self.state).get("refused", ()))

    @property
    def latencies_told(self) -> bool:
        """Whether the host told the exit latencies before."""
        return bool(vars(self.state).get("exit_latency", False))

    @property
    def known(self) -> bytes:
        """The same descriptor as it came before."""
        found: bytes = self.state.texts[self.value, self.index]
        return found

    @property
    def again(self) -> int:
        """Bytes that both answers have."""
        return min(len(self.known), len(self.data.raw))

    @property
    def advertised(self) -> set[int]:
        """The configurations that descriptors offer."""
        return set(self.device.configurations)

    @property
    def settings(self) -> set[tuple[int, int]]:
        """Interfaces and their settings in the chosen configuration, where it was read whole."""
        current = self.device.current()
        if current is None or not current.complete:
            raise Unseen
        return {(one.number, one.alternate) for one in current.interfaces}

    @property
    def pipes(self) -> set[int]:
        """The endpoints of all settings, where the configuration was read whole."""
        current = self.device.current()
        if current is None or not current.complete:
            raise Unseen
        return {end.address for one in current.interfaces for end in one.endpoints}

    @property
    def bulk_pipes(self) -> set[int]:
        """The bulk endpoints."""
        return {address for address, role in self.device.roles().items() if role.kind == "bulk"}

    @property
    def halted(self) -> frozenset[int]:
        """Endpoints that a STALL left halted."""
        return frozenset(vars(self.state).get("halted", ()))

    @property
    def taken(self) -> bool:
        """Whether a device that hangs on another port has that address."""
        end = self.request_.end_ns
        return self.device.hub is not None and any(
            other is not self.device and other.replaced_ns == end and other.hub is not None for other in self.others
        )

    @property
    def behind_bus_power(self) -> bool:
        """Whether the hub above takes its power from the bus."""
        if self.device.hub is None:
            raise Unseen
        return bus_powered(self.device.hub)

    @property
    def self_powered(self) -> bool:
        """Whether the configuration that is chosen has power of its own."""
        return self.device.configurations[self.value].self_powered

    @property
    def most_ma(self) -> int:
        """bMaxPower of the configuration that is chosen."""
        return self.device.configurations[self.value].max_power_ma(self.device.superspeed)

    def _wait(self, device: Device | None, kind: str) -> int:
        for gap in reversed(device.gaps if device is not None else ()):
            if gap.kind == kind and gap.records == self.records and self._timed:
                return gap.length_ns
        raise Unseen

    @property
    def reset_wait(self) -> int:
        """Nanoseconds from the first look at the port that showed the reset over; the reset may have ended before."""
        return self._wait(self.device, "reset")

    @property
    def reset_wait_sure(self) -> int:
        """The same where it was long enough, or so soon after the reset was asked for that it cannot have been."""
        wait, device = self.reset_wait, self.device
        asked = self.request_.time_ns - device.resets[-1].time_ns
        root = device.hub is not None and device.hub.hub is None
        if wait < _RECOVERY_NS and asked >= (_ROOT_RESET_NS if root else _HUB_RESET_NS) + _RECOVERY_NS:
            raise Unseen
        return wait

    @property
    def address_wait(self) -> int:
        """Nanoseconds from the end of SET_ADDRESS."""
        return self._wait(self.device, "address")

    @property
    def attach_wait(self) -> int:
        """Nanoseconds from the connection of the device on the port to this reset of the port."""
        if self.what != (0x23, 0x03) or self.device.as_hub is None:
            raise Unseen
        port = self.device.as_hub.ports.get(self.index & 0xFF)
        return self._wait(port.device if port is not None else None, "attach")

    @property
    def power_wait(self) -> int:
        """Nanoseconds since the power of the port was switched on."""
        ports = self.device.as_hub.ports if self.device.as_hub is not None else {}
        port = ports.get(self.index & 0xFF)
        if port is None or port.power_asked_ns < 0 or not self._timed or port.power_asked_ns > self.request_.time_ns:
            raise Unseen
        return self.request_.time_ns - port.power_asked_ns

    @property
    def power_good(self) -> int:
        """bPwrOn2PwrGood of the hub, in nanoseconds."""
        hub = self.device.as_hub
        if hub is None or len(hub.descriptor) < 6:
            raise Unseen
        return hub.descriptor[5] * 2_000_000

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
    def release(self) -> int:
        """bcdUSB."""
        return release_of(self.device)

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


def release_of(device: Device) -> int:
    """bcdUSB of a device descriptor that was read."""
    if len(device.descriptor) < 4:
        raise Unseen
    return le(device.descriptor, 2, 2)


def bus_powered(device: Device) -> bool:
    """Whether a device takes its power from the bus, as its configuration tells."""
    current = device.current()
    if current is None:
        raise Unseen
    return not current.self_powered


def told_speed(device: Device) -> str:
    """ "low", "full", "high" or "super", where it was told and not inferred from sizes."""
    if not device.speed or (device.speed_from and device.speed_from.startswith("inferred")):
        raise Unseen
    if device.speed == "super" and device.descriptor[3:4] < b"\x03":
        raise Unseen  # at SuperSpeed bcdUSB is 0300h at least (USB 3.2 9.6.1): the two contradict each other
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
    def release(self) -> int:
        """bcdUSB."""
        return release_of(self.device)

    @property
    def capabilities(self) -> list[bytes]:
        """The device capabilities of a whole BOS descriptor."""
        return [part for part in walk(self.d.whole[5:]) or () if len(part) > 3]

    @property
    def together(self) -> list[int]:
        """The endpoint addresses of all interfaces in setting 0."""
        found, setting = [], 0
        for part in self.parts:
            if part[1] == 4:
                setting = part[3]
            elif part[1] == 5 and not setting:
                found.append(part[2])
        return found

    @property
    def bus_powered(self) -> bool:
        """Whether the device takes its power from the bus."""
        return bus_powered(self.device)

    @property
    def tiers(self) -> int:
        """Hubs between the root hub and the device."""
        count, hub = 0, self.device.hub
        while hub is not None and hub.hub is not None and count < 16:
            count, hub = count + 1, hub.hub
        return count

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
    def resume_took(self) -> int:
        """Nanoseconds from the request to resume the port to this answer, the first that shows it over."""
        if not self.ask._timed:
            raise Unseen
        took: int = self.ask.request_.end_ns - self.port.resume_ns
        return took

    @property
    def resetting(self) -> bool:
        """Whether a reset was asked for and not yet seen to be over."""
        return "reset_ns" in vars(self.port)

    @property
    def bus_powered(self) -> bool:
        """Whether the hub takes its power from the bus."""
        return bus_powered(self.device)

    @property
    def root(self) -> bool:
        """Whether the hub is a root hub: it has no port above it and stands at address 1."""
        return self.device.hub is None and self.ask.address == 1
