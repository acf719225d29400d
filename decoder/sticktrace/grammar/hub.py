"""The hub class: USB 2.0 chapter 11 (descriptor 11.23.2, status words 11.24.2.6 and 11.24.2.7), with the SuperSpeed
hub's forms of USB 3.2 chapter 10 (from memory)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ul

from sticktrace.grammar.layout import Bits, Layout, bits, field, part, spare
from sticktrace.grammar.usb3 import head, yes


def _ports(value: Any, _: Mapping[str, Any]) -> str:
    """Port bitmaps: bit 0 is reserved, bit n is port n (Table 11-13)."""
    number = int.from_bytes(value, "little")
    found = [str(port) for port in range(1, 8 * len(value)) if number >> port & 1]
    return "ports " + ", ".join(found) if found else "no port"


def _power_good(value: Any, _: Mapping[str, Any]) -> str:
    return f"{2 * value} ms"


def _milliamperes(value: Any, _: Mapping[str, Any]) -> str:
    return f"{value} mA"


def _bitmap(name: str, text: str) -> Any:
    # Bit 0 is reserved, so 8 ports need 9 bits, hence 2 bytes (Table 11-13).
    return field(name, Bytes(lambda v: v.bNbrPorts // 8 + 1), text, "USB 2.0 Table 11-13", meaning=_ports)


def _characteristics() -> Bits:
    return bits(
        2, spare(8),
        part("Port Indicators", 1, "ports have indicators", meaning={0: "no", 1: "yes"}),
        part("TT Think Time", 2, "full-speed bit times between transactions at most",
             meaning={0: "8", 1: "16", 2: "24", 3: "32"}),
        part("Over-current Protection", 2, "how over-current is reported",
             meaning={0: "for all ports together", 1: "per port", 2: "not reported", 3: "not reported"}),
        part("Compound Device", 1, "the hub is part of a compound device", meaning={0: "no", 1: "yes"}),
        part("Power Switching", 2, "how ports are powered",
             meaning={0: "all ports together", 1: "per port", 2: "always on", 3: "always on"}),
        order="little", name="wHubCharacteristics",
    )  # fmt: skip


HUB_DESCRIPTOR = Layout(
    "Hub descriptor", "USB 2.0 11.23.2.1 Table 11-13",
    *head(0x29, 9, "USB 2.0 Table 11-13"),
    field("bNbrPorts", Int8ul, "number of downstream ports", "USB 2.0 Table 11-13"),
    _characteristics(),
    field("bPwrOn2PwrGood", Int8ul, "time from port power to good power, 2 ms units", "USB 2.0 Table 11-13",
          meaning=_power_good),
    field("bHubContrCurrent", Int8ul, "current that the hub itself takes", "USB 2.0 Table 11-13",
          meaning=_milliamperes),
    _bitmap("DeviceRemovable", "ports whose device cannot be taken off"),
    _bitmap("PortPwrCtrlMask", "all ones, kept for USB 1.0 software"),
)  # fmt: skip

SUPERSPEED_HUB_DESCRIPTOR = Layout(
    "SuperSpeed hub descriptor", "USB 3.2 10.15.2.1",
    *head(0x2A, 12, "USB 3.2 10.15.2.1"),
    field("bNbrPorts", Int8ul, "number of downstream ports", "USB 3.2 10.15.2.1"),
    _characteristics(),
    field("bPwrOn2PwrGood", Int8ul, "time from port power to good power, 2 ms units", "USB 3.2 10.15.2.1",
          meaning=_power_good),
    field("bHubContrCurrent", Int8ul, "current that the hub itself takes", "USB 3.2 10.15.2.1",
          meaning=lambda value, _: f"{4 * value} mA"),
    field("bHubHdrDecLat", Int8ul, "header decode latency, 0.1 µs units", "USB 3.2 10.15.2.1"),
    field("wHubDelay", Int16ul, "average delay added by the hub, ns", "USB 3.2 10.15.2.1"),
    field("DeviceRemovable", Bytes(2), "ports whose device cannot be taken off", "USB 3.2 10.15.2.1", meaning=_ports),
)  # fmt: skip

HUB_STATUS = Layout(
    "Hub status", "USB 2.0 11.24.2.6 Tables 11-19, 11-20",
    bits(2, spare(14), yes("Over-current", "over-current on the whole hub", "USB 2.0 Table 11-19"),
         yes("Local Power Lost", "the hub's own supply is off", "USB 2.0 Table 11-19"),
         order="little", name="wHubStatus"),
    bits(2, spare(14), yes("Over-current changed", "C_HUB_OVER_CURRENT", "USB 2.0 Table 11-20"),
         yes("Local Power changed", "C_HUB_LOCAL_POWER", "USB 2.0 Table 11-20"),
         order="little", name="wHubChange"),
)  # fmt: skip

_STATUS, _CHANGE = "USB 2.0 Table 11-21", "USB 2.0 Table 11-22"

PORT_STATUS = Layout(
    "Port status", "USB 2.0 11.24.2.7 Tables 11-21, 11-22",
    bits(
        2, spare(3), yes("PORT_INDICATOR", "software controls the indicator", _STATUS),
        yes("PORT_TEST", "the port is in test mode", _STATUS),
        yes("PORT_HIGH_SPEED", "a high-speed device; final only after a reset (11.24.2.7.1)", _STATUS),
        yes("PORT_LOW_SPEED", "a low-speed device", _STATUS), yes("PORT_POWER", "the port is powered", _STATUS),
        spare(3), yes("PORT_RESET", "a reset is under way", _STATUS),
        yes("PORT_OVER_CURRENT", "too much current is drawn", _STATUS),
        yes("PORT_SUSPEND", "the port is suspended", _STATUS), yes("PORT_ENABLE", "the port is enabled", _STATUS),
        yes("PORT_CONNECTION", "a device is connected", _STATUS), order="little", name="wPortStatus",
    ),
    bits(
        2, spare(11), yes("C_PORT_RESET", "a reset has ended", _CHANGE),
        yes("C_PORT_OVER_CURRENT", "over-current came or went", _CHANGE),
        yes("C_PORT_SUSPEND", "resume has ended", _CHANGE),
        yes("C_PORT_ENABLE", "the hub disabled the port after an error", _CHANGE),
        yes("C_PORT_CONNECTION", "a device came or went", _CHANGE), order="little", name="wPortChange",
    ),
)  # fmt: skip

LINK_STATES = {
    0: "U0", 1: "U1", 2: "U2", 3: "U3", 4: "eSS.Disabled", 5: "Rx.Detect", 6: "eSS.Inactive", 7: "Polling",
    8: "Recovery", 9: "Hot Reset", 10: "Compliance Mode", 11: "Loopback",
}  # fmt: skip

_SS = "USB 3.2 10.16.2.6"

SUPERSPEED_PORT_STATUS = Layout(
    "SuperSpeed port status", "USB 3.2 10.16.2.6",
    bits(
        2, spare(3), part("PORT_SPEED", 3, "negotiated speed", _SS, meaning={0: "5 Gb/s and more"}),
        yes("PORT_POWER", "the port is powered", _SS),
        part("PORT_LINK_STATE", 4, "state of the link", _SS, meaning=LINK_STATES),
        yes("PORT_RESET", "a reset is under way", _SS), yes("PORT_OVER_CURRENT", "too much current is drawn", _SS),
        spare(1), yes("PORT_ENABLE", "the port is enabled", _SS), yes("PORT_CONNECTION", "a device is connected", _SS),
        order="little", name="wPortStatus",
    ),
    bits(
        2, spare(8), yes("C_PORT_CONFIG_ERROR", "the link could not be configured", _SS),
        yes("C_PORT_LINK_STATE", "the link state changed", _SS), yes("C_BH_PORT_RESET", "a warm reset has ended", _SS),
        yes("C_PORT_RESET", "a reset has ended", _SS), yes("C_PORT_OVER_CURRENT", "over-current came or went", _SS),
        spare(2), yes("C_PORT_CONNECTION", "a device came or went", _SS), order="little", name="wPortChange",
    ),
)  # fmt: skip


def port_words(status: int, change: int, superspeed: bool = False) -> str:
    """A port's two status words as one phrase: "connected, powered, high speed; connection changed"."""
    bits_now = [(0, "connected"), (1, "enabled"), (3, "OVER-CURRENT"), (4, "in reset")]
    bits_now += [(9, "powered")] if superspeed else [(2, "suspended"), (8, "powered")]
    if status & 1 and not superspeed:  # with nobody there the speed bits mean nothing (11.24.2.7.1)
        bits_now += [(9, "low speed"), (10, "high speed")]
    now = [text for bit, text in bits_now if status >> bit & 1]
    if superspeed and not status & 1:
        now.append(f"link {LINK_STATES.get(status >> 5 & 15, '?')}")
    new_bits = [(0, "connection"), (1, "enable"), (2, "suspend"), (3, "over-current"), (4, "reset")]
    new = [text for bit, text in new_bits if change >> bit & 1]
    words = ", ".join(now) or "nothing connected, not powered"
    return f"{words}; changed: {', '.join(new)}" if new else words
