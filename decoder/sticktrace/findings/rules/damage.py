"""Damaged packets in words: how many, and what they have in common, as that tells a cable from a chip."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from sticktrace.capture.packets.events import WireEvent
from sticktrace.findings.rules.seen_on_wire import Kinds, Seen
from sticktrace.text import count_of

_KINDS = {"crc16": "CRC16 wrong", "crc5": "CRC5 wrong", "pid": "PID wrong", "length": "length impossible"}
_ENOUGH = 8
"""Fewer have something in common by chance."""
_SHORT = 64
"""Signals that are only just good enough fail on long packets first (common practice)."""


@dataclass(slots=True)
class Damage:
    """``count`` damaged packets of one stick, in ``words``. ``recorder``: most were acknowledged all the same, so that
    they were right on the wire."""

    count: int
    words: str
    seen: Seen
    recorder: bool


def damage(kinds: Kinds) -> Damage | None:
    """What is damaged; None for nothing."""
    seen, taken = kinds.total(*_KINDS), kinds["damage taken"].count
    if not seen.count:
        return None
    kind = ", ".join(f"{kinds[name].count:,} {words}" for name, words in _KINDS.items() if kinds[name].count)
    said = [f"{count_of(seen.count, 'damaged packet')}: {kind}", *_in_common(seen.events)]
    if taken:
        said.append(f"{taken:,} of them acknowledged all the same, so they were damaged in the recording alone")
    return Damage(seen.count, "; ".join([*said, seen.where]), seen, 2 * taken > seen.count)


def _in_common(events: list[WireEvent]) -> list[str]:
    """One direction, one length, where there are enough to tell."""
    data = [event for event in events if event.kind == "crc16" and event.endpoint >= 0]
    if len(data) < _ENOUGH:
        return []
    said = []
    inward = sum(event.endpoint >> 7 for event in data)
    if not inward or inward == len(data):
        said.append("all " + ("from the device to the host" if inward else "from the host to the device"))
    sizes = Counter(event.size for event in data)
    if len(sizes) == 1:
        said.append(f"all of {next(iter(sizes)):,} bytes")
    elif min(sizes) > _SHORT:
        said.append(f"none shorter than {min(sizes):,} bytes")
    return said
