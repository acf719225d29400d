"""Device cards and stories as text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sticktrace.bus.card import card
from sticktrace.bus.device import Device
from sticktrace.codes import msc
from sticktrace.grammar.hub import port_words
from sticktrace.grammar.usb import CLASSES, PIPE_USAGES
from sticktrace.output.listing import Style, plain
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.text import bytes_in_words, count_of, quoted, safe, time_in_words


def device_facts(stick: Stick) -> dict[str, Any]:
    """``kind:"device"``: the card with its logical units and the stages that it came to."""
    return {
        **card(stick.device), "stick": stick.number or None, "name": stick.name, "exchanges": stick.exchanges,
        "luns": [unit.facts() for _, unit in sorted(stick.units.items())], "stages": list(stick.milestones()),
    }  # fmt: skip


def card_lines(stick: Stick, style: Style = plain) -> Iterator[str]:
    """The card of one device."""
    device = stick.device
    facts = card(device)
    addresses = ", ".join(str(a) for a in facts["addresses"]) or "none"
    yield style(f"{safe(device.title)}", "head") + f"  bus {device.bus}, address {addresses}" + _behind(facts)
    for name, value in _rows(facts):
        yield f"  {name:<14}{value}"
    for interface in facts["interfaces"]:
        yield f"  {'interface':<14}{_interface(interface)}"
    yield from _hub_lines(device, facts["hub_descriptor"])
    if not device.described:
        heard = device.heard
        where = f" on port {heard.path}" if heard and heard.path else ""
        disks = f", {', '.join(heard.blocks.values())}" if heard and heard.blocks else ""
        told = heard is not None and not heard.beside
        yield f"  a log tells of it{where}{disks}" if told else "  no descriptor in this capture"
    for _, unit in sorted(stick.units.items()):
        yield from unit_lines(unit)
    for lie in facts["lies"]:
        yield "  " + style(f"{'contradiction':<14}{safe(lie)}", "warn")


def _hub_lines(device: Device, told: dict[str, Any] | None) -> Iterator[str]:
    """What a hub says of itself, and the last word of each port with who hangs there (USB 2.0 11.23.2, 11.24.2.7)."""
    if device.as_hub is None:
        return
    if told:
        yield (
            f"  {'hub':<14}{count_of(told['ports'], 'port')}; power {_POWER[told['power_switching']]}, good after "
            f"{told['power_good_ms']} ms; over-current {_OVER_CURRENT[told['over_current']]}; "
            f"takes {told['own_current_ma']} mA itself"
        )
    for port in sorted(device.as_hub.ports.values(), key=lambda port: port.number):
        if port.history:
            words = port_words(port.status, 0, device.as_hub.superspeed)
            who = f": {safe(port.device.title)}" if port.device is not None else ""
            yield f"  {f'port {port.number}':<14}{words}{who}"


_POWER = {"ganged": "switched for all ports together", "per port": "switched port by port", "none": "always on"}
_OVER_CURRENT = {"ganged": "told for all ports together", "per port": "told port by port", "none": "not told"}


def _behind(facts: dict[str, Any]) -> str:
    return f", port {facts['port']} of the hub at address {facts['hub']}" if facts["hub"] and facts["port"] else ""


def _rows(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    if facts["ids"]:
        yield "ids", f"{facts['ids']}, release {facts['release'] or 'not read'}, USB {facts['usb_release'] or '?'}"
    strings = facts["strings"]
    told = [f"{what} {quoted(strings[what])}" for what in ("manufacturer", "product", "serial") if strings[what]]
    if told:
        yield "strings", ", ".join(told)
    if facts["speed"]:
        yield "speed", facts["speed"] + (f" ({facts['speed_from']})" if facts["speed_from"] else "")
    if facts["place"]:
        yield "plugged in", facts["place"]
    if facts["max_packet_0"]:
        yield "endpoint 0", f"{facts['max_packet_0']} bytes a packet"
    if facts["max_power_ma"] is not None:
        own = "has its own supply and " if facts["self_powered"] else ""
        yield "power", f"{own}asks for {facts['max_power_ma']} mA of the bus (bMaxPower)"
    if facts["configuration"] is not None:
        yield "configuration", f"{facts['configuration']} chosen" if facts["configuration"] else "none chosen"
    if facts["max_lun"] is not None:
        yield "max LUN", f"{facts['max_lun']}"
    if facts["detached_ns"] is not None:
        yield "unplugged", f"{time_in_words(facts['detached_ns'])} after the first record"


def _interface(facts: dict[str, Any]) -> str:
    ends = ", ".join(
        f"{e['address']:02X}h {e['type']} {e['direction'].upper()} {e['max_packet']} B"
        + (f" ({PIPE_USAGES.get(e['pipe_usage'], 'unknown usage')})" if e["pipe_usage"] else "")
        for e in facts["endpoints"]
    )
    chosen = "" if facts["active"] else " (not chosen)"
    role = CLASSES.get(facts["class"], f"class {facts['class']:02X}h")
    if facts["class"] == msc.CLASS:
        role += f", {msc.subclass(facts['subclass'])}, {msc.protocol(facts['protocol'])}"
    return f"{facts['number']} alternate {facts['alternate']}{chosen}: {role}" + (f"; {ends}" if ends else "")


def unit_lines(unit: Unit) -> Iterator[str]:
    """One logical unit: identity and capacity, exact and in human units."""
    who, size = unit.identity, unit.capacity
    told = "INQUIRY not seen in this capture"
    if who is not None:
        names = [name for name in (who.vendor, who.product, who.revision) if name]
        told = f"{' | '.join(names) or 'no name'}, {who.kind}"
    if who and not who.present:
        told = "the device says that it has no such logical unit" if who.qualifier == 3 else f"{told}, none connected"
    elif who and who.removable:
        told += ", removable medium"
    yield f"  {f'LUN {unit.lun}':<14}{told}; {count_of(unit.exchanges, 'exchange')}"
    if size is not None:
        yield (
            f"  {'':<14}{size.blocks:,} blocks of {size.block_length} bytes = {size.bytes:,} bytes "
            f"({bytes_in_words(size.bytes)}), last LBA {size.last_lba}"
        )
    elif unit.beyond:
        yield f"  {'':<14}more blocks than READ CAPACITY(10) can count (SBC-2 5.10)"
    if unit.write_protected:
        yield f"  {'':<14}write protected (WP bit of the mode header)"


def life_of(stick: Stick, timed: bool = True) -> list[tuple[int, str, tuple[int, ...]]]:
    """The moments of a device's life in their order: when (nanoseconds), what, the records that show it."""
    device = stick.device
    moments = [(m.time_ns, m.text, m.records) for m in device.story]
    for _, unit in sorted(stick.units.items()):
        if unit.ready_ns >= 0:
            since = unit.ready_ns - device.attached_ns
            after = f", {time_in_words(since)} after it was attached" if timed and device.attached_ns >= 0 else ""
            moments.append((unit.ready_ns, f"LUN {unit.lun} is ready{after}", ()))
    return sorted(moments, key=lambda moment: moment[0])


def story_lines(stick: Stick, style: Style = plain, timed: bool = True) -> Iterator[str]:
    """The life of one device, line by line, with times and the gaps that matter, where the capture has times."""
    yield style(safe(stick.device.title), "head") + f"  bus {stick.device.bus}"
    before = None
    for time_ns, text, records in life_of(stick, timed):
        gap = "" if before is None else f"+{time_in_words(time_ns - before)}"
        where = f"  [record {records[0]}]" if records else ""
        when = f"{time_ns / 1e9:12.6f}  {gap:>12}  " if timed else ""
        yield f"  {when}{safe(text)}" + style(where, "quiet")
        before = time_ns
