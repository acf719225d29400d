"""Who a device says it is: descriptors of sticks and hubs (USB 2.0 9.6 and 11.23; BOT 1.0 chapter 4; UAS)."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from workshop import wire
from workshop.recorder import STALL
from workshop.unit import Unit

LOW, FULL, HIGH, SUPER = "low", "full", "high", "super"


@dataclass(frozen=True, slots=True)
class Alternate:
    """One interface descriptor with its endpoints, as (address, attributes, wMaxPacketSize, bInterval). ``pipes`` gives
    the pipe usage of each endpoint (UAS), in the same order."""

    interface: int = 0
    alternate: int = 0
    codes: tuple[int, int, int] = (0x08, 0x06, 0x50)
    endpoints: tuple[tuple[int, int, int, int], ...] = ((0x81, 2, 512, 0), (0x02, 2, 512, 0))
    pipes: tuple[int, ...] = ()

    def pack(self) -> bytes:
        """The interface descriptor and those that follow it."""
        head = (9, 4, self.interface, self.alternate, len(self.endpoints), *self.codes, 0)
        out = struct.pack("<9B", *head)
        for number, (address, attributes, size, interval) in enumerate(self.endpoints):
            out += struct.pack("<BBBBHB", 7, 5, address, attributes, size, interval)
            if self.pipes:
                out += struct.pack("<BBBB", 4, 0x24, self.pipes[number], 0)
        return out


BULK_ONLY = Alternate()
BULK_ONLY_FULL_SPEED = Alternate(endpoints=((0x81, 2, 64, 0), (0x02, 2, 64, 0)))
UAS = Alternate(
    alternate=1,
    codes=(0x08, 0x06, 0x62),
    endpoints=((0x02, 2, 512, 0), (0x81, 2, 512, 0), (0x83, 2, 512, 0), (0x04, 2, 512, 0)),
    pipes=(1, 2, 3, 4),
)
"""Command out 02h, status in 81h, data in 83h, data out 04h."""


@dataclass(slots=True)
class Identity:
    """Descriptor values. ``max_power_ma`` is halved into bMaxPower; strings are indexed 1, 2, 3 where not empty."""

    vendor_id: int = 0x1209
    product_id: int = 0x0001
    release: int = 0x0231
    usb: int = 0x0200
    codes: tuple[int, int, int] = (0, 0, 0)
    packet_size_0: int = 64
    manufacturer: str = "Skerry Instruments"
    product: str = "Tide Logger"
    serial: str = "203104180001"
    max_power_ma: int = 200
    attributes: int = 0x80
    alternates: tuple[Alternate, ...] = (BULK_ONLY,)
    speed: str = HIGH

    def device(self) -> bytes:
        """Device descriptor (Table 9-8)."""
        numbers = [1 if self.manufacturer else 0, 2 if self.product else 0, 3 if self.serial else 0]
        return struct.pack(
            "<BBHBBBBHHHBBBB", 18, wire.DEVICE, self.usb, *self.codes, self.packet_size_0, self.vendor_id,
            self.product_id, self.release, *numbers, 1,
        )  # fmt: skip

    def configuration(self) -> bytes:
        """Configuration descriptor with all that follows it (Table 9-10)."""
        body = b"".join(alternate.pack() for alternate in self.alternates)
        interfaces = len({alternate.interface for alternate in self.alternates})
        head = (9, wire.CONFIGURATION, 9 + len(body), interfaces, 1, 0, self.attributes, self.max_power_ma // 2)
        return struct.pack("<BBHBBBBB", *head) + body

    def string(self, number: int) -> bytes | None:
        """String descriptor (9.6.7), number 0 the languages; None where there is none."""
        texts = {1: self.manufacturer, 2: self.product, 3: self.serial}
        body = b"\x09\x04" if number == 0 else texts.get(number, "").encode("utf-16-le")
        return struct.pack("<BB", 2 + len(body), wire.STRING) + body if body else None

    def descriptor(self, value: int) -> bytes | None:
        """The descriptor that wValue of a GET_DESCRIPTOR names, or None."""
        kind, number = value >> 8, value & 0xFF
        if kind == wire.DEVICE:
            return self.device()
        if kind == wire.CONFIGURATION and number == 0:
            return self.configuration()
        return self.string(number) if kind == wire.STRING else None


@dataclass(slots=True)
class Stick:
    """A device on the bus. ``max_lun`` is the answer to Get Max LUN, None for a STALL. ``short`` is what it does when
    it has less data than the host expects: "stall" (BOT 1.0 6.7.2, the halt is met by the status read), "pad", or
    "packet" (a short packet and no halt: common practice, not by the text)."""

    identity: Identity = field(default_factory=Identity)
    units: list[Unit] = field(default_factory=list)
    max_lun: int | None = 0
    short: str = "stall"
    address: int = 0

    def control(self, setup: bytes) -> tuple[int, bytes]:
        """Its answer to a request: status and data."""
        request_type, request, value, _, length = struct.unpack("<BBHHH", setup)
        if (request_type, request) == (0x80, 6):
            found = self.identity.descriptor(value)
            return (STALL, b"") if found is None else (0, found[:length])
        if (request_type, request) == (0xA1, 0xFE):
            return (STALL, b"") if self.max_lun is None else (0, bytes((self.max_lun,)))
        return 0, b""

    def endpoints(self) -> tuple[int, int]:
        """Bulk-IN and bulk-OUT of the first bulk-only interface."""
        first = next(a for a in self.identity.alternates if a.codes[2] == 0x50)
        addresses = [address for address, attributes, _, _ in first.endpoints if attributes == 2]
        return next(a for a in addresses if a & 0x80), next(a for a in addresses if not a & 0x80)

    def interface(self) -> int:
        """Number of the first bulk-only interface."""
        return next(a.interface for a in self.identity.alternates if a.codes[2] == 0x50)


@dataclass(slots=True)
class Hub:
    """A hub, the root hub included: its ports' status and change words (Tables 11-21, 11-22). ``report_bytes`` is the
    wMaxPacketSize of its status change endpoint."""

    address: int = 1
    ports: int = 4
    report_bytes: int = 4
    watch_id: int = 0
    status: dict[int, int] = field(default_factory=dict)
    change: dict[int, int] = field(default_factory=dict)

    def port(self, number: int) -> bytes:
        """The answer to GET_STATUS of a port."""
        return struct.pack("<HH", self.status.get(number, 0x0100), self.change.get(number, 0))

    def descriptor(self) -> bytes:
        """Hub descriptor (Table 11-13): individual power switching and over-current, 100 ms, 100 mA."""
        return struct.pack("<BBBHBBBB", 9, wire.HUB_DESCRIPTOR, self.ports, 0x0009, 50, 100, 0, 0xFF)
