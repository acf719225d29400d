"""Hub descriptors and status words against USB 2.0 chapter 11 and the kernel's usbmon documentation."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_everything
from sticktrace.grammar import hub
from sticktrace.grammar.usb_chain import descriptors


def said_yes(layout: hub.Layout, data: bytes) -> set[str]:
    return {row.name for row in layout.explain(data).rows if row.meaning == "yes"}


def test_kernel_documentation_example() -> None:
    """Documentation/usb/usbmon: "C Ci:1:001:0 0 4 = 01050000", the answer to GET_STATUS(port 3)."""
    data = bytes.fromhex("01050000")
    values = hub.PORT_STATUS.parse(data)
    assert (int.from_bytes(data[:2], "little"), int.from_bytes(data[2:], "little")) == (0x0501, 0)
    assert values.wPortStatus["PORT_ENABLE"] == 0
    assert said_yes(hub.PORT_STATUS, data) == {"PORT_CONNECTION", "PORT_POWER", "PORT_HIGH_SPEED"}
    assert hub.port_words(0x0501, 0) == "connected, powered, high speed"


@pytest.mark.parametrize(
    ("status", "change", "words"),
    [
        # USB 2.0 Tables 11-21, 11-22
        (0x0100, 0x0000, "powered"),
        (0x0101, 0x0001, "connected, powered; changed: connection"),
        (0x0503, 0x0010, "connected, enabled, powered, high speed; changed: reset"),
        (0x0303, 0x0000, "connected, enabled, powered, low speed"),
        (0x0111, 0x0000, "connected, in reset, powered"),
        (0x0108, 0x0008, "OVER-CURRENT, powered; changed: over-current"),
        (0x0000, 0x0000, "nothing connected, not powered"),
    ],
)
def test_port_words(status: int, change: int, words: str) -> None:
    assert hub.port_words(status, change) == words


def test_superspeed_port_words() -> None:
    """USB 3.2 10.16.2.6 (from memory): bit 9 is power, bits 8-5 the link state (5 = Rx.Detect)."""
    assert hub.port_words(0x0203, 0, superspeed=True) == "connected, enabled, powered"
    assert hub.port_words(0x02A0, 0, superspeed=True) == "powered, link Rx.Detect"


def test_hub_descriptor_with_eight_ports_needs_two_byte_bitmaps() -> None:
    """Table 11-13: bit 0 of DeviceRemovable is reserved, so 8 ports need 9 bits."""
    data = bytes.fromhex(
        "0b"  # bDescLength 11
        "29"  # bDescriptorType 29h
        "08"  # bNbrPorts
        "0900"  # wHubCharacteristics: per port power, per port over-current
        "32"  # bPwrOn2PwrGood 50 x 2 ms
        "64"  # bHubContrCurrent 100 mA
        "0001"  # DeviceRemovable: port 8 fixed
        "ffff"  # PortPwrCtrlMask
    )
    explained = hub.HUB_DESCRIPTOR.explain(data)
    meaning = {row.name: row.meaning for row in explained.rows}
    assert explained.fault == ""
    assert explained.used == 11
    assert meaning["Power Switching"] == "per port"
    assert meaning["Over-current Protection"] == "per port"
    assert meaning["bPwrOn2PwrGood"] == "100 ms"
    assert meaning["bHubContrCurrent"] == "100 mA"
    assert meaning["DeviceRemovable"] == "ports 8"


def test_hub_descriptor_too_short_for_its_ports_shows_what_is_there() -> None:
    """As an emulated 8-port hub sends it: one byte of PortPwrCtrlMask is missing."""
    data = bytes.fromhex("0a29080a0001000000ff")
    explained = hub.HUB_DESCRIPTOR.explain(data)
    assert "PortPwrCtrlMask" in explained.fault
    assert [row.value for row in explained.rows if row.name == "bNbrPorts"] == [8]
    assert descriptors(data).items[0].layout is hub.HUB_DESCRIPTOR


def test_hub_status_words() -> None:
    """Tables 11-19 and 11-20."""
    assert said_yes(hub.HUB_STATUS, bytes.fromhex("01000000")) == {"Local Power Lost"}
    assert said_yes(hub.HUB_STATUS, bytes.fromhex("02000200")) == {"Over-current", "Over-current changed"}


@settings(max_examples=25, deadline=None)
@given(data=st.binary(min_size=4, max_size=24))
@pytest.mark.parametrize(
    "layout",
    [hub.HUB_DESCRIPTOR, hub.SUPERSPEED_HUB_DESCRIPTOR, hub.HUB_STATUS, hub.PORT_STATUS, hub.SUPERSPEED_PORT_STATUS],
    ids=lambda layout: layout.title,
)
def test_every_layout_accounts_for_every_bit(layout: hub.Layout, data: bytes) -> None:
    check_everything(layout, data)
