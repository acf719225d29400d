"""The bus tracker on hand-made sequences: what each request must change (USB 2.0 chapters 9 and 11)."""

from __future__ import annotations

import struct

from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.events import BusEvent
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, Transfer
from sticktrace.grammar.hub import HUB_DESCRIPTOR
from sticktrace.grammar.usb import CONFIGURATION, DEVICE, ENDPOINT, INTERFACE

MS = 1_000_000


def device_descriptor(product: int = 1, **values: int) -> bytes:
    return DEVICE.build({"idVendor": 0x1209, "idProduct": product, "iProduct": 2, "iSerialNumber": 3, **values})


def endpoint(address: int, size: int = 512, kind: int = 2) -> bytes:
    return ENDPOINT.build({
        "bLength": 7, "bEndpointAddress": {"Direction": address >> 7, "Endpoint number": address & 15},
        "bmAttributes": {"Transfer Type": kind}, "wMaxPacketSize": {"Maximum packet size": size},
    })  # fmt: skip


def interface(alternate: int, protocol: int, number: int = 0, endpoints: int = 2) -> bytes:
    return INTERFACE.build({
        "bLength": 9, "bInterfaceNumber": number, "bAlternateSetting": alternate, "bNumEndpoints": endpoints,
        "bInterfaceClass": 8, "bInterfaceSubClass": 6, "bInterfaceProtocol": protocol,
    })  # fmt: skip


def configuration(*parts: bytes, power: int = 50, interfaces: int = 1) -> bytes:
    body = b"".join(parts)
    head = {"wTotalLength": 9 + len(body), "bNumInterfaces": interfaces, "bConfigurationValue": 1, "bMaxPower": power}
    return CONFIGURATION.build({"bLength": 9, **head}) + body


STICK = configuration(interface(0, 0x50), endpoint(0x81), endpoint(0x02))


def pipe(address: int, usage: int) -> bytes:
    return endpoint(address) + bytes([4, 0x24, usage, 0])


TWO_SETTINGS = configuration(
    interface(0, 0x50), endpoint(0x81), endpoint(0x02),
    interface(1, 0x62, endpoints=4), pipe(0x01, 1), pipe(0x83, 2), pipe(0x81, 3), pipe(0x02, 4),
)  # fmt: skip


class Wire:
    """Feeds a bus with requests 1 ms apart and keeps the events."""

    def __init__(self) -> None:
        self.bus, self.now, self.number = Bus(), 0, 0
        self.events: list[BusEvent] = []

    def send(self, address: int, setup: tuple[int, int, int, int, int], data: bytes = b"", status: int | None = 0,
             gap_ms: int = 1) -> list[BusEvent]:  # fmt: skip
        self.now += gap_ms * MS
        self.number += 2
        transfer = Transfer(
            1, address, 0x80 if setup[0] & 0x80 else 0, CONTROL, setup=struct.pack("<BBHHH", *setup),
            requested=setup[4], actual=len(data), captured=len(data), status=status, submitted_ns=self.now,
            completed_ns=self.now + MS // 10, records=(self.number - 1, self.number),
        )  # fmt: skip
        found = self.bus.feed(transfer, data)
        self.events += found
        return found

    def port(self, number: int, status: int, change: int = 0, hub: int = 1) -> list[BusEvent]:
        return self.send(hub, (0xA3, 0, 0, number, 4), struct.pack("<HH", status, change))

    def reset(self, number: int, status: int = 0x0503) -> None:
        self.send(1, (0x23, 3, 4, number, 0))
        self.now += 49 * MS
        self.port(number, status, 0x10)
        self.send(1, (0x23, 1, 20, number, 0))

    def describe(self, address: int, data: bytes) -> list[BusEvent]:
        return self.send(address, (0x80, 6, data[1] << 8, 0, 255), data)

    def string(self, address: int, index: int, text: str) -> list[BusEvent]:
        body = text.encode("utf-16-le")
        return self.send(address, (0x80, 6, 0x300 | index, 0x409, 255), bytes([2 + len(body), 3]) + body)

    def plug(self, number: int, address: int, product: int = 1, serial: str = "") -> Device:
        self.port(number, 0x0101, 1)
        self.send(1, (0x23, 1, 16, number, 0))
        self.now += 100 * MS
        self.reset(number)
        self.now += 20 * MS
        self.describe(0, device_descriptor(product))
        self.send(0, (0, 5, address, 0, 0))
        self.describe(address, device_descriptor(product))
        if serial:
            self.string(address, 3, serial)
        self.describe(address, STICK)
        self.send(address, (0, 9, 1, 0, 0))
        device = self.bus.find(1, address)
        assert device is not None
        return device

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]


def test_from_plug_to_unplug() -> None:
    wire = Wire()
    stick = wire.plug(2, 7, serial="TP0417A")
    assert wire.kinds() == ["attached", "reset", "address", "configured"]
    assert (stick.addresses, stick.port, stick.speed, stick.configuration) == ([7], 2, "high", 1)
    assert stick.hub is wire.bus.find(1, 1)
    assert [(gap.kind, gap.length_ns // MS) for gap in stick.gaps] == [("attach", 101), ("reset", 21), ("address", 0)]
    assert [reset.duration_ns // MS for reset in stick.resets] == [50]
    gone = wire.port(2, 0x0100, 1)
    assert [(e.kind, e.address) for e in gone] == [("detached", 7)]
    assert not stick.present
    assert wire.bus.find(1, 7) is None


def test_a_stick_that_never_takes_an_address_is_one_device_with_its_errors() -> None:
    """Failed reads at address 0, resets in between, SET_ADDRESS without success: nothing is invented."""
    wire = Wire()
    wire.port(2, 0x0101, 1)
    wire.send(1, (0x23, 1, 16, 2, 0))
    for _ in range(2):
        wire.reset(2)
        for _ in range(3):
            wire.send(0, (0x80, 6, 0x100, 0, 64), status=-71)
        wire.send(0, (0, 5, 7, 0, 0), status=-110)
    wire.send(1, (0x23, 1, 8, 2, 0))
    (hub, stick) = wire.bus.devices
    assert wire.bus.find(1, 7) is None
    assert (stick.addresses, stick.ids, stick.errors, len(stick.resets), stick.hub) == ([], None, 8, 2, hub)
    assert wire.kinds().count("device error") == 8
    assert stick.story[-1].text == "the power of its port is switched off"
    assert "GET_DESCRIPTOR device: error -71" in [moment.text for moment in stick.story]
    assert "SET_ADDRESS address 7: no answer" in [moment.text for moment in stick.story]


def test_gaps_are_those_that_the_standard_limits() -> None:
    """USB 2.0 7.1.7.3 (attach to reset), 7.1.7.5 (reset to first request), 9.2.6.3 (SET_ADDRESS to next request)."""
    wire = Wire()
    wire.port(2, 0x0101, 1)
    wire.reset(2)
    wire.send(0, (0, 5, 7, 0, 0), gap_ms=3)
    wire.send(7, (0x80, 6, 0x100, 0, 18), device_descriptor(), gap_ms=1)
    device = wire.bus.find(1, 7)
    assert device is not None
    # Requests take 0.1 ms here; one request lies between the end of the reset and the first to the device.
    assert [(gap.kind, gap.length_ns) for gap in device.gaps] == [
        ("attach", MS - MS // 10), ("reset", 4 * MS - MS // 10), ("address", MS - MS // 10),
    ]  # fmt: skip


def test_the_same_stick_plugged_in_again_is_recognised() -> None:
    wire = Wire()
    first = wire.plug(2, 7, serial="TP0417A")
    wire.port(2, 0x0100, 1)
    wire.send(1, (0x23, 1, 16, 2, 0))
    second = wire.plug(2, 8, serial="TP0417A")
    assert second is not first
    assert second.earlier is first
    other = wire.plug(3, 9, serial="TP0418B")
    assert other.earlier is None


def test_an_address_used_again_by_another_device() -> None:
    """SET_ADDRESS may give any free address (9.4.6): the new holder is another device."""
    wire = Wire()
    first = wire.plug(2, 7, product=1)
    wire.port(2, 0x0100, 1)
    wire.send(1, (0x23, 1, 16, 2, 0))
    second = wire.plug(3, 7, product=2)
    assert wire.bus.find(1, 7) is second
    assert [d.ids for d in (first, second)] == [(0x1209, 1), (0x1209, 2)]


def test_other_ids_at_an_address_in_use_are_another_device() -> None:
    wire = Wire()
    wire.describe(5, device_descriptor(1))
    wire.describe(5, device_descriptor(2))
    assert [d.ids for d in wire.bus.devices] == [(0x1209, 1), (0x1209, 2)]
    assert [d.present for d in wire.bus.devices] == [False, True]
    assert wire.kinds() == ["attached"]


def test_reset_keeps_the_device_and_forgets_its_configuration() -> None:
    """A reset leads to the Default state (9.1.1.3), whatever was chosen before."""
    wire = Wire()
    stick = wire.plug(2, 7)
    wire.send(1, (0x23, 3, 4, 2, 0))
    assert [e.address for e in wire.events if e.kind == "reset"] == [0, 7]
    assert stick.configuration is None
    wire.port(2, 0x0503, 0x10)
    wire.describe(0, device_descriptor())
    wire.send(0, (0, 5, 7, 0, 0))
    assert wire.bus.find(1, 7) is stick
    assert stick.addresses == [7]


def test_a_second_connection_change_is_a_second_plugging_in() -> None:
    wire = Wire()
    first = wire.plug(2, 7)
    events = wire.port(2, 0x0101, 1)
    assert [e.kind for e in events] == ["detached", "attached"]
    assert not first.present
    # The change bit stays until it is cleared (11.24.2.7.2): reading it again is no third plugging in.
    assert wire.port(2, 0x0101, 1) == []


def test_two_sticks_side_by_side_keep_apart_even_with_equal_serials() -> None:
    wire = Wire()
    first, second = wire.plug(1, 2, serial="000000000000"), wire.plug(2, 3, serial="000000000000")
    assert first is not second
    assert first.present and second.present
    assert second.earlier is None


def test_over_current() -> None:
    """Tables 11-21 and 11-22: bit 3 of status and change."""
    wire = Wire()
    wire.plug(2, 7)
    events = wire.port(2, 0x0008, 0x0009)
    assert "over-current" in [e.kind for e in events]
    assert "detached" in [e.kind for e in events]


def test_over_current_comes_before_the_unplugging_that_it_causes() -> None:
    """The hub reports both at once (11.12.4): both stand at the time of its report, in the order of cause."""
    wire = Wire()
    stick = wire.plug(2, 7)
    at = wire.now = wire.now + 5 * MS
    wire.bus.feed(Transfer(1, 1, 0x81, INTERRUPT, status=0, completed_ns=at, records=(99,)), b"\x04")
    wire.now += 40 * MS
    wire.port(2, 0x0008, 0x0009)
    last = stick.story[-2:]
    assert [moment.text.split()[0] for moment in last] == ["over-current", "unplugged"]
    assert [moment.time_ns for moment in last] == [at, at]


def test_story_of_a_hub_tells_power_and_status_of_its_ports() -> None:
    """11.24.2.13 SET_FEATURE(PORT_POWER), Tables 11-21 and 11-22; an answer like the one before is not told again."""
    wire = Wire()
    wire.send(1, (0x23, 3, 8, 2, 0))
    for status, change in ((0x0100, 0), (0x0100, 0), (0x0101, 1), (0x0008, 0x000B)):
        wire.port(2, status, change)
    wire.send(1, (0x23, 1, 8, 2, 0))
    hub = wire.bus.find(1, 1)
    assert hub is not None and hub.title == "hub at address 1"
    assert [moment.text for moment in hub.story[1:]] == [
        "port 2: power switched on",
        "port 2: powered",
        "port 2: connected, powered; changed: connection",
        "port 2: OVER-CURRENT; changed: connection, enable, over-current",
        "port 2: power switched off",
    ]


def test_a_device_without_address_is_not_said_to_be_at_0() -> None:
    """A port that is already taken when the recording begins: who hangs there is not known yet."""
    wire = Wire()
    wire.port(2, 0x0103)
    assert wire.bus.devices[-1].title == "device whose address is not in view"


def test_unplugging_a_hub_takes_its_devices_along() -> None:
    wire = Wire()
    hub = wire.plug(1, 2)
    wire.describe(2, device_descriptor(9, bDeviceClass=9))
    hub = wire.bus.find(1, 2) or hub
    wire.port(1, 0x0101, 1, hub=2)
    child = wire.bus.devices[-1]
    assert child.hub is hub
    events = wire.port(1, 0x0100, 1)
    assert [e.kind for e in events] == ["detached", "detached"]
    assert not child.present


def test_alternate_settings_decide_who_owns_an_endpoint() -> None:
    wire = Wire()
    wire.describe(4, device_descriptor())
    wire.describe(4, TWO_SETTINGS)
    wire.send(4, (0, 9, 1, 0, 0))
    (chosen,) = wire.bus.storage_interfaces(1, 4)
    assert (chosen.protocol, chosen.bulk_in, chosen.bulk_out, chosen.command_out) == (0x50, 0x81, 0x02, None)
    assert len(wire.bus.storage_interfaces(1, 4, all_settings=True)) == 2
    wire.send(4, (1, 11, 1, 0, 0))
    (chosen,) = wire.bus.storage_interfaces(1, 4)
    assert (chosen.protocol, chosen.command_out, chosen.status_in, chosen.data_in, chosen.data_out) == (
        0x62, 0x01, 0x83, 0x81, 0x02,
    )  # fmt: skip
    role = wire.bus.endpoint_role(1, 4, 0x81)
    assert role is not None
    assert (role.protocol, role.usage, role.active, role.storage) == (0x62, 3, True, True)
    assert wire.bus.endpoint_role(1, 4, 0x85) is None
    assert wire.bus.endpoint_role(1, 9, 0x81) is None


def test_refused_set_interface_changes_nothing() -> None:
    """A device with one setting only may answer STALL (9.4.10)."""
    wire = Wire()
    wire.describe(4, TWO_SETTINGS)
    (event,) = wire.send(4, (1, 11, 1, 0, 0), status=-32)
    assert (event.kind, event.done) == ("interface", False)
    assert wire.bus.storage_interfaces(1, 4)[0].protocol == 0x50


def test_functions_of_a_windows_host_serve_like_setup_packets() -> None:
    """Link type 249: get descriptor 000Bh, select configuration 0000h, clear stall 001Eh (usb.h, from memory)."""
    bus = Bus()
    for function, data in ((0x000B, device_descriptor()), (0x000B, STICK), (0x0000, b"")):
        bus.feed(Transfer(2, 5, 0x80, CONTROL, status=0, function=function, actual=len(data)), data)
    device = bus.find(2, 5)
    assert device is not None
    assert device.ids == (0x1209, 1)
    assert [(s.bulk_in, s.bulk_out) for s in bus.storage_interfaces(2, 5)] == [(0x81, 0x02)]
    (event,) = bus.feed(Transfer(2, 5, 0x81, BULK, status=0, function=0x001E, records=(4, 5)))
    assert (event.kind, event.endpoint, event.done, event.records) == ("clear halt", 0x81, True, (4, 5))


def test_events_of_recovery() -> None:
    """BOT 1.0 5.3.4: class reset, then clear halt on bulk-IN and on bulk-OUT."""
    wire = Wire()
    wire.describe(4, STICK)
    wire.send(4, (0x21, 0xFF, 0, 0, 0))
    wire.send(4, (2, 1, 0, 0x81, 0))
    wire.send(4, (2, 1, 0, 0x02, 0), status=-71)
    assert [(e.kind, e.endpoint, e.done) for e in wire.events] == [
        ("class reset", -1, True), ("clear halt", 0x81, True), ("device error", -1, False), ("clear halt", 0x02, False),
    ]  # fmt: skip


def test_stalled_max_lun_is_an_answer() -> None:
    """BOT 1.0 3.2: a device with one LUN may STALL."""
    wire = Wire()
    events = wire.send(4, (0xA1, 0xFE, 0, 0, 1), status=-32)
    assert [(e.kind, e.done) for e in events] == [("max lun", False)]
    device = wire.bus.find(1, 4)
    assert device is not None
    assert (device.max_lun, device.max_lun_result) == (None, "stall")


def test_card_gives_power_in_the_units_of_its_speed() -> None:
    """2 mA units (Table 9-10); 8 mA at SuperSpeed (USB 3.2 9.6.3)."""
    wire = Wire()
    wire.describe(4, device_descriptor())
    wire.describe(4, STICK)
    wire.describe(5, device_descriptor(2, bcdUSB=0x300, bMaxPacketSize0=9))
    wire.describe(5, STICK)
    cards = [device.card() for device in wire.bus.devices]
    assert [(card["max_power_ma"], card["speed"], card["max_packet_0"]) for card in cards] == [
        (100, "high", 64), (400, "super", 512),
    ]  # fmt: skip
    assert cards[0]["kind"] == "device"
    assert [e["address"] for e in cards[0]["endpoints"]] == [0x81, 0x02]


def test_hostile_strings_are_escaped_in_the_card() -> None:
    wire = Wire()
    wire.describe(4, device_descriptor())
    wire.string(4, 2, "TIDE\x1b[31m\u202eLOG")
    device = wire.bus.find(1, 4)
    assert device is not None
    assert device.card()["strings"]["product"] == "TIDE\\x1b[31m\\u202eLOG"


def test_short_configuration_answer_is_a_lie_of_the_device() -> None:
    """wTotalLength 32, asked for 255 bytes, only 20 came."""
    wire = Wire()
    wire.send(4, (0x80, 6, 0x200, 0, 255), STICK[:20])
    device = wire.bus.find(1, 4)
    assert device is not None
    assert device.lies == ["wTotalLength is 32, asked for 255 bytes, it sent 20"]


def test_hub_report_gives_the_time_of_unplugging() -> None:
    """The status change endpoint's bitmap: bit n is port n (11.12.4)."""
    wire = Wire()
    stick = wire.plug(2, 7)
    wire.now += 5 * MS
    at = wire.now
    report = Transfer(1, 1, 0x81, INTERRUPT, status=0, completed_ns=at, records=(99,))
    assert wire.bus.feed(report, b"\x04") == []
    wire.now += 40 * MS
    wire.port(2, 0x0100, 1)
    assert stick.detached_ns == at


def test_hub_card_tells_ports() -> None:
    wire = Wire()
    wire.describe(1, device_descriptor(9, bDeviceClass=9))
    descriptor = HUB_DESCRIPTOR.build({"bNbrPorts": 4, "bPwrOn2PwrGood": 50, "DeviceRemovable": b"\0",
                                       "PortPwrCtrlMask": b"\xff"})  # fmt: skip
    wire.send(1, (0xA0, 6, 0x2900, 0, 15), descriptor)
    stick = wire.plug(3, 6)
    hub = stick.hub
    assert hub is not None and hub.as_hub is not None
    assert hub.as_hub.facts()["ports"] == 4
    assert hub.as_hub.facts()["power_good_ms"] == 100
    assert hub.card()["hub_descriptor"]["power_switching"] == "ganged"  # wHubCharacteristics 0 (Table 11-13)
    (port,) = hub.card()["ports"]
    assert (port["port"], port["status"], port["address"]) == (3, 0x0503, 6)


SETUPS = st.tuples(
    st.sampled_from([0x80, 0x00, 0x01, 0x02, 0x21, 0xA1, 0xA0, 0xA3, 0x23, 0x81, 0xC0]),
    st.sampled_from([0, 1, 3, 5, 6, 8, 9, 10, 11, 0xFE, 0xFF]),
    st.one_of(st.integers(0, 65535), st.sampled_from([0x100, 0x200, 0x300, 0x302, 0x2900, 4, 16, 20])),
    st.integers(0, 3), st.integers(0, 300),
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 4), SETUPS, st.one_of(st.binary(max_size=40), st.sampled_from([STICK, TWO_SETTINGS])),
            st.sampled_from([0, 0, 0, -32, -71, None]),
        ),
        max_size=40,
    )
)  # fmt: skip
def test_any_traffic_is_survived(traffic: list[tuple[int, tuple[int, int, int, int, int], bytes, int | None]]) -> None:
    """Whatever comes, no exception, every present device is reachable at its address only, and cards can be made."""
    wire = Wire()
    for address, setup, data, status in traffic:
        wire.send(address, setup, data, status)
    for (bus, address), device in wire.bus.at_address.items():
        assert device.bus == bus
        assert device.present
        assert device.addresses[-1] == address
    for device in wire.bus.devices:
        assert device.card()["kind"] == "device"
        device.storage_interfaces()
        device.speed_and_source()
