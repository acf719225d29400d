"""Descriptors that came with SuperSpeed: USB 3.2 chapter 9.6 (BOS, device capabilities, endpoint companions).

Table numbers of USB 3.2 are from memory; the offsets are those of the kernel's public ``usb/ch9.h``. The authentication
capability is from memory of USB Authentication 1.0.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ul

from sticktrace.codes.usb_requests import DESCRIPTOR_TYPES
from sticktrace.grammar.choice import Choice
from sticktrace.grammar.layout import Bounded, Field, Layout, Part, Series, bits, field, part, reserved, spare
from sticktrace.grammar.usb_platform import platform_data, platform_name

CAPABILITIES = {
    1: "wireless USB", 2: "USB 2.0 extension", 3: "SuperSpeed USB", 4: "container id", 5: "platform",
    6: "power delivery", 7: "battery information", 8: "power delivery consumer port",
    9: "power delivery provider port", 10: "SuperSpeedPlus USB", 11: "precision time measurement",
    12: "wireless USB extension", 13: "billboard", 14: "authentication", 15: "billboard extension",
    16: "configuration summary", 17: "firmware status",
}  # fmt: skip
"""bDevCapabilityType (USB 3.2 Table 9-14, from memory)."""


def head(number: int, size: int, clause: str) -> tuple[Field, Field]:
    """The two bytes that open every descriptor."""
    return (
        field("bLength", Int8ul, "size of this descriptor in bytes", clause, default=size),
        field("bDescriptorType", Int8ul, "kind of descriptor", clause, meaning=DESCRIPTOR_TYPES, default=number),
    )


def _capability(number: int, size: int, clause: str) -> tuple[Field, ...]:
    text = "kind of capability"
    return (
        *head(16, size, clause),
        field("bDevCapabilityType", Int8ul, text, clause, meaning=CAPABILITIES, default=number),
    )


def rest_of(known: int) -> Any:
    """Bytes up to what bLength announces, beyond ``known`` bytes of fixed fields."""
    return Bytes(lambda values: max(0, values.bLength - known))


def yes(name: str, text: str, clause: str = "") -> Part:
    """One bit that says yes or no."""
    return part(name, 1, text, clause, meaning={0: "no", 1: "yes"})


BOS = Layout(
    "BOS descriptor", "USB 3.2 9.6.2",
    *head(15, 5, "USB 3.2 9.6.2"),
    field("wTotalLength", Int16ul, "bytes of this descriptor and all its capabilities", "USB 3.2 9.6.2"),
    field("bNumDeviceCaps", Int8ul, "number of device capability descriptors", "USB 3.2 9.6.2"),
)  # fmt: skip

USB2_EXTENSION = Layout(
    "USB 2.0 extension capability", "USB 3.2 9.6.2.1",
    *_capability(2, 7, "USB 3.2 9.6.2.1"),
    bits(
        4, spare(16), part("Deep BESL", 4, "recommended deep BESL"), part("Baseline BESL", 4, "recommended BESL"),
        spare(3), yes("Deep BESL valid", "deep BESL is given"), yes("Baseline BESL valid", "baseline BESL is given"),
        yes("BESL", "BESL and alternate HIRD are supported"), yes("LPM", "link power management is supported"),
        spare(1), order="little", name="bmAttributes", text="power management at USB 2.0 speeds",
    ),
)  # fmt: skip

SUPERSPEED = Layout(
    "SuperSpeed USB capability", "USB 3.2 9.6.2.2",
    *_capability(3, 10, "USB 3.2 9.6.2.2"),
    bits(1, spare(6), yes("LTM", "latency tolerance messages can be sent"), spare(1), name="bmAttributes"),
    bits(
        2, spare(12), yes("5 Gb/s", "works at SuperSpeed"), yes("High speed", "works at high speed"),
        yes("Full speed", "works at full speed"), yes("Low speed", "works at low speed"),
        order="little", name="wSpeedsSupported", text="speeds at which the device works",
    ),
    field(
        "bFunctionalitySupport", Int8ul, "lowest speed with all functions", "USB 3.2 9.6.2.2",
        meaning={0: "low speed", 1: "full speed", 2: "high speed", 3: "SuperSpeed"},
    ),
    field("bU1DevExitLat", Int8ul, "worst exit latency from U1, µs", "USB 3.2 9.6.2.2"),
    field("wU2DevExitLat", Int16ul, "worst exit latency from U2, µs", "USB 3.2 9.6.2.2"),
)  # fmt: skip

CONTAINER_ID = Layout(
    "Container id capability", "USB 3.2 9.6.2.3",
    *_capability(4, 20, "USB 3.2 9.6.2.3"),
    reserved(1),
    field("ContainerID", Bytes(16), "number of this very device, the same on all its ports", "USB 3.2 9.6.2.3"),
)  # fmt: skip

PLATFORM = Layout(
    "Platform capability", "USB 3.2 9.6.2.4",
    *_capability(5, 20, "USB 3.2 9.6.2.4"),
    reserved(1),
    field("PlatformCapabilityUUID", Bytes(16), "which platform defines the data", "USB 3.2 9.6.2.4",
          meaning=platform_name),
    field("CapabilityData", Bounded(lambda values: values.bLength - 20, Choice(platform_data)),
          "data that the platform defines", "USB 3.2 9.6.2.4"),
)  # fmt: skip

_SUBLINK = Layout(
    "Sublink speed attribute", "USB 3.2 9.6.2.5",
    bits(
        4, part("LSM", 16, "lane speed mantissa"), part("LP", 2, "link protocol", meaning={0: "SuperSpeed",
        1: "SuperSpeedPlus"}), spare(6), part("ST", 2, "sublink type"),
        part("LSE", 2, "lane speed exponent", meaning={0: "b/s", 1: "kb/s", 2: "Mb/s", 3: "Gb/s"}),
        part("SSID", 4, "sublink speed attribute id"), order="little",
    ),
)  # fmt: skip

SUPERSPEED_PLUS = Layout(
    "SuperSpeedPlus USB capability", "USB 3.2 9.6.2.5",
    *_capability(10, 20, "USB 3.2 9.6.2.5"),
    reserved(1),
    bits(
        4, spare(23), part("SSIC", 4, "sublink speed ids, less one"), part("SSAC", 5, "sublink attributes, less one"),
        order="little", name="bmAttributes",
    ),
    bits(
        2, part("Min Tx lanes", 4, "fewest transmit lanes"), part("Min Rx lanes", 4, "fewest receive lanes"),
        spare(4), part("SSID", 4, "speed id with all functions"), order="little", name="wFunctionalitySupport",
    ),
    reserved(2),
    field("bmSublinkSpeedAttr", Series(_SUBLINK), "one entry per lane speed", "USB 3.2 9.6.2.5"),
)  # fmt: skip

PRECISION_TIME = Layout(
    "Precision time measurement capability", "USB 3.2 9.6.2.6", *_capability(11, 3, "USB 3.2 9.6.2.6")
)  # fmt: skip

_AUTHENTICATION = "USB Authentication 1.0, authentication capability descriptor"

AUTHENTICATION = Layout(
    "Authentication capability", _AUTHENTICATION,
    *_capability(14, 6, _AUTHENTICATION),
    bits(1, spare(6), yes("interfaces change", "other interfaces are there once the device is authenticated"),
         yes("firmware updates", "its firmware can be updated"), name="bmAttributes"),
    field("bcdProtocolVersion", Int8ul, "release of the protocol", _AUTHENTICATION,
          meaning=lambda value, _: f"{value >> 4}.{value & 0xF}"),
    field("bcdCapability", Int8ul, "release of the capability", _AUTHENTICATION,
          meaning=lambda value, _: f"{value >> 4}.{value & 0xF}"),
)  # fmt: skip

OTHER_CAPABILITY = Layout(
    "Device capability", "USB 3.2 9.6.2",
    *_capability(0, 3, "USB 3.2 9.6.2"),
    field("CapabilityData", rest_of(3), "not laid out here", "USB 3.2 9.6.2"),
)  # fmt: skip


CAPABILITY_LAYOUTS: dict[int, Layout] = {
    2: USB2_EXTENSION, 3: SUPERSPEED, 4: CONTAINER_ID, 5: PLATFORM, 10: SUPERSPEED_PLUS, 11: PRECISION_TIME,
    14: AUTHENTICATION,
}  # fmt: skip
"""Layout by bDevCapabilityType; the rest, 0Ch wireless USB extension among them, keep their data as bytes."""


def capability(number: int) -> Layout:
    """The layout for a bDevCapabilityType."""
    return CAPABILITY_LAYOUTS.get(number, OTHER_CAPABILITY)


def _burst(value: Any, _: Mapping[str, Any]) -> str:
    return f"up to {value + 1} packets in one burst"


def _streams(value: Any, _: Mapping[str, Any]) -> str:
    return f"up to {1 << value} streams" if value else "no streams"


ENDPOINT_COMPANION = Layout(
    "SuperSpeed endpoint companion descriptor", "USB 3.2 9.6.7",
    *head(0x30, 6, "USB 3.2 9.6.7"),
    field("bMaxBurst", Int8ul, "packets per burst, less one", "USB 3.2 9.6.7", meaning=_burst),
    bits(
        1, spare(3), part("MaxStreams", 5, "for a bulk endpoint: streams as a power of two", meaning=_streams),
        name="bmAttributes",
    ),
    field("wBytesPerInterval", Int16ul, "bytes per service interval of a periodic endpoint", "USB 3.2 9.6.7"),
)  # fmt: skip
