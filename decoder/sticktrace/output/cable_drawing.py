"""Who is plugged in where, as a cable: from the host by hubs to each stick, with what each leg is known to carry."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.bus.device import Device
from sticktrace.bus.hubs import OVER_CURRENT
from sticktrace.drawing.cable import Box, Leg, cable
from sticktrace.drawing.scene import Scene
from sticktrace.sticks.stick import Stick
from sticktrace.text import bytes_in_words, safe, time_in_words

MOST_LEGS = 8
"""Devices that are drawn behind one hub; one that is plugged in again and again is many."""


def cable_of(sticks: list[Stick], width: int, timed: bool = True) -> Scene:
    """Every device of a capture. Where it does not show a hub, a device hangs on its host."""
    known = {stick.device: stick for stick in sticks}
    below: dict[Device | int, list[Device]] = {}
    for device in known:
        below.setdefault(device.hub if device.hub in known else device.bus, []).append(device)
    hosts = [
        Box(("host", f"bus {bus}"), tuple(_legs(below, bus, known, timed, 0)), 0)
        for bus in sorted({device.bus for device in known})
    ]
    return cable(hosts or [Box(("host", "no device seen"))], width)


def _legs(
    below: dict[Device | int, list[Device]], place: Device | int, known: dict[Device, Stick], timed: bool, depth: int
) -> Iterator[Leg]:
    """The legs that leave a place, those that matter most of many."""
    devices = below.get(place, [])
    shown = devices[-MOST_LEGS:]
    for device in shown if depth < _DEEPEST else []:
        legs = tuple(_legs(below, device, known, timed, depth + 1))
        yield _leg(device, known[device], legs, timed)
    if len(devices) > len(shown):
        yield Leg(Box((f"{len(devices) - len(shown):,} more before",)), "")


_DEEPEST = 7
"""Tiers that USB allows (USB 2.0 4.1.1)."""


def _leg(device: Device, stick: Stick, legs: tuple[Leg, ...], timed: bool) -> Leg:
    port = f"port {device.port}" if device.port else ""
    speed, _ = device.speed_and_source()
    current = device.current()
    power: tuple[str, ...] = ()
    if current is not None:
        asked = f"{current.max_power_ma(device.superspeed)} mA"
        power = (f"{asked} asked", "own supply") if current.self_powered else (f"{asked} asked",)
    below = (f"{speed} speed" if speed else "speed not told", *power)
    return Leg(_box(device, stick, legs), port, below, _broken(device, timed))


def _box(device: Device, stick: Stick, legs: tuple[Leg, ...]) -> Box:
    """Hub or stick: its name, ids, and what is in it."""
    name = safe(device.title if device.is_hub else stick.name)
    sizes = [unit.capacity.bytes for _, unit in sorted(stick.units.items()) if unit.capacity]
    lines = [name, *([device.vid_pid] if device.vid_pid and device.vid_pid not in name else [])]
    address = f"address {device.address}"
    lines += [address] if device.addresses and address not in name else []
    lines += [bytes_in_words(size) for size in sizes[:2]]
    return Box(tuple(lines), legs, stick.number, "head" if stick.number else "plain")


def _broken(device: Device, timed: bool) -> str:
    """How the leg broke, "" where it holds as far as the capture shows."""
    hub = device.hub.as_hub if device.hub is not None else None
    port = hub.ports.get(device.port) if hub is not None else None
    if port is not None and any(state.status & OVER_CURRENT for state in port.history):
        return "over-current"
    if device.detached_ns >= 0:
        return f"gone at {time_in_words(device.detached_ns)}" if timed else "gone"
    if not device.addresses and device.resets:
        return "no address"
    return ""
