"""The device card: a `Device` as plain values for JSON lines (kind "device") and for the terminal."""

from __future__ import annotations

from typing import Any

from sticktrace.bus.device import Device
from sticktrace.bus.interfaces import Configuration, Endpoint, Interface
from sticktrace.grammar.usb import bcd_text


def card(device: Device) -> dict[str, Any]:
    """The card. What the capture does not show is None or ""; `device_facts` adds what is known of its units."""
    facts, ids, current = device.facts, device.ids, device.current()
    speed, source = device.speed_and_source()
    interfaces = [_interface(device, i) for i in current.interfaces] if current else []
    return {
        "kind": "device",
        "bus": device.bus,
        "addresses": list(device.addresses),
        "ids": device.vid_pid,
        "vendor_id": ids[0] if ids else None,
        "product_id": ids[1] if ids else None,
        "release": _release(device, facts),
        "usb_release": bcd_text(facts["bcdUSB"]) if "bcdUSB" in facts else "",
        "class": facts.get("bDeviceClass"),
        "strings": {
            "manufacturer": device.named("iManufacturer"),
            "product": device.named("iProduct"),
            "serial": device.named("iSerialNumber"),
        },
        "speed": speed,
        "speed_from": source,
        "place": device.place or None,
        "max_packet_0": _packet0(device),
        "max_power_ma": current.max_power_ma(device.superspeed) if current else None,
        "self_powered": current.self_powered if current else None,
        "configuration": device.configuration,
        "configurations": [_configuration(device, c) for c in device.configurations.values()],
        "interfaces": interfaces,
        "endpoints": [e for i in interfaces if i["active"] for e in i["endpoints"]],
        "max_lun": device.max_lun,
        "hub": None if device.hub is None else device.hub.address,
        "port": device.port or None,
        "hub_descriptor": device.as_hub.facts() or None if device.as_hub else None,
        "ports": _ports(device),
        "described": device.described,
        "first_ns": device.first_ns,
        "attached_ns": _time(device.attached_ns),
        "detached_ns": _time(device.detached_ns),
        "resets": [{"time_ns": r.time_ns, "duration_ns": _time(r.duration_ns)} for r in device.resets],
        "gaps": [{"kind": g.kind, "time_ns": g.start_ns, "length_ns": g.length_ns} for g in device.gaps],
        "same_as_earlier": device.earlier is not None,
        "lies": list(device.lies),
    }


def _release(device: Device, facts: dict[str, Any]) -> str:
    """bcdDevice as read, or as a log tells it."""
    told = device.heard.release if device.heard else -1
    release = facts.get("bcdDevice", told)
    return bcd_text(release) if release >= 0 else ""


def _time(value: int) -> int | None:
    return value if value >= 0 else None


def _packet0(device: Device) -> int | None:
    if len(device.descriptor) < 8:
        return None
    size = device.descriptor[7]
    return 1 << size if device.superspeed and size < 16 else size


def _configuration(device: Device, configuration: Configuration) -> dict[str, Any]:
    return {
        "value": configuration.value,
        "name": device.text(configuration.name) if configuration.name else "",
        "max_power_ma": configuration.max_power_ma(device.superspeed),
        "total_length": configuration.total_length,
        "complete": configuration.complete,
    }


def _interface(device: Device, interface: Interface) -> dict[str, Any]:
    return {
        "number": interface.number,
        "alternate": interface.alternate,
        "active": device.alternates.get(interface.number, 0) == interface.alternate,
        "class": interface.class_code,
        "subclass": interface.subclass,
        "protocol": interface.protocol,
        "name": device.text(interface.name) if interface.name else "",
        "endpoints": [_endpoint(interface, e) for e in interface.endpoints],
    }


def _endpoint(interface: Interface, endpoint: Endpoint) -> dict[str, Any]:
    return {
        "interface": interface.number,
        "address": endpoint.address,
        "direction": "in" if endpoint.address & 0x80 else "out",
        "type": endpoint.kind,
        "max_packet": endpoint.max_packet,
        "interval": endpoint.interval,
        "pipe_usage": endpoint.usage or None,
    }


def _ports(device: Device) -> list[dict[str, Any]]:
    """A hub's ports: the last status words and who hangs there."""
    if device.as_hub is None:
        return []
    return [
        {
            "port": port.number,
            "status": port.status if port.history else None,
            "changes": len(port.history),
            "address": port.device.address or None if port.device else None,
        }
        for port in sorted(device.as_hub.ports.values(), key=lambda p: p.number)
    ]
