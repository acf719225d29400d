"""Control requests and descriptor types by number: USB 2.0 chapters 9 and 11, Bulk-Only Transport 1.0, USB 3.2.

Tables first, then the few functions that put a request's arguments into words. A request is known by its
bmRequestType without the direction's data, that is by (type, recipient, bRequest).
"""

from __future__ import annotations

from typing import NamedTuple

from sticktrace.codes import msc

STANDARD, CLASS, VENDOR = 0, 1, 2
"""bmRequestType bits 6-5 (USB 2.0 Table 9-2)."""

DEVICE, INTERFACE, ENDPOINT, OTHER = 0, 1, 2, 3
"""bmRequestType bits 4-0 (USB 2.0 Table 9-2). A hub's port is "other" (11.24.2)."""

TYPES = {0: "standard", 1: "class", 2: "vendor", 3: "reserved"}
RECIPIENTS = {0: "device", 1: "interface", 2: "endpoint", 3: "other"}

(GET_STATUS, CLEAR_FEATURE, SET_FEATURE, SET_ADDRESS, GET_DESCRIPTOR, SET_DESCRIPTOR, GET_CONFIGURATION,
 SET_CONFIGURATION, GET_INTERFACE, SET_INTERFACE, SYNCH_FRAME) = 0, 1, 3, 5, 6, 7, 8, 9, 10, 11, 12  # fmt: skip


SET_SEL, SET_ISOCH_DELAY = 0x30, 0x31
"""Requests of SuperSpeed devices (USB 3.2 9.4)."""


class Known(NamedTuple):
    """A request's printed name and where it is defined."""

    name: str
    clause: str


STANDARD_REQUESTS = {
    0: Known("GET_STATUS", "USB 2.0 9.4.5"),
    1: Known("CLEAR_FEATURE", "USB 2.0 9.4.1"),
    3: Known("SET_FEATURE", "USB 2.0 9.4.9"),
    5: Known("SET_ADDRESS", "USB 2.0 9.4.6"),
    6: Known("GET_DESCRIPTOR", "USB 2.0 9.4.3"),
    7: Known("SET_DESCRIPTOR", "USB 2.0 9.4.8"),
    8: Known("GET_CONFIGURATION", "USB 2.0 9.4.2"),
    9: Known("SET_CONFIGURATION", "USB 2.0 9.4.7"),
    10: Known("GET_INTERFACE", "USB 2.0 9.4.4"),
    11: Known("SET_INTERFACE", "USB 2.0 9.4.10"),
    12: Known("SYNCH_FRAME", "USB 2.0 9.4.11"),
    SET_SEL: Known("SET_SEL", "USB 3.2 9.4.12"),
    SET_ISOCH_DELAY: Known("SET_ISOCH_DELAY", "USB 3.2 9.4.11"),
}
"""USB 2.0 Table 9-4; the two SuperSpeed rows from memory of USB 3.2 Table 9-5."""

HUB_REQUESTS = {
    (DEVICE, 0): Known("GET_STATUS (hub)", "USB 2.0 11.24.2.6"),
    (DEVICE, 1): Known("CLEAR_FEATURE (hub)", "USB 2.0 11.24.2.1"),
    (DEVICE, 3): Known("SET_FEATURE (hub)", "USB 2.0 11.24.2.12"),
    (DEVICE, 6): Known("GET_DESCRIPTOR (hub)", "USB 2.0 11.24.2.5"),
    (DEVICE, 7): Known("SET_DESCRIPTOR (hub)", "USB 2.0 11.24.2.10"),
    (DEVICE, 12): Known("SET_HUB_DEPTH", "USB 3.2 10.16.2.9"),
    (OTHER, 0): Known("GET_STATUS (port)", "USB 2.0 11.24.2.7"),
    (OTHER, 1): Known("CLEAR_FEATURE (port)", "USB 2.0 11.24.2.2"),
    (OTHER, 3): Known("SET_FEATURE (port)", "USB 2.0 11.24.2.13"),
    (OTHER, 8): Known("CLEAR_TT_BUFFER", "USB 2.0 11.24.2.3"),
    (OTHER, 9): Known("RESET_TT", "USB 2.0 11.24.2.9"),
    (OTHER, 10): Known("GET_TT_STATE", "USB 2.0 11.24.2.8"),
    (OTHER, 11): Known("STOP_TT", "USB 2.0 11.24.2.11"),
}
"""USB 2.0 Tables 11-15 and 11-16, by (recipient, bRequest). Section numbers from memory."""

_MASS_STORAGE_CLAUSES = {0x00: "CBI 1.1 2.2", 0xFE: "BOT 1.0 3.2", 0xFF: "BOT 1.0 3.1"}
MASS_STORAGE_REQUESTS = {
    code: Known(name, _MASS_STORAGE_CLAUSES.get(code, "MSC Overview 1.4 Table 3"))
    for code, name in msc.CLASS_REQUESTS.items()
}
"""MSC Specification Overview 1.4 Table 3."""

DESCRIPTOR_TYPES = {
    1: "device", 2: "configuration", 3: "string", 4: "interface", 5: "endpoint", 6: "device qualifier",
    7: "other speed configuration", 8: "interface power", 9: "OTG", 10: "debug", 11: "interface association",
    15: "BOS", 16: "device capability", 0x21: "class-specific (21h)", 0x22: "class-specific (22h)",
    0x23: "class-specific (23h)", 0x24: "class-specific (24h)", 0x25: "class-specific (25h)", 0x29: "hub",
    0x2A: "SuperSpeed hub", 0x30: "SuperSpeed endpoint companion",
    0x31: "SuperSpeedPlus isochronous endpoint companion",
}  # fmt: skip
"""USB 2.0 Table 9-5 and its successors (USB 3.2 Table 9-6, from memory)."""

STANDARD_FEATURES = {
    (ENDPOINT, 0): "ENDPOINT_HALT", (DEVICE, 1): "DEVICE_REMOTE_WAKEUP", (DEVICE, 2): "TEST_MODE",
    (INTERFACE, 0): "FUNCTION_SUSPEND", (DEVICE, 48): "U1_ENABLE", (DEVICE, 49): "U2_ENABLE",
    (DEVICE, 50): "LTM_ENABLE",
}  # fmt: skip
"""USB 2.0 Table 9-6; the SuperSpeed rows from memory of USB 3.2 Table 9-7."""

HUB_FEATURES = {0: "C_HUB_LOCAL_POWER", 1: "C_HUB_OVER_CURRENT"}
PORT_FEATURES = {
    0: "PORT_CONNECTION", 1: "PORT_ENABLE", 2: "PORT_SUSPEND", 3: "PORT_OVER_CURRENT", 4: "PORT_RESET",
    5: "PORT_LINK_STATE", 8: "PORT_POWER", 9: "PORT_LOW_SPEED", 16: "C_PORT_CONNECTION", 17: "C_PORT_ENABLE",
    18: "C_PORT_SUSPEND", 19: "C_PORT_OVER_CURRENT", 20: "C_PORT_RESET", 21: "PORT_TEST", 22: "PORT_INDICATOR",
    23: "PORT_U1_TIMEOUT", 24: "PORT_U2_TIMEOUT", 25: "C_PORT_LINK_STATE", 26: "C_PORT_CONFIG_ERROR",
    27: "PORT_REMOTE_WAKE_MASK", 28: "BH_PORT_RESET", 29: "C_BH_PORT_RESET", 30: "FORCE_LINKPM_ACCEPT",
}  # fmt: skip
"""USB 2.0 Table 11-17; 5 and 23 on are SuperSpeed (USB 3.2 Table 10-9, from memory)."""

PORT_SUSPEND, PORT_RESET, BH_PORT_RESET, PORT_POWER, C_PORT_CONNECTION = 2, 4, 28, 8, 16
ENDPOINT_HALT = 0

LANGUAGES = {
    0x0401: "Arabic", 0x0404: "Chinese (Taiwan)", 0x0405: "Czech", 0x0406: "Danish", 0x0407: "German",
    0x0408: "Greek", 0x0409: "English (United States)", 0x040B: "Finnish", 0x040C: "French", 0x0410: "Italian",
    0x0411: "Japanese", 0x0412: "Korean", 0x0413: "Dutch", 0x0414: "Norwegian", 0x0415: "Polish",
    0x0416: "Portuguese (Brazil)", 0x0419: "Russian", 0x041D: "Swedish", 0x0804: "Chinese (PRC)",
    0x0809: "English (United Kingdom)", 0x0C0A: "Spanish",
}  # fmt: skip
"""The USB list of language identifiers (LANGIDs), the part met on sticks; from memory."""


def split(request_type: int) -> tuple[int, int]:
    """Type and recipient of a bmRequestType byte."""
    return request_type >> 5 & 3, request_type & 0x1F


def known(request_type: int, request: int) -> Known | None:
    """Name and clause of a request, or None for vendor requests and classes that this table does not hold.

    The class is not in the setup packet: an interface request is read as mass storage, a device or port request as hub.
    """
    kind, recipient = split(request_type)
    if kind == STANDARD:
        return STANDARD_REQUESTS.get(request)
    if kind == CLASS:
        if recipient == INTERFACE:
            return MASS_STORAGE_REQUESTS.get(request)
        return HUB_REQUESTS.get((recipient, request))
    return None


def request_name(request_type: int, request: int) -> str:
    """The printed name, or what can be said without one: "vendor request 51h"."""
    found = known(request_type, request)
    return found.name if found else f"{TYPES[split(request_type)[0]]} request {request:02X}h"


def value_words(request_type: int, request: int, value: int) -> str:
    """What wValue says in this request; "" where it says nothing or is not known."""
    kind, recipient = split(request_type)
    if kind == STANDARD and request in (CLEAR_FEATURE, SET_FEATURE):
        return STANDARD_FEATURES.get((recipient, value), f"feature {value}")
    if kind in (STANDARD, CLASS) and request in (GET_DESCRIPTOR, SET_DESCRIPTOR) and recipient != OTHER:
        return _descriptor_words(value)
    if kind == CLASS and recipient in (DEVICE, OTHER) and request in (CLEAR_FEATURE, SET_FEATURE):
        table = HUB_FEATURES if recipient == DEVICE else PORT_FEATURES
        return table.get(value, f"feature {value}")
    if kind != STANDARD:
        return ""
    return {
        SET_ADDRESS: f"address {value}",
        SET_CONFIGURATION: f"configuration {value}",
        SET_INTERFACE: f"alternate setting {value}",
        SET_ISOCH_DELAY: f"{value} ns from the host to the device",
    }.get(request, "")


OS_STRING = 0xEE
"""The string index by which one operating system asks every device for descriptors of its own (Microsoft OS 1.0
Descriptors); a device without them answers STALL, as it should."""


def _descriptor_words(value: int) -> str:
    number, index = value >> 8, value & 0xFF
    name = DESCRIPTOR_TYPES.get(number, f"descriptor type {number:02X}h")
    if number == 3 and index == OS_STRING:
        return "string EEh, the OS string"
    if number == 3:
        return f"string {index}" if index else "list of string languages"
    return f"{name} {index}" if index else name


TEST_MODES = {1: "Test_J", 2: "Test_K", 3: "Test_SE0_NAK", 4: "Test_Packet", 5: "Test_Force_Enable"}
"""Test selectors in the high byte of wIndex (USB 2.0 Table 9-7, Table 11-24 from memory)."""

TEST_MODE, PORT_TEST = 2, 21


def index_words(request_type: int, request: int, index: int, value: int = -1) -> str:
    """What wIndex says in this request, some with the help of wValue; "" where it says nothing or is not known."""
    kind, recipient = split(request_type)
    test = TEST_MODES.get(index >> 8, f"test selector {index >> 8}") if request == SET_FEATURE else ""
    if (kind, recipient, value) == (STANDARD, DEVICE, TEST_MODE):
        return test
    if (kind, recipient, value) == (CLASS, OTHER, PORT_TEST) and test:
        return f"port {index & 0xFF}, {test}"
    if kind == STANDARD and request in (GET_DESCRIPTOR, SET_DESCRIPTOR) and recipient == DEVICE:
        return f"language {index:04X}h" if index else ""
    if recipient == INTERFACE:
        return f"interface {index & 0xFF}"
    if recipient == ENDPOINT:
        return f"endpoint {index & 0xFF:02X}h"
    if kind == CLASS and recipient == OTHER:
        return f"port {index & 0xFF}"
    return ""


HOST_FUNCTIONS = {
    0x0000: (0x00, 0x09), 0x0001: (0x01, 0x0B), 0x000B: (0x80, 0x06), 0x000C: (0x00, 0x07), 0x000D: (0x00, 0x03),
    0x000E: (0x01, 0x03), 0x000F: (0x02, 0x03), 0x0010: (0x00, 0x01), 0x0011: (0x01, 0x01), 0x0012: (0x02, 0x01),
    0x0013: (0x80, 0x00), 0x0014: (0x81, 0x00), 0x0015: (0x82, 0x00), 0x001E: (0x02, 0x01), 0x0021: (0x83, 0x00),
    0x0022: (0x03, 0x01), 0x0023: (0x03, 0x03), 0x0024: (0x82, 0x06), 0x0025: (0x02, 0x07), 0x0026: (0x80, 0x08),
    0x0027: (0x81, 0x0A), 0x0028: (0x81, 0x06), 0x0029: (0x01, 0x07), 0x0031: (0x02, 0x01),
}  # fmt: skip
"""Functions that a Windows host driver records in place of a setup packet (link type 249), as the (bmRequestType,
bRequest) that they put on the bus. Numbers from memory of the public usb.h. 001Eh (clear the stall and reset the pipe)
and 0031h (clear the stall) are CLEAR_FEATURE(ENDPOINT_HALT) on the wire."""

HOST_ONLY_FUNCTIONS = {
    0x0002: "cancel all transfers of a pipe", 0x0005: "ask for the frame length", 0x0007: "ask for the frame number",
    0x0017: "vendor request to the device", 0x0018: "vendor request to an interface",
    0x0019: "vendor request to an endpoint", 0x001A: "class request to the device",
    0x001B: "class request to an interface", 0x001C: "class request to an endpoint",
    0x001F: "class request to a port or other part", 0x0020: "vendor request to another part",
    0x002A: "ask for an operating-system descriptor", 0x0030: "reset the pipe in the host",
}  # fmt: skip
"""Other functions of the same list (from memory of usb.h): kept in the host, or nameless without their setup packet."""
