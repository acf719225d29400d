"""Every recorded capture: devices as the recording machine's own kernel log and the independent count report them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import pytest

import sticktrace
from conftest import ROOT, capture_bytes, capture_names, kernel_log, truth_of
from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.events import BusEvent
from sticktrace.capture import reader_of
from sticktrace.capture.transfer import CONTROL, INTERRUPT
from sticktrace.sticks.sticks import Sticks
from sticktrace.transport.items import Exchange

SPEEDS = {"low (1.5 Mb/s)": "low", "full (12 Mb/s)": "full", "high (480 Mb/s)": "high", "super (5 Gb/s)": "super"}


def track(name: str) -> tuple[Bus, list[BusEvent]]:
    reader, bus = reader_of(name, capture_bytes(name)), Bus()
    events: list[BusEvent] = []
    for transfer in [*reader.transfers(), *reader.finish()]:
        if transfer.kind in (CONTROL, INTERRUPT):
            data = bytes(reader.payload[transfer.data_at : transfer.data_at + min(transfer.captured, 4096)])
            events += bus.feed(transfer, data)
    return bus, events


@dataclass
class Logged:
    """A device as the kernel log tells of it; ``path`` is the kernel's bus-port.port name."""

    path: str
    address: int = 1
    speed: str = ""
    words: dict[str, str] = field(default_factory=dict)
    ports: int = 0
    gone: bool = False
    resets: int = 0


LINES = [
    (r"usb (\S+): new (\w+)-speed USB device number (\d+)", lambda d, m: _set(d, speed=m[2], address=int(m[3]))),
    (r"usb (\S+): new SuperSpeed USB device number (\d+)", lambda d, m: _set(d, speed="super", address=int(m[2]))),
    (r"usb (\S+): New USB device found, idVendor=(\w+), idProduct=(\w+), bcdDevice= ?(\S+)",
     lambda d, m: d.words.update(ids=f"{m[2]}:{m[3]}", release=m[4])),
    (r"usb (\S+): (Product|Manufacturer|SerialNumber): (.*)", lambda d, m: d.words.update({m[2]: m[3]})),
    (r"usb (\S+): USB disconnect", lambda d, m: _set(d, gone=True)),
    (r"usb (\S+): reset \S+ USB device number", lambda d, m: _set(d, resets=d.resets + 1)),
    (r"hub (\S+?)(?:-0)?:1.0: (\d+) ports? detected", lambda d, m: _set(d, ports=int(m[2]))),
]  # fmt: skip


def _set(device: Logged, **values: Any) -> None:
    for name, value in values.items():
        setattr(device, name, value)


def logged(log: str) -> dict[str, Logged]:
    found: dict[str, Logged] = {}
    for line in log.splitlines():
        for pattern, take in LINES:
            match = re.search(pattern, line)
            if match:
                path = match[1] if "-" in match[1] else f"usb{match[1].removeprefix('usb')}"
                take(found.setdefault(path, Logged(path)), match)
    return found


def find(bus: Bus, entry: Logged) -> Device | None:
    number = int(re.findall(r"\d+", entry.path)[0])
    return next((d for d in bus.devices if d.bus == number and d.address == entry.address), None)


LOGGED = [name for name in capture_names() if kernel_log(name)]


@pytest.mark.parametrize("name", LOGGED)
def test_devices_are_those_of_the_kernel_log(name: str) -> None:
    bus, _ = track(name)
    logs = logged(kernel_log(name))
    assert logs
    checked = 0
    for entry in logs.values():
        device = find(bus, entry)
        if device is None or not device.descriptor:
            continue
        card = device.card()
        assert card["ids"] == entry.words["ids"]
        assert card["release"] == entry.words["release"]
        if device.strings:  # one recorder reads the device descriptor of each device only
            assert card["strings"] == {
                "product": entry.words.get("Product", ""),
                "manufacturer": entry.words.get("Manufacturer", ""),
                "serial": entry.words.get("SerialNumber", ""),
            }
        if entry.speed:
            assert card["speed"] == entry.speed
            _place(bus, logs, entry, device)
        if entry.ports and device.as_hub is not None and device.as_hub.descriptor:
            assert device.as_hub.facts()["ports"] == entry.ports
        if entry.gone:
            assert card["detached_ns"] is not None
        checked += 1
    assert checked


def _place(bus: Bus, logs: dict[str, Logged], entry: Logged, device: Device) -> None:
    """The kernel's name "1-1.2" is port 2 of the hub "1-1", which is on port 1 of bus 1's root hub."""
    above, _, port = entry.path.rpartition("." if "." in entry.path else "-")
    assert device.port == int(port)
    parent = logs.get(above if "-" in above else f"usb{above}")
    assert device.hub is not None
    assert device.hub.address == (parent.address if parent else 1)


@pytest.mark.parametrize("name", [n for n in capture_names() if not n.endswith(".txt")])
def test_addresses_and_facts_are_those_of_the_truth_file(name: str) -> None:
    bus, _ = track(name)
    truth = truth_of(name)
    counted = {tuple(map(int, key.split("."))) for key in truth["independent_scan"]["devices"]}
    assert {(d.bus, a) for d in bus.devices for a in d.addresses} == {key for key in counted if key[1]}
    expected = truth["expected"].get("usb")
    sticks = [d for d in bus.devices if d.storage_interfaces()]
    for stick in sticks:
        assert stick.speed_and_source()[0] == SPEEDS[truth["speed"]]
        assert stick.max_lun in (None, truth["expected"].get("luns", 1) - 1)
        assert stick.lies == []
    if expected:
        (stick,) = sticks
        card = stick.card()
        assert card["vendor_id"] == int(expected["idVendor"], 16)
        assert card["product_id"] == int(expected["idProduct"], 16)
        assert card["strings"] == {key: expected[key] for key in ("manufacturer", "product", "serial")}


def test_class_requests_and_halts_are_counted_as_the_independent_scan_did() -> None:
    for name in ("g17_raw_bot_orderly-usbmon.pcap", "g02_two_luns-usbmon.pcap", "l18_reset-usbmon.pcap"):
        _, events = track(name)
        scan = truth_of(name)["independent_scan"]
        kinds = [event.kind for event in events]
        assert kinds.count("class reset") == scan["bulk_only_reset"]
        assert kinds.count("max lun") == scan["get_max_lun"]
        assert kinds.count("clear halt") == scan["clear_halt"]


def test_resets_asked_for_by_user_space() -> None:
    """l18: after the two resets of plugging in, the log has three "reset high-speed USB device", each of which the
    recording shows as two port resets (common practice of that host)."""
    name = "l18_reset-usbmon.pcap"
    bus, events = track(name)
    stick = next(d for d in bus.devices if d.storage_interfaces())
    entry = logged(kernel_log(name))["1-1"]
    assert len(stick.resets) == 2 + 2 * entry.resets
    assert all(10_000_000 < reset.duration_ns < 200_000_000 for reset in stick.resets)
    assert stick.addresses == [2]
    assert stick.configuration == 1
    assert [e.address for e in events if e.kind == "reset"][2:] == [2] * 2 * entry.resets


def test_uas_pipes() -> None:
    """l19: protocol 62h; pipe usage descriptors give the four pipes."""
    bus, _ = track("l19_uas_ehci-usbmon.pcap")
    (stick,) = [d for d in bus.devices if d.storage_interfaces()]
    (interface,) = bus.storage_interfaces(stick.bus, stick.address)
    assert (interface.protocol, interface.active) == (0x62, True)
    pipes = (interface.command_out, interface.status_in, interface.data_in, interface.data_out)
    assert pipes == (0x01, 0x82, 0x83, 0x04)
    assert interface.bulk_in is None


def test_firmware_and_kernel_in_one_recording_are_one_stick() -> None:
    """l01, the emulator's recording: the firmware gives address 1, the kernel address 2; no hub is in view."""
    bus, events = track("l01_fat32_ehci-emu.pcap")
    (stick,) = bus.devices
    assert stick.addresses == [1, 2]
    assert [e.kind for e in events if e.kind in ("address", "reset")] == ["address", "reset", "address"]


def test_address_given_by_the_host_controller() -> None:
    """l05: an xHCI host shows no SET_ADDRESS; the stick still hangs behind the port that was reset."""
    bus, _ = track("l05_gpt_xhci-usbmon.pcap")
    (stick,) = [d for d in bus.devices if d.storage_interfaces()]
    assert (stick.addresses, stick.port, stick.speed) == ([2], 1, "super")
    assert any("no SET_ADDRESS seen" in moment.text for moment in stick.story)


@pytest.mark.parametrize("name", [n for n in capture_names() if n.endswith(".txt")])
def test_text_form_tells_the_same_as_its_binary_twin(name: str) -> None:
    """The kernel's text form keeps 32 bytes of a payload: ids, endpoints, addresses survive, long strings are cut."""
    twin = re.sub(r"-usbmon-\d[tu]\.txt", "-usbmon.pcap", name)
    text, binary = track(name)[0], track(twin)[0]
    ours = [d for d in text.devices if d.ids and d.hub is not None]
    theirs = [d for d in binary.devices if d.ids and d.hub is not None]
    assert [(d.addresses, d.ids, d.port, d.max_lun) for d in ours] == [
        (d.addresses, d.ids, d.port, d.max_lun) for d in theirs
    ]
    for mine, other in zip(ours, theirs, strict=True):
        assert mine.lies == []
        assert mine.roles().keys() <= other.roles().keys()
        assert other.named("iProduct").startswith(mine.named("iProduct").rstrip("…"))


def test_a_command_to_a_device_just_gone_is_still_that_devices() -> None:
    """The hub reports the unplugging by interrupt, the host sends one more command before it reads the port."""
    with sticktrace.open(ROOT / "traces" / "demo" / "hub-port-overcurrent.pcap") as capture:
        reading = capture.reading()
        sticks, late = Sticks(reading.read), 0
        for item in reading:
            sticks.see(item)
            if isinstance(item, Exchange):
                late += 0 <= item.device.detached_ns < item.time_ns
        assert late
        assert all(stick.device.described for stick in sticks.all)
