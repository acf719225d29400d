"""A device from plug to unplug: what its descriptors say, what the host chose, and its story."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sticktrace.bus.heard import Heard
from sticktrace.bus.hubs import Hub, Reset
from sticktrace.bus.interfaces import Configuration, Role, StorageInterface, roles, storage_interface
from sticktrace.codes import msc
from sticktrace.grammar import usb
from sticktrace.text import safe


class Moment(NamedTuple):
    """One line of a device's story, with the records that show it."""

    time_ns: int
    text: str
    records: tuple[int, ...]


class Gap(NamedTuple):
    """A wait that a standard limits: ``kind`` is "attach" (connection seen to first reset), "reset" (end of the reset
    to the first request after it) or "address" (SET_ADDRESS done to the next request)."""

    kind: str
    start_ns: int
    end_ns: int
    records: tuple[int, ...]

    @property
    def length_ns(self) -> int:
        """How long it was."""
        return self.end_ns - self.start_ns


class StringText(NamedTuple):
    """A string descriptor's text as sent; ``whole`` is False where host or capture cut it."""

    text: str
    whole: bool


HUB_SAYS = "hub port status"
"""How a speed is known that the port of a hub told (USB 2.0 11.24.2.7.1)."""


@dataclass(slots=True, eq=False)
class Device:
    """One device while it is plugged in.

    Times are nanoseconds since the first record, -1 where the capture does not show them: ``attached_ns`` and
    ``detached_ns`` as a hub reported them, ``replaced_ns`` when another device answered in its place. ``descriptor`` is
    the device descriptor as far as read. ``strings`` is by (index, language). ``configuration`` is bConfigurationValue
    as chosen (0: unconfigured), None if not seen. ``speed`` is "low", "full", "high", "super" or "" as a hub told,
    or the capture's own headers or tokens (``speed_from``); ``place`` is where those say that it is plugged in.
    ``hub`` and ``port`` tell where it hangs, None and 0 if not seen. ``earlier`` is the same device (ids and serial
    number) before it was unplugged. ``unit_types`` is PERIPHERAL DEVICE TYPE by LUN, as told by INQUIRY. ``described``
    tells whether any request to it was seen: storage traffic alone says that there is a device, and nothing of what it
    is. ``heard`` is what a log says of it, None where no log speaks.
    """

    bus: int
    first_ns: int
    attached_ns: int = -1
    detached_ns: int = -1
    replaced_ns: int = -1
    addresses: list[int] = field(default_factory=list)
    descriptor: bytes = b""
    other_descriptors: dict[int, bytes] = field(default_factory=dict)
    languages: list[int] = field(default_factory=list)
    strings: dict[tuple[int, int], StringText] = field(default_factory=dict)
    configurations: dict[int, Configuration] = field(default_factory=dict)
    configuration: int | None = None
    alternates: dict[int, int] = field(default_factory=dict)
    max_lun: int | None = None
    max_lun_result: str = "not seen"
    speed: str = ""
    speed_from: str = ""
    place: str = ""
    hub: Device | None = None
    port: int = 0
    as_hub: Hub | None = None
    resets: list[Reset] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    story: list[Moment] = field(default_factory=list)
    lies: list[str] = field(default_factory=list)
    errors: int = 0
    earlier: Device | None = None
    spoken: bool = False
    described: bool = False
    unit_types: dict[int, int] = field(default_factory=dict)
    heard: Heard | None = None
    waiting: tuple[str, int] | None = None
    _roles: dict[int, Role] | None = None

    @property
    def present(self) -> bool:
        """Whether it is still there as far as the capture tells."""
        return self.detached_ns < 0 and self.replaced_ns < 0

    @property
    def unplaced(self) -> bool:
        """Whether it is there, and the capture does not show where it hangs."""
        return self.present and bool(self.addresses) and self.hub is None and not self.is_hub

    @property
    def address(self) -> int:
        """The last address given, 0 if none."""
        return self.addresses[-1] if self.addresses else 0

    @property
    def facts(self) -> dict[str, Any]:
        """The fields of the device descriptor that were read, by their standard names."""
        return dict(usb.DEVICE.read(self.descriptor)) if self.descriptor else {}

    @property
    def ids(self) -> tuple[int, int] | None:
        """idVendor and idProduct, None if not read."""
        if len(self.descriptor) < 12:
            told = self.heard.ids if self.heard else None
            return told if told and min(told) >= 0 else None
        return int.from_bytes(self.descriptor[8:10], "little"), int.from_bytes(self.descriptor[10:12], "little")

    @property
    def vid_pid(self) -> str:
        """idVendor and idProduct in hex, as people write them: ``1209:0001``; "" if not read."""
        ids = self.ids
        return f"{ids[0]:04x}:{ids[1]:04x}" if ids else ""

    @property
    def is_hub(self) -> bool:
        """Class 9, or hub requests were sent to it."""
        said = self.heard is not None and self.heard.kind == "hub"
        return said or self.as_hub is not None or self.descriptor[4:5] == b"\x09"

    @property
    def superspeed(self) -> bool:
        """Whether its descriptors were read at SuperSpeed: bMaxPacketSize0 is then an exponent (USB 3.2 9.6.1)."""
        d = self.descriptor
        return self.speed == "super" or (len(d) >= 8 and d[3] >= 3 and d[7] == 9)

    def speed_and_source(self) -> tuple[str, str]:
        """The speed and how it is known; ("", "") where nothing tells. What no hub told is inferred from sizes that a
        speed demands: bulk packets of 512 at high speed, of 64 at most at full speed (USB 2.0 5.8.3)."""
        if self.speed:
            return self.speed, self.speed_from or ("the log" if self.heard and not self.descriptor else HUB_SAYS)
        if self.superspeed:
            return "super", "inferred from bMaxPacketSize0"
        if self.is_hub and self.descriptor[6:7] in (b"\x01", b"\x02"):
            return "high", "inferred from the hub's protocol code"
        sizes = [role.max_packet for role in self.roles().values() if role.kind == "bulk"]
        if not sizes:
            return "", ""
        largest = max(sizes)
        speed = {512: "high", 1024: "super"}.get(largest, "full" if largest <= 64 else "")
        return speed, f"inferred from bulk packets of {largest} bytes" if speed else ""

    def text(self, index: int) -> str:
        """A string by index, safe for a terminal; "" if not read. English first, else whatever language was read."""
        found = self.strings.get((index, 0x0409))
        if found is None:
            found = next((s for (at, _), s in self.strings.items() if at == index), None)
        if found is None or not found.text:
            return ""
        return safe(found.text) + ("" if found.whole else "…")

    def named(self, field_name: str) -> str:
        """The string that a field of the device descriptor points to: ``named("iProduct")``."""
        index = self.facts.get(field_name, 0)
        said = self.heard.strings.get(field_name, "") if self.heard else ""
        return self.text(index) if index else said

    @property
    def title(self) -> str:
        """Product and maker as the device calls itself, or its ids, or what is known."""
        words = " ".join(w for w in (self.named("iManufacturer"), self.named("iProduct")) if w)
        kind = "hub" if self.is_hub else "device"
        if words:
            return words
        if self.vid_pid:
            return f"{kind} {self.vid_pid}"
        if self.heard is not None and not (self.described or self.heard.beside):
            return self.heard.called
        if not self.addresses and self.hub is not None and not self.spoken:
            return f"{kind} whose address is not in view"
        return f"{kind} at address {self.address}"

    @property
    def interface_classes(self) -> set[int]:
        """The classes of all its interfaces, as far as the capture shows them (USB 2.0 9.6.5)."""
        said = {msc.CLASS} if self.heard is not None and self.heard.kind == "storage" else set()
        return said | {i.class_code for c in self.configurations.values() for i in c.interfaces}

    def current(self) -> Configuration | None:
        """The chosen configuration; the first one read where no choice was seen."""
        if self.configuration:
            return self.configurations.get(self.configuration)
        return next(iter(self.configurations.values()), None)

    def changed(self) -> None:
        """Configuration or alternate setting changed: endpoints get new owners."""
        self._roles = None

    def roles(self) -> dict[int, Role]:
        """Endpoint address -> owner, in the current configuration; empty without descriptors."""
        if self._roles is None:
            current = self.current()
            self._roles = roles(current, self.alternates) if current else {}
        return self._roles

    def storage_interfaces(self) -> list[StorageInterface]:
        """Every alternate setting of the mass storage class, the chosen ones first."""
        current = self.current()
        found = [
            storage_interface(i, self.alternates.get(i.number, 0) == i.alternate)
            for i in (current.interfaces if current else ())
            if i.class_code == msc.CLASS
        ]
        return sorted(found, key=lambda s: not s.active)

    def tell(self, time_ns: int, text: str, records: tuple[int, ...]) -> None:
        """Add a line to the story, unless it stands there already."""
        moment = Moment(time_ns, text, records)
        if not self.story or self.story[-1] != moment:
            self.story.append(moment)

    def lie(self, text: str) -> None:
        """Note a contradiction in its descriptors, once."""
        if text not in self.lies and len(self.lies) < 50:
            self.lies.append(text)

    def unconfigure(self) -> None:
        """Back to the Default state, as after a reset (USB 2.0 9.1.1.3)."""
        self.configuration = None
        self.alternates.clear()
        self.spoken = False
        self.changed()

    def take_over(self, newcomer: Device) -> None:
        """The newcomer turned out to be this device, reset on a port that the capture had not shown yet."""
        self.hub, self.port = newcomer.hub, newcomer.port
        self.resets += newcomer.resets
        self.gaps += newcomer.gaps
        self.story += newcomer.story
        self.errors += newcomer.errors
        self.waiting = newcomer.waiting
        if newcomer.speed:
            self.speed, self.speed_from = newcomer.speed, newcomer.speed_from
        self.place = newcomer.place or self.place
        if len(newcomer.descriptor) > len(self.descriptor):
            self.descriptor = newcomer.descriptor
        self.unconfigure()
        self.spoken = newcomer.spoken

    def card(self) -> dict[str, Any]:
        """The device as JSON says it (kind "device")."""
        from sticktrace.bus.card import card

        return card(self)


UNTOLD = Device(0, 0)
"""Stands in a request that the bus room has not taken yet."""
