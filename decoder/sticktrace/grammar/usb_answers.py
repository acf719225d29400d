"""What comes back in the data stage of a control request: USB 2.0 9.4 (standard), 11.24.2 (hub), BOT 1.0 3.2.

`explain_control` lays a setup packet and its data side by side.
"""

from __future__ import annotations

from construct import Int8ul, Int16ul

from sticktrace.codes import usb_requests as codes
from sticktrace.grammar import bot, hub, usb
from sticktrace.grammar.layout import Explanation, Layout, bits, field, spare
from sticktrace.grammar.usb3 import yes
from sticktrace.grammar.usb_chain import explain_descriptors

DEVICE_STATUS = Layout(
    "Device status", "USB 2.0 9.4.5 Figure 9-4",
    bits(
        2, spare(11), yes("LTM Enable", "SuperSpeed only"), yes("U2 Enable", "SuperSpeed only"),
        yes("U1 Enable", "SuperSpeed only"), yes("Remote Wakeup", "may wake the host", "USB 2.0 Figure 9-4"),
        yes("Self Powered", "runs on its own supply", "USB 2.0 Figure 9-4"), order="little",
    ),
)  # fmt: skip

INTERFACE_STATUS = Layout("Interface status", "USB 2.0 9.4.5 Figure 9-5", bits(2, spare(16), order="little"))

ENDPOINT_STATUS = Layout(
    "Endpoint status", "USB 2.0 9.4.5 Figure 9-6",
    bits(2, spare(15), yes("Halt", "the endpoint is halted", "USB 2.0 Figure 9-6"), order="little"),
)  # fmt: skip

CONFIGURATION_VALUE = Layout(
    "Configuration chosen", "USB 2.0 9.4.2",
    field("Configuration Value", Int8ul, "bConfigurationValue, 0 while not configured", "USB 2.0 9.4.2"),
)  # fmt: skip

ALTERNATE_SETTING = Layout(
    "Alternate setting chosen", "USB 2.0 9.4.4",
    field("Alternate Setting", Int8ul, "bAlternateSetting of the interface", "USB 2.0 9.4.4"),
)  # fmt: skip

SYSTEM_EXIT_LATENCIES = Layout(
    "System exit latencies", "USB 3.2 9.4.12",
    field("U1SEL", Int8ul, "system exit latency from U1, µs", "USB 3.2 9.4.12"),
    field("U1PEL", Int8ul, "latency of the path from U1, µs", "USB 3.2 9.4.12"),
    field("U2SEL", Int16ul, "system exit latency from U2, µs", "USB 3.2 9.4.12"),
    field("U2PEL", Int16ul, "latency of the path from U2, µs", "USB 3.2 9.4.12"),
)  # fmt: skip

ANSWERS: dict[tuple[int, int], Layout] = {
    (0x80, codes.GET_STATUS): DEVICE_STATUS,
    (0x81, codes.GET_STATUS): INTERFACE_STATUS,
    (0x82, codes.GET_STATUS): ENDPOINT_STATUS,
    (0x80, codes.GET_CONFIGURATION): CONFIGURATION_VALUE,
    (0x81, codes.GET_INTERFACE): ALTERNATE_SETTING,
    (0xA0, codes.GET_STATUS): hub.HUB_STATUS,
    (0xA3, codes.GET_STATUS): hub.PORT_STATUS,
    (0xA1, 0xFE): bot.MAX_LUN_DATA,
    (0x00, codes.SET_SEL): SYSTEM_EXIT_LATENCIES,
}
"""Layout of the data stage by (bmRequestType, bRequest), for requests that do not carry descriptors."""


def explain_data(setup: bytes, data: bytes, *, superspeed: bool = False) -> Explanation | None:
    """The data stage of a request, or None where no layout is known. ``setup`` holds 8 bytes; ``superspeed`` tells that
    a port status comes from a SuperSpeed hub."""
    key = (setup[0], setup[1])
    if setup[1] == codes.GET_DESCRIPTOR and setup[0] & 0x60 in (0, 0x20) and setup[0] & 0x1F == codes.DEVICE:
        return explain_descriptors(data, languages=setup[2:4] == b"\0\3")
    layout = hub.SUPERSPEED_PORT_STATUS if superspeed and key == (0xA3, codes.GET_STATUS) else ANSWERS.get(key)
    return layout.explain(data) if layout else None


def explain_control(setup: bytes, data: bytes = b"", *, superspeed: bool = False) -> list[Explanation]:
    """A setup packet, followed by its data stage where there is one and a layout is known."""
    parts = [usb.SETUP.explain(setup)]
    if data and len(setup) == 8:
        told = explain_data(setup, data, superspeed=superspeed)
        parts += [told] if told else []
    return parts
