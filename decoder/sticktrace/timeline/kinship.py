"""Which device of a log is which of the bus: by ids, number, bus, port, serial number, and that both were there."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from sticktrace.bus.device import Device

_SLACK_NS = 5_000_000_000
"""A log speaks of a device a little before the capture shows it, and after."""

_LEAST = 4
_IDS, _SERIAL, _NUMBER, _TIME, _PORT, _BUS = 4, 2, 3, 2, 2, 1
_AT_ONCE_NS = 2_000_000_000


class Key(NamedTuple):
    """How a device of a capture is found again in another pass: its bus, when it was first seen, and how many had
    been by then."""

    bus: int
    first_ns: int
    nth: int


class Life(NamedTuple):
    """From when to when a device was there, by the capture's clock; ``attached_ns`` is None where nobody saw it."""

    first_ns: int
    last_ns: int
    attached_ns: int | None


def keys_of(devices: list[Device]) -> dict[Device, Key]:
    """The key of each device of a pass."""
    found: dict[Device, Key] = {}
    seen: dict[tuple[int, int], int] = {}
    for device in devices:
        place = (device.bus, device.first_ns)
        seen[place] = seen.get(place, -1) + 1
        found[device] = Key(*place, seen[place])
    return found


def kin(
    log: list[tuple[Device, Life]], capture: list[tuple[Device, Life]], kinds: dict[Device, bool]
) -> dict[int, Device]:
    """By the place in ``log``: the device of the capture that is meant. ``kinds`` tells which of the capture's are
    storage. Where nothing can be compared, a device of the log is taken for the one that was there."""
    found: dict[int, Device] = {}
    granted: dict[int, Device] = {}
    for place, (told, life) in enumerate(log):
        there = [shown for shown, other in capture if _together(life, other)]
        rated = sorted(
            ((score, n) for n, (shown, other) in enumerate(capture)
             if shown in there and (score := _likeness(told, life, shown, other)) >= _LEAST),
            reverse=True,
        )  # fmt: skip
        if rated and (len(rated) == 1 or rated[0][0] > rated[1][0]):
            found[place] = capture[rated[0][1]][0]
        elif not rated and not told.is_hub:
            alike = [device for device in there if _may_be(told, device, kinds.get(device, False))]
            if len(alike) == 1:
                granted[place] = alike[0]
    taken = Counter(granted.values())
    return {
        place: device for place, device in granted.items() if taken[device] == 1 or _says_little(log[place][0])
    } | found


def _says_little(told: Device) -> bool:
    return told.ids is None and not told.addresses


def _may_be(told: Device, shown: Device, storage: bool) -> bool:
    """Whether nothing speaks against two devices being one, where nothing can be compared: who never got an address, a
    disk of which only the name is told, a stick whose console prints neither address nor ids."""
    if shown.is_hub or (told.ids and shown.ids):
        return False
    if _says_little(told):
        return storage or not shown.addresses
    return not shown.addresses or (storage and shown.ids is None and not shown.described)


def _together(one: Life, other: Life) -> bool:
    return one.first_ns - _SLACK_NS <= other.last_ns and other.first_ns - _SLACK_NS <= one.last_ns


def _likeness(told: Device, life: Life, shown: Device, other: Life) -> int:
    """How much speaks for two devices being one; nothing where their ids differ, or only one is a hub."""
    if (told.ids and shown.ids and told.ids != shown.ids) or told.is_hub is not shown.is_hub:
        return 0
    path = told.heard.path if told.heard else ""
    serials = [device.named("iSerialNumber") for device in (told, shown)]
    buses = told.bus > 0 and shown.bus > 0
    if buses and told.bus != shown.bus and not (told.ids and told.ids == shown.ids):
        return 0
    score = _IDS * bool(told.ids and told.ids == shown.ids)
    score += _SERIAL * bool(serials[0] and serials[0] == serials[1])
    score += _NUMBER * bool(set(told.addresses) & set(shown.addresses))
    score += _PORT * bool(path and shown.port and path.replace("-", ".").rpartition(".")[2] == str(shown.port))
    score += _BUS * (buses and told.bus == shown.bus)
    if life.attached_ns is not None and other.attached_ns is not None:
        score += _TIME * (abs(life.attached_ns - other.attached_ns) <= _AT_ONCE_NS)
    return score
