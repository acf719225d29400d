"""Setup packets and descriptors: USB 2.0 chapter 9, the interface association ECN, UAS pipe usage (T10/2095-D 5).

Chains of descriptors are walked in `grammar.usb_chain`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ul

from sticktrace.codes import msc
from sticktrace.codes import usb_requests as codes
from sticktrace.grammar import hub, usb3
from sticktrace.grammar.layout import Field, Layout, bits, field, part, spare
from sticktrace.grammar.usb3 import head, rest_of, yes
from sticktrace.text import safe


def _bcd(value: Any, _: Mapping[str, Any]) -> str:
    return bcd_text(value)


def bcd_text(value: int) -> str:
    """A binary-coded release number as printed: 0210h is "2.10"."""
    return f"{value >> 8:x}.{value & 0xFF:02x}"


def _setup_value(value: Any, seen: Mapping[str, Any]) -> str:
    return codes.value_words(_request_type(seen), seen["bRequest"], value)


def _setup_index(value: Any, seen: Mapping[str, Any]) -> str:
    return codes.index_words(_request_type(seen), seen["bRequest"], value, seen["wValue"])


def _request_type(seen: Mapping[str, Any]) -> int:
    parts = seen["bmRequestType"]
    return int(parts["Data transfer direction"] << 7 | parts["Type"] << 5 | parts["Recipient"])


def _request(value: Any, seen: Mapping[str, Any]) -> str:
    return codes.request_name(_request_type(seen), value)


SETUP = Layout(
    "Setup packet", "USB 2.0 9.3 Table 9-2",
    bits(
        1,
        part("Data transfer direction", 1, "which way data goes", "USB 2.0 9.3.1",
             meaning={0: "host to device", 1: "device to host"}),
        part("Type", 2, "who defines the request", "USB 2.0 9.3.1", meaning=codes.TYPES),
        part("Recipient", 5, "what the request is for", "USB 2.0 9.3.1", meaning=codes.RECIPIENTS),
        name="bmRequestType",
    ),
    field("bRequest", Int8ul, "the request", "USB 2.0 9.3.2", meaning=_request),
    field("wValue", Int16ul, "argument", "USB 2.0 9.3.3", meaning=_setup_value),
    field("wIndex", Int16ul, "argument, mostly an interface, endpoint or port", "USB 2.0 9.3.4", meaning=_setup_index),
    field("wLength", Int16ul, "bytes of data stage at most", "USB 2.0 9.3.5"),
)  # fmt: skip

CLASSES = {
    0x00: "told by each interface", 0x01: "audio", 0x02: "communications", 0x03: "human interface", 0x05: "physical",
    0x06: "image", 0x07: "printer", 0x08: "mass storage", 0x09: "hub", 0x0A: "communications data",
    0x0B: "smart card", 0x0D: "content security", 0x0E: "video", 0x10: "audio/video", 0x11: "billboard",
    0xDC: "diagnostic", 0xE0: "wireless controller", 0xEF: "miscellaneous", 0xFE: "application specific",
    0xFF: "vendor specific",
}  # fmt: skip
"""Base classes as registered with USB-IF (defined class codes), from memory."""


def _class(seen: Mapping[str, Any]) -> int | None:
    """The class that a subclass or a protocol belongs to, in whichever descriptor it stands."""
    names = ("bInterfaceClass", "bFunctionClass", "bDeviceClass")
    return next((seen[name] for name in names if name in seen), None)


def _subclass(value: Any, seen: Mapping[str, Any]) -> str:
    return msc.subclass(value) if _class(seen) == msc.CLASS else ""


def _protocol(value: Any, seen: Mapping[str, Any]) -> str:
    if _class(seen) == msc.CLASS:
        return msc.protocol(value)
    if _class(seen) == 9:  # hub: USB 2.0 11.23.1
        return {0: "full speed, or no transaction translator", 1: "single TT", 2: "several TTs"}.get(value, "")
    return ""


def _packet0(value: Any, seen: Mapping[str, Any]) -> str:
    # At SuperSpeed the byte is an exponent (USB 3.2 9.6.1).
    return f"{1 << value} bytes" if seen.get("bcdUSB", 0) >= 0x300 and value < 16 else f"{value} bytes"


def _string(value: Any, _: Mapping[str, Any]) -> str:
    return "none" if value == 0 else ""


def _index(name: str, text: str, clause: str) -> Field:
    return field(name, Int8ul, text, clause, meaning=_string)


def _device_fields(clause: str) -> tuple[Field, ...]:
    return (
        field("bcdUSB", Int16ul, "USB release that the device follows", clause, meaning=_bcd, default=0x200),
        field("bDeviceClass", Int8ul, "class", clause, meaning=CLASSES),
        field("bDeviceSubClass", Int8ul, "subclass", clause),
        field("bDeviceProtocol", Int8ul, "protocol", clause, meaning=_protocol),
        field("bMaxPacketSize0", Int8ul, "packet size of endpoint 0", clause, meaning=_packet0, default=64),
    )


DEVICE = Layout(
    "Device descriptor", "USB 2.0 9.6.1 Table 9-8",
    *head(1, 18, "USB 2.0 Table 9-8"),
    *_device_fields("USB 2.0 Table 9-8"),
    field("idVendor", Int16ul, "vendor number", "USB 2.0 Table 9-8", meaning=lambda v, _: f"{v:04x}"),
    field("idProduct", Int16ul, "product number", "USB 2.0 Table 9-8", meaning=lambda v, _: f"{v:04x}"),
    field("bcdDevice", Int16ul, "release of the device", "USB 2.0 Table 9-8", meaning=_bcd),
    _index("iManufacturer", "string that names the maker", "USB 2.0 Table 9-8"),
    _index("iProduct", "string that names the product", "USB 2.0 Table 9-8"),
    _index("iSerialNumber", "string with the serial number", "USB 2.0 Table 9-8"),
    field("bNumConfigurations", Int8ul, "number of configurations", "USB 2.0 Table 9-8", default=1),
)  # fmt: skip

DEVICE_QUALIFIER = Layout(
    "Device qualifier descriptor", "USB 2.0 9.6.2 Table 9-9",
    *head(6, 10, "USB 2.0 Table 9-9"),
    *_device_fields("USB 2.0 Table 9-9"),
    field("bNumConfigurations", Int8ul, "configurations at the other speed", "USB 2.0 Table 9-9", default=1),
    field("bReserved", Int8ul, "zero", "USB 2.0 Table 9-9"),
)  # fmt: skip


def _configuration(title: str, number: int, clause: str) -> Layout:
    return Layout(
        title, clause,
        *head(number, 9, clause),
        field("wTotalLength", Int16ul, "bytes of this descriptor and all that belong to it", clause),
        field("bNumInterfaces", Int8ul, "number of interfaces", clause),
        field("bConfigurationValue", Int8ul, "number by which SET_CONFIGURATION chooses it", clause),
        _index("iConfiguration", "string that names the configuration", clause),
        bits(1, part("D7", 1, "must be one", meaning={0: "zero, against the standard", 1: ""}, default=1),
             yes("Self-powered", "has its own supply"), yes("Remote Wakeup", "can wake the host"), spare(5),
             name="bmAttributes"),
        field("bMaxPower", Int8ul, "most current drawn from the bus, 2 mA units (8 mA at SuperSpeed)", clause,
              meaning=lambda value, _: f"{2 * value} mA ({8 * value} mA if read at SuperSpeed)"),
    )  # fmt: skip


CONFIGURATION = _configuration("Configuration descriptor", 2, "USB 2.0 9.6.3 Table 9-10")
OTHER_SPEED = _configuration("Other speed configuration descriptor", 7, "USB 2.0 9.6.4 Table 9-11")

INTERFACE = Layout(
    "Interface descriptor", "USB 2.0 9.6.5 Table 9-12",
    *head(4, 9, "USB 2.0 Table 9-12"),
    field("bInterfaceNumber", Int8ul, "number of the interface", "USB 2.0 Table 9-12"),
    field("bAlternateSetting", Int8ul, "which alternate setting of it", "USB 2.0 Table 9-12"),
    field("bNumEndpoints", Int8ul, "endpoints, without endpoint 0", "USB 2.0 Table 9-12"),
    field("bInterfaceClass", Int8ul, "class", "USB 2.0 Table 9-12", meaning=CLASSES),
    field("bInterfaceSubClass", Int8ul, "subclass", "USB 2.0 Table 9-12", meaning=_subclass),
    field("bInterfaceProtocol", Int8ul, "protocol", "USB 2.0 Table 9-12", meaning=_protocol),
    _index("iInterface", "string that names the interface", "USB 2.0 Table 9-12"),
)  # fmt: skip

ASSOCIATION = Layout(
    "Interface association descriptor", "USB 2.0 IAD ECN Table 9-Z",
    *head(11, 8, "IAD ECN"),
    field("bFirstInterface", Int8ul, "first interface of the function", "IAD ECN"),
    field("bInterfaceCount", Int8ul, "interfaces that belong together", "IAD ECN"),
    field("bFunctionClass", Int8ul, "class", "IAD ECN", meaning=CLASSES),
    field("bFunctionSubClass", Int8ul, "subclass", "IAD ECN", meaning=_subclass),
    field("bFunctionProtocol", Int8ul, "protocol", "IAD ECN", meaning=_protocol),
    _index("iFunction", "string that names the function", "IAD ECN"),
)  # fmt: skip

TRANSFER_TYPES = {0: "control", 1: "isochronous", 2: "bulk", 3: "interrupt"}

ENDPOINT = Layout(
    "Endpoint descriptor", "USB 2.0 9.6.6 Table 9-13",
    *head(5, 7, "USB 2.0 Table 9-13"),
    bits(1, part("Direction", 1, "which way data goes", meaning={0: "OUT", 1: "IN"}), spare(3),
         part("Endpoint number", 4, "number of the endpoint"), name="bEndpointAddress"),
    bits(1, spare(2), part("Usage Type", 2, "isochronous use"), part("Synchronization Type", 2, "isochronous timing"),
         part("Transfer Type", 2, "kind of transfers", meaning=TRANSFER_TYPES), name="bmAttributes"),
    bits(2, spare(3), part("Additional transactions", 2, "more per microframe, for periodic endpoints"),
         part("Maximum packet size", 11, "largest packet in bytes"), order="little", name="wMaxPacketSize"),
    field("bInterval", Int8ul, "polling interval, or most NAKs of a high-speed OUT endpoint", "USB 2.0 Table 9-13"),
)  # fmt: skip

STRING = Layout(
    "String descriptor", "USB 2.0 9.6.7 Table 9-16",
    *head(3, 2, "USB 2.0 Table 9-16"),
    field("bString", rest_of(2), "the text in UTF-16, low byte first", "USB 2.0 Table 9-16",
          meaning=lambda value, _: string_text(value)),
)  # fmt: skip


def string_text(data: bytes) -> str:
    """The text of a string descriptor's bString, as the device wrote it; not yet fit for a terminal."""
    return data[: len(data) & ~1].decode("utf-16-le", errors="replace")


def langids(data: bytes) -> list[int]:
    """The language numbers in the bytes after the head of string descriptor 0."""
    return [int.from_bytes(data[at : at + 2], "little") for at in range(0, len(data) & ~1, 2)]


def _languages(value: Any, _: Mapping[str, Any]) -> str:
    return ", ".join(f"{n:04X}h {codes.LANGUAGES.get(n, '')}".rstrip() for n in langids(value))


LANGUAGES = Layout(
    "String descriptor 0: languages", "USB 2.0 9.6.7 Table 9-15",
    *head(3, 4, "USB 2.0 Table 9-15"),
    field("wLANGID", rest_of(2), "languages in which strings are held", "USB 2.0 Table 9-15", meaning=_languages),
)  # fmt: skip

OS_SIGNATURE = "MSFT100".encode("utf-16-le")
_OS_STRING = "Microsoft OS 1.0 Descriptors, OS string descriptor"

OS_STRING = Layout(
    "OS string descriptor", _OS_STRING,
    *head(3, 18, _OS_STRING),
    field("qwSignature", Bytes(14), "tells that the device has more descriptors for one operating system", _OS_STRING,
          meaning=lambda value, _: f'"{safe(string_text(value))}"', default=OS_SIGNATURE),
    field("bMS_VendorCode", Int8ul, "vendor request that fetches them", _OS_STRING),
    field("bPad", Int8ul, "zero; bit 1 for a container id", _OS_STRING),
)  # fmt: skip
"""String EEh (from memory). Hosts of one operating system ask every device for it; most answer with STALL."""

PIPE_USAGES = {1: "command pipe", 2: "status pipe", 3: "data-in pipe", 4: "data-out pipe"}

PIPE_USAGE = Layout(
    "Pipe usage descriptor", "UAS 5.3.3.5",
    *head(0x24, 4, "UAS, pipe usage descriptor"),
    field("bPipeID", Int8ul, "what the endpoint before it is for", "UAS, pipe usage descriptor", meaning=PIPE_USAGES),
    field("Reserved", Int8ul, "zero", "UAS, pipe usage descriptor"),
)  # fmt: skip

OTHER = Layout(
    "Descriptor not laid out here", "USB 2.0 9.5",
    *head(0, 2, "USB 2.0 9.5"),
    field("data", rest_of(2), "known by its length and type only", "USB 2.0 9.5", default=b""),
)  # fmt: skip

LAYOUTS: dict[int, Layout] = {
    1: DEVICE, 2: CONFIGURATION, 3: STRING, 4: INTERFACE, 5: ENDPOINT, 6: DEVICE_QUALIFIER, 7: OTHER_SPEED,
    11: ASSOCIATION, 15: usb3.BOS, 0x29: hub.HUB_DESCRIPTOR, 0x2A: hub.SUPERSPEED_HUB_DESCRIPTOR,
    0x30: usb3.ENDPOINT_COMPANION,
}  # fmt: skip
"""Layout by bDescriptorType, where the type alone decides."""
