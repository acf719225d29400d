"""Traces that break the rules of USB 2.0 chapters 7 to 9 and 11 and of USB 3.2, one for each, and some that keep
them."""

from __future__ import annotations

import struct
from typing import Any

from breaches.bulk_only import names_only
from breaches.lab import Edit, case, new_host, nothing, patched, read, tur
from workshop import Alternate, Host, Hub, Identity, Recorder, wire
from workshop.bringup import CONNECTED, ENABLED, POWERED, RESET_CHANGE, Habit
from workshop.identity import BULK_ONLY, BULK_ONLY_FULL_SPEED
from workshop.recorder import BABBLE, STALL, TIMED_OUT

DEVICE, CONFIG = 0x0100, 0x0200
MS = 1_000_000


def ask(host: Host, setup: bytes, reply: bytes = b"", status: int = 0, took_ms: float = 0.2, **more: Any) -> None:
    """A control request that goes as told."""
    host.control(setup, reply, status=status, took_ns=int(took_ms * MS), **more)


def descriptor(kind: int, length: int = 255, number: int = 0, language: int = 0) -> bytes:
    return wire.get_descriptor(kind, length, number, language)


def silent_at_first(host: Host) -> None:
    host.attach()
    host.first_descriptor(status=TIMED_OUT, took_ns=5000 * MS)
    host.reset_port()
    host.address(2)
    host.read_descriptors()


case("u2-ep0-exists", silent_at_first, bare=True)
case("u2-ctl-len", lambda h: ask(h, descriptor(1, 18), status=BABBLE))
QUALIFIER = descriptor(6, 10)


def refused_then(host: Host, status: int) -> None:
    ask(host, QUALIFIER, status=STALL)
    ask(host, wire.setup(0x80, 0, 0, 0, 2), bytes((0, 0)), status=status)


case("u2-ep0-stall-ends", lambda h: refused_then(h, TIMED_OUT), lambda h: refused_then(h, 0))
case("u2-stall-no-halt", lambda h: refused_then(h, TIMED_OUT), lambda h: refused_then(h, 0))
case("u2-stall-unknown", lambda h: ask(h, QUALIFIER, status=TIMED_OUT), lambda h: ask(h, QUALIFIER, status=STALL))
GET_STATUS, CLASS = wire.setup(0x80, 0, 0, 0, 2), wire.class_reset()
case("u2-req-5s", lambda h: ask(h, GET_STATUS, bytes(2), took_ms=6000))
case("u2-setaddr-50", lambda h: ask(h, wire.set_address(2), took_ms=80))
case("u2-nodata-50", lambda h: ask(h, wire.set_configuration(1), took_ms=80))
case("u2-datain-500", lambda h: ask(h, GET_STATUS, bytes(2), took_ms=700), lambda h: ask(h, GET_STATUS, bytes(2)))
SET_DESCRIPTOR = wire.setup(0x00, 7, 0x0303, 0x0409, 8)
case("u2-dataout-5s", lambda h: ask(h, SET_DESCRIPTOR, out=bytes(8), took_ms=6000),
     lambda h: ask(h, SET_DESCRIPTOR, out=bytes(8)))  # fmt: skip
case("u2-class-time", lambda h: ask(h, CLASS, took_ms=6000))


def same_address(host: Host) -> Recorder:
    host.enumerate(2)
    second = new_host(recorder=host.recorder, hub=host.hub, port=2, serial="203104180002")
    second.enumerate(2)
    return host.recorder


case("u2-addr-unique", same_address, bare=True)
case("u2-zero-fields", lambda h: ask(h, wire.setup(0, 9, 1, 1, 0)))
case("u2-desc-min", lambda h: ask(h, descriptor(1, 18), h.stick.identity.device()[:17] + b"\x02"))
case("u2-desc-must", lambda h: ask(h, descriptor(2, 9), status=STALL))
case("u2-desc-none", lambda h: ask(h, QUALIFIER, h.stick.identity.device()[:10]))
case("u2-desc-len", lambda h: ask(h, descriptor(1, 18), b"\x11" + h.stick.identity.device()[1:17]))
case("u2-str-zero", lambda h: ask(h, descriptor(3, 255, 2, 0x0409), status=STALL))
TEN = bytes((10, 6, 0, 2, 0, 0, 0, 64, 1, 0))
case("u2-qual-hs", lambda h: ask(h, QUALIFIER, status=STALL), lambda h: ask(h, QUALIFIER, TEN))


def other_speed(host: Host, refused: bool) -> None:
    ask(host, QUALIFIER, b"" if refused else TEN, STALL if refused else 0)
    ask(host, descriptor(7, 9), status=STALL)


case("u2-qual-host", lambda h: other_speed(h, True), lambda h: other_speed(h, False))
case("u2-setcfg-value", lambda h: ask(h, wire.set_configuration(1), status=STALL))
GET_CONFIGURATION, GET_INTERFACE = wire.setup(0x80, 8, 0, 0, 1), wire.setup(0x81, 10, 0, 0, 1)
case("u2-getcfg", lambda h: ask(h, GET_CONFIGURATION, b"\0"), lambda h: ask(h, GET_CONFIGURATION, b"\1"))
case("u2-setif", lambda h: ask(h, wire.set_interface(0, 3)), lambda h: ask(h, wire.set_interface(0, 0)))


def setting(host: Host, answer: int) -> None:
    ask(host, wire.set_interface(0, 0))
    ask(host, GET_INTERFACE, bytes((answer,)))


case("u2-getif", lambda h: setting(h, 1), lambda h: setting(h, 0))
case("u2-alt-zero", lambda h: ask(h, GET_INTERFACE, b"\1"), lambda h: ask(h, GET_INTERFACE, b"\0"))
case("u2-status-dev", lambda h: ask(h, GET_STATUS, b"\x80\0"), lambda h: ask(h, GET_STATUS, bytes(2)))


def halt_status(host: Host, bit: int) -> None:
    read(host, data_in=b"", expected=512, stall_data=True, status=1)
    ask(host, wire.setup(0x82, 0, 0, host.bulk_in, 2), bytes((bit, 0)))


case("u2-status-ep", lambda h: halt_status(h, 1), lambda h: halt_status(h, 0))
case("u2-halt-must", lambda h: h.clear_halt(h.bulk_in, STALL))
case("u2-feature-wrong", lambda h: h.clear_halt(0x85), lambda h: h.clear_halt(0x85, STALL))


def too_early(host: Host) -> None:
    host.attach()
    host.address(2)
    host.read_descriptors()
    tur(host)


case("u2-cfg-first", too_early, bare=True)
FULL: dict[str, Any] = {"speed": "full", "alternates": (BULK_ONLY_FULL_SPEED,)}


def qualified(host: Host, status: int) -> None:
    ask(host, QUALIFIER, TEN)
    ask(host, descriptor(1, 18), b"" if status else host.stick.identity.device(), status)


case("u2-hs-on-fs", lambda h: qualified(h, STALL), lambda h: qualified(h, 0), kept_options=FULL, **FULL)


def behind_hub(host: Host) -> None:
    host.external_hub(Hub(ports=4, report_bytes=1), address=5)
    host.port = 3
    host.enumerate(6)
    host.execute(wire.inquiry())


case("u2-cfg-power-host", behind_hub, behind_hub, bare=True, kept_options={"max_power_ma": 100}, max_power_ma=500)


def after_reset(host: Host, status: int) -> None:
    host.reset_port()
    ask(host, descriptor(1, 18), b"" if status else host.stick.identity.device(), status, address=0)


case("u2-reset-ready", lambda h: after_reset(h, TIMED_OUT))


def after_address(host: Host, wait_ms: float, status: int) -> None:
    host.attach()
    host.first_descriptor()
    host.control(wire.set_address(2), address=0)
    host.stick.address = 2
    host.wait_ms(wait_ms)
    ask(host, descriptor(1, 18), b"" if status else host.stick.identity.device(), status)
    host.read_descriptors()


case("u2-setaddr-2", lambda h: after_address(h, 10, TIMED_OUT), bare=True)
case("u2-setaddr-wait", lambda h: after_address(h, 0, TIMED_OUT), bare=True)


def quick_reset(host: Host) -> None:
    host.attach()
    host.reset_port(1)
    host.address(2)
    host.read_descriptors()


case("u2-reset-wait-10", quick_reset, bare=True, habit=Habit(recovery_ms=1, second_reset=False))
case("u2-attach-100", names_only, bare=True, habit=Habit(debounce_ms=20))

# -- descriptors

case("u2-ep0-hs-64", nothing, edits={DEVICE: patched(7, 32)})
case("u2-ep0-fs-set", nothing, nothing, kept_options=FULL, edits={DEVICE: patched(7, 24)}, **FULL)
case("u2-bulk-fs-set", nothing, nothing, kept_options=FULL, edits={CONFIG: patched(22, 48)}, **FULL)
case("u2-bulk-hs-512", nothing, edits={CONFIG: patched(22, 0, 4)})
SLOW = Alternate(codes=(8, 6, 0x50), endpoints=((0x81, 3, 8, 10),))
case("u2-bulk-no-ls", names_only, names_only, bare=True, speed="low",
     kept_options={"speed": "low", "alternates": (SLOW,)}, alternates=(BULK_ONLY_FULL_SPEED,))  # fmt: skip
case("u2-maxpower-250", nothing, edits={CONFIG: patched(8, 251)})
case("u2-cfg-whole", nothing, edits={CONFIG: patched(13, 1)})
case("u2-cfg-bit7", nothing, attributes=0x40)
case("u2-if-number", names_only, bare=True, alternates=(BULK_ONLY, Alternate(3, 0, (3, 0, 0), ((0x83, 3, 8, 10),))))
case("u2-ep-unique", nothing, alternates=(BULK_ONLY, Alternate(1, 0, (3, 0, 0), ((0x81, 3, 8, 10),))))
case("u2-ep-addr", names_only, bare=True, edits={CONFIG: patched(20, 0x91)})
case("u2-ep-mps-bits", nothing, edits={CONFIG: patched(22, 0, 0x0A)})
case("u2-str-langs", nothing, edits={0x0300: lambda data: b"\x05\x03\x09\x04\x09"})

# -- pipes


def babbles(host: Host) -> None:
    read(host, data_error=BABBLE, data_in=b"", expected=512)
    host.reset_recovery()
    tur(host)


case("u2-bulk-le", babbles)


def left_halted(host: Host, clears: bool) -> None:
    tur(host, stall_status=True, clears=clears)
    tur(host)


case("u2-bulk-halt", lambda h: left_halted(h, False), lambda h: left_halted(h, True))


def answers_halted(host: Host) -> None:
    read(host, data_in=b"", expected=512, stall_data=True, status=1, clears=False)
    tur(host)


case("u2-halt-holds", answers_halted, lambda h: left_halted(h, True))

# -- hubs


def port(host: Host, status: int, change: int = 0) -> None:
    """The port says so, and the host looks."""
    host.hub.status[host.port], host.hub.change[host.port] = status, change
    host.port_status()


def feature(host: Host, number: int, sets: bool = True) -> None:
    make = wire.set_port_feature if sets else wire.clear_port_feature
    host.control(make(number, host.port), address=host.hub.address)


UP = POWERED | CONNECTED | ENABLED | 0x400


def slow_hub(host: Host) -> None:
    behind_hub(host)
    ask(host, wire.port_status(1), bytes(4), took_ms=400, address=5)


case("hub-req-50", slow_hub, behind_hub, bare=True)


def reset_took(host: Host, milliseconds: float) -> None:
    feature(host, 4)
    host.wait_ms(milliseconds)
    port(host, UP, RESET_CHANGE)


case("u2-root-reset-50", lambda h: reset_took(h, 20))
case("u2-no-backfeed", lambda h: port(h, CONNECTED))


def resumed(host: Host, milliseconds: float, outer: bool = False) -> None:
    if outer:
        behind_hub(host)
    feature(host, 2)
    host.wait_ms(100)
    feature(host, 2, False)
    host.wait_ms(milliseconds)
    port(host, UP, 4)


case("u2-resume-20", lambda h: resumed(h, 5), lambda h: resumed(h, 30))
case("hub-resume-20", lambda h: resumed(h, 5, True), lambda h: resumed(h, 30, True), bare=True)


def outer_reset(host: Host) -> None:
    behind_hub(host)
    reset_took(host, 3)


case("hub-reset-len", outer_reset, behind_hub, bare=True)
case("hub-reset-report", lambda h: port(h, POWERED | CONNECTED, RESET_CHANGE))
case("hub-no-clear-reset", lambda h: feature(h, 4, False))


def seen_twice(host: Host, clears: bool, stays: bool = True) -> None:
    port(host, UP, 1)
    if clears:
        feature(host, wire.C_PORT_CONNECTION, False)
    port(host, UP, 1 if stays else 0)


case("hub-change-clear", lambda h: seen_twice(h, False), lambda h: seen_twice(h, True, False))
case("hub-change-keep", lambda h: seen_twice(h, False, False), lambda h: seen_twice(h, True, False))


def hub_with(edit: Edit, attributes: int = 0x80, ports: int = 4, current: int = 100) -> Any:
    """A session behind an external hub whose configuration is changed so, and its hub descriptor."""

    def recipe(host: Host) -> None:
        hub = Hub(ports=ports, report_bytes=1)
        made = struct.pack("<BBBHBB", 7 + 2 * ((ports + 8) // 8), 0x29, ports, 9, 50, current)
        made += bytes(2 * ((ports + 8) // 8))
        identity = Identity(product_id=0x000E, codes=(9, 0, 1), product="Pier Hub", serial="", max_power_ma=100,
                            attributes=attributes, alternates=(HUB_INTERFACE,))  # fmt: skip
        stick, host.stick = host.stick, type(host.stick)(identity)
        original = identity.configuration()
        host.attach()
        host.address(5)
        host.ask(wire.get_descriptor(1, 18))
        host.control(wire.get_descriptor(2, 255), edit(original))
        host.configure()
        host.hub, hub.address = hub, 5
        host.control(wire.setup(0xA0, 6, 0x2900, 0, 71), made, address=5)
        host.stick, host.port = stick, 3
        host.enumerate(6)

    return recipe


HUB_INTERFACE = Alternate(codes=(9, 0, 0), endpoints=((0x81, 3, 1, 12),))
case("hub-int-pipe", hub_with(patched(21, 2)), hub_with(bytes), bare=True)
case("hub-cenable", lambda h: port(h, UP, 2), lambda h: port(h, POWERED | CONNECTED, 2))


def powered(host: Host, milliseconds: float) -> None:
    hub = Hub(ports=4, report_bytes=1)
    host.external_hub(hub, address=5)
    host.port = 3
    feature(host, 8)
    host.wait_ms(milliseconds)
    feature(host, 4)
    host.wait_ms(20)
    port(host, UP, RESET_CHANGE)
    host.address(6)
    host.read_descriptors()


case("hub-pwr-good", lambda h: powered(h, 10), lambda h: powered(h, 150), bare=True)
case("hub-port-100", hub_with(bytes, ports=7), hub_with(bytes), bare=True)
case("hub-self-100", hub_with(bytes, 0xC0, current=250), hub_with(bytes, 0xC0), bare=True)


def odd_hub_descriptor(host: Host) -> None:
    behind_hub(host)
    host.control(wire.setup(0xA0, 6, 0x2900, 0, 71), bytes((10, 0x29, 4, 9, 0, 50, 100, 0, 0xFF, 0)), address=5)


case("hub-desc", odd_hub_descriptor, behind_hub, bare=True)


def connected_early(host: Host) -> None:
    """The hub is asked about its ports before it is configured."""
    behind_hub(host)
    host.control(wire.set_configuration(0), address=5)
    port(host, POWERED | CONNECTED)


case("hub-bus-power-late", connected_early, behind_hub, bare=True)


def chain(attributes: int) -> Any:
    def recipe(host: Host) -> None:
        behind_hub(host)
        identity = Identity(product_id=0x000D, codes=(9, 0, 1), product="Quay Hub", serial="", max_power_ma=100,
                            attributes=attributes, alternates=(HUB_INTERFACE,))  # fmt: skip
        second = Host(host.recorder, type(host.stick)(identity), hub=host.hub, port=2)
        second.enumerate(7)

    return recipe


case("hub-no-chain", chain(0x80), chain(0xC0), bare=True)
case("hub-disc", lambda h: port(h, POWERED | ENABLED, 1), lambda h: port(h, POWERED, 1))
case("hub-bits-sane", lambda h: port(h, UP | 0x8000))


def enabled(host: Host, resets: bool) -> None:
    port(host, POWERED | CONNECTED)
    if resets:
        feature(host, 4)
        host.wait_ms(60)
    port(host, UP, RESET_CHANGE if resets else 0)


case("hub-enable-by-reset", lambda h: enabled(h, False), lambda h: enabled(h, True))
case("hub-overcurrent", lambda h: port(h, POWERED | 8, 8), lambda h: port(h, 8, 8))


def tiers(count: int) -> Any:
    def recipe(host: Host) -> None:
        for number in range(count):
            host.external_hub(Hub(ports=4, report_bytes=1), address=10 + number, port=host.port)
            host.port = 1
        host.enumerate(40)

    return recipe


case("hub-depth", tiers(6), tiers(1), bare=True)

# -- USB 3.2: a port of a SuperSpeed hub


def companion(data: bytes, *companion: int) -> bytes:
    """A configuration with a companion behind each endpoint."""
    out, at = b"", 0
    while at < len(data):
        part = data[at : at + data[at]]
        out += part + (bytes(companion) if part[1] == 5 else b"")
        at += data[at]
    return out[:2] + struct.pack("<H", len(out)) + out[4:]


FAST = Alternate(endpoints=((0x81, 2, 1024, 0), (0x02, 2, 1024, 0)))
BOS = struct.pack("<BBHB", 5, 15, 22, 2) + struct.pack("<BBBI", 7, 16, 2, 2)
BOS += struct.pack("<BBBBHBBH", 10, 16, 3, 0, 14, 1, 10, 2047)


def superspeed(after: Any = nothing, **options: Any) -> tuple[Any, dict[str, Any]]:
    """A stick on a SuperSpeed port and what is done with it; ``edit`` and ``device`` change its descriptors."""
    edit = options.pop("edit", lambda data: companion(data, 6, 0x30, 0, 0, 0, 0))
    device = options.pop("device", patched(2, 0x20, 3))

    def recipe(host: Host) -> None:
        port(host, 0x0203, 1)
        host.wait_ms(110)
        feature(host, 4)
        host.wait_ms(60)
        port(host, 0x0203, 0x10)
        host.wait_ms(20)
        host.control(wire.get_descriptor(1, 8), host.stick.identity.device(), address=0)
        host.control(wire.set_address(2), address=0)
        host.stick.address = 2
        host.wait_ms(10)
        host.read_descriptors()
        host.configure()
        tur(host)
        after(host)

    identity = {"packet_size_0": 9, "alternates": (FAST,), "speed": "super"} | options
    return recipe, identity | {"edits": {CONFIG: edit, DEVICE: device}, "more": {0x0F00: BOS}}


def fast(rule: str, kept: Any = nothing, broken: Any = nothing, **options: Any) -> None:
    good, good_options = superspeed(kept)
    bad, bad_options = superspeed(broken, **options)
    case(rule, bad, good, bare=True, kept_options=good_options, **bad_options)


fast("u3-ep0-9", packet_size_0=64)
fast("u3-bulk-1024", alternates=(BULK_ONLY,))
fast("u3-comp", edit=bytes)
fast("u3-comp-burst", edit=lambda data: companion(data, 6, 0x30, 16, 0, 0, 0))
fast("u3-comp-streams", edit=lambda data: companion(data, 6, 0x30, 0, 0, 8, 0))
ask_bos = descriptor(15, 22)
fast("u3-bos", lambda h: ask(h, ask_bos, BOS), lambda h: ask(h, ask_bos, status=STALL))
ONE = struct.pack("<BBHB", 5, 15, 12, 1) + BOS[5:12]
fast("u3-bos-caps", lambda h: ask(h, ask_bos, BOS), lambda h: ask(h, ask_bos, ONE))
TWO_ONE = {"usb": 0x0210}
case("u3-bcd-210", lambda h: ask(h, ask_bos, BOS), lambda h: ask(h, ask_bos, BOS), kept_options=TWO_ONE)
NO_LPM = BOS[:8] + bytes(4) + BOS[12:]
case("u3-lpm-must", lambda h: ask(h, ask_bos, NO_LPM), lambda h: ask(h, ask_bos, BOS), kept_options=TWO_ONE, **TWO_ONE)
fast("u3-power-8", max_power_ma=250)
SET_SEL, U1 = wire.setup(0, 0x30, 0, 0, 6), wire.setup(0, 3, 48)


def latencies(host: Host) -> None:
    ask(host, SET_SEL, out=bytes(6))
    ask(host, U1)


def late_latencies(host: Host) -> None:
    ask(host, U1)


fast("u3-set-sel", latencies, late_latencies)
fast("u3-no-qual", lambda h: ask(h, QUALIFIER, status=STALL), lambda h: ask(h, QUALIFIER, TEN))
fast("u3-times", broken=lambda h: ask(h, GET_STATUS, bytes(2), took_ms=6000))
