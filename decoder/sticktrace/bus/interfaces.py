"""Configurations as the bus room holds them: interfaces, alternate settings, endpoints and what each is for.

Follows USB 2.0 9.6 for the descriptors, the MSC Specification Overview 1.4 for classes, and UAS (T10/2095-D) for pipes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

from sticktrace.codes import msc
from sticktrace.grammar import usb, usb3
from sticktrace.grammar.usb_chain import descriptors

_CONFIGURATION = usb.CONFIGURATION.fast("bConfigurationValue", "iConfiguration", "bmAttributes", "bMaxPower")
_INTERFACE = usb.INTERFACE.fast(
    "bInterfaceNumber", "bAlternateSetting", "bInterfaceClass", "bInterfaceSubClass", "bInterfaceProtocol", "iInterface"
)
_ENDPOINT = usb.ENDPOINT.fast("bEndpointAddress", "bmAttributes", "wMaxPacketSize", "bInterval")


@dataclass(frozen=True, slots=True)
class Endpoint:
    """An endpoint: ``address`` with bit 7 for IN, ``kind`` "bulk" and so on, ``max_packet`` in bytes, ``usage`` the UAS
    pipe id (0 without a pipe usage descriptor), ``streams`` from the SuperSpeed companion (0 for none)."""

    address: int
    kind: str
    max_packet: int
    interval: int
    usage: int = 0
    streams: int = 0


@dataclass(frozen=True, slots=True)
class Interface:
    """One alternate setting of one interface. ``name`` is a string index, 0 for none."""

    number: int
    alternate: int
    class_code: int
    subclass: int
    protocol: int
    name: int
    endpoints: tuple[Endpoint, ...] = ()


@dataclass(frozen=True, slots=True)
class Configuration:
    """A configuration as far as the capture holds its descriptors. ``complete`` tells whether all wTotalLength bytes
    are there, ``max_power`` is bMaxPower as sent (see `max_power_ma`), ``lies`` are the chain's contradictions."""

    value: int
    name: int
    attributes: int
    max_power: int
    total_length: int
    data: bytes
    complete: bool
    interfaces: tuple[Interface, ...] = ()
    lies: tuple[str, ...] = ()

    def max_power_ma(self, superspeed: bool) -> int:
        """bMaxPower in mA: units of 2 mA (USB 2.0 Table 9-10), of 8 mA when working at SuperSpeed (USB 3.2 9.6.3)."""
        return self.max_power * (8 if superspeed else 2)

    @property
    def self_powered(self) -> bool:
        """bmAttributes bit 6."""
        return bool(self.attributes & 0x40)


@dataclass(slots=True)
class _Building:
    """An interface whose endpoints are still coming."""

    interface: Interface
    endpoints: list[Endpoint] = field(default_factory=list)

    def done(self) -> Interface:
        return replace(self.interface, endpoints=tuple(self.endpoints))


def parse_configuration(data: bytes) -> Configuration | None:
    """The configuration in the answer to GET_DESCRIPTOR(configuration); None if not even its head is sound."""
    chain = descriptors(data)
    if not chain.items or chain.items[0].layout is not usb.CONFIGURATION or len(chain.items[0].data) < 9:
        return None
    value, name, attributes, power = _CONFIGURATION.unpack_from(data)
    building: list[_Building] = []
    for layout, _, piece in chain.items[1:]:
        if layout is usb.INTERFACE and len(piece) >= _INTERFACE.size:
            building.append(_Building(Interface(*_INTERFACE.unpack_from(piece))))
        elif building and building[-1].endpoints and layout in (usb.PIPE_USAGE, usb3.ENDPOINT_COMPANION):
            building[-1].endpoints[-1] = _refine(building[-1].endpoints[-1], piece)
        elif building and layout is usb.ENDPOINT and len(piece) >= _ENDPOINT.size:
            address, kind, packet, interval = _ENDPOINT.unpack_from(piece)
            building[-1].endpoints.append(Endpoint(address, usb.TRANSFER_TYPES[kind & 3], packet & 0x7FF, interval))
    total = int.from_bytes(data[2:4], "little")
    return Configuration(
        value, name, attributes, power, total, data, not chain.cut and len(data) >= total,
        tuple(b.done() for b in building), tuple(chain.lies),
    )  # fmt: skip


def _refine(endpoint: Endpoint, piece: bytes) -> Endpoint:
    """Add what the descriptor after an endpoint says about it."""
    if piece[1] == 0x24:
        return replace(endpoint, usage=piece[2]) if len(piece) > 2 else endpoint
    streams = piece[3] & 0x1F if len(piece) > 3 and endpoint.kind == "bulk" else 0
    return replace(endpoint, streams=1 << streams if streams else 0)


class Role(NamedTuple):
    """What an endpoint is for: the interface that owns it, its place there, and whether that alternate setting is the
    chosen one. ``usage`` is the UAS pipe id or 0."""

    interface: int
    alternate: int
    class_code: int
    subclass: int
    protocol: int
    kind: str
    max_packet: int
    usage: int
    active: bool

    @property
    def storage(self) -> bool:
        """Whether the interface is of the mass storage class."""
        return self.class_code == msc.CLASS


class StorageInterface(NamedTuple):
    """A mass storage interface in one alternate setting, with its pipes by endpoint address, None where it has none.

    Bulk-Only and CBI use ``bulk_in`` and ``bulk_out`` (CBI's interrupt endpoint is ``status_in``); UAS uses
    ``command_out``, ``status_in``, ``data_in`` and ``data_out``. ``active``: this alternate setting is the chosen one.
    """

    number: int
    alternate: int
    subclass: int
    protocol: int
    bulk_in: int | None
    bulk_out: int | None
    status_in: int | None
    command_out: int | None
    data_in: int | None
    data_out: int | None
    active: bool


def storage_interface(interface: Interface, active: bool) -> StorageInterface:
    """The pipes of a mass storage interface (BOT 1.0 4.4, CBI 1.1, UAS pipe usage)."""
    head = (interface.number, interface.alternate, interface.subclass, interface.protocol)
    if interface.protocol == msc.UAS:
        pipes = {e.usage: e.address for e in interface.endpoints if e.usage}
        return StorageInterface(*head, None, None, pipes.get(2), pipes.get(1), pipes.get(3), pipes.get(4), active)

    def first(kind: str, incoming: bool) -> int | None:
        fitting = (e.address for e in interface.endpoints if e.kind == kind and (e.address >= 0x80) == incoming)
        return next(fitting, None)

    return StorageInterface(
        *head, first("bulk", True), first("bulk", False), first("interrupt", True), None, None, None, active
    )


def roles(configuration: Configuration, chosen: dict[int, int]) -> dict[int, Role]:
    """Endpoint address -> `Role`. ``chosen`` maps interface numbers to alternate settings, 0 where it names none; where
    settings share an endpoint address the chosen one owns it."""
    found: dict[int, Role] = {}
    for interface in configuration.interfaces:
        active = chosen.get(interface.number, 0) == interface.alternate
        head = (interface.number, interface.alternate, interface.class_code, interface.subclass, interface.protocol)
        for e in interface.endpoints:
            if active or e.address not in found:
                found[e.address] = Role(*head, e.kind, e.max_packet, e.usage, active)
    return found
