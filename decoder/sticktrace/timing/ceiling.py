"""What a bus allows: the most bulk payload that fits into a frame, by speed and packet size (USB 2.0 5.8.4).

Tables 5-9 and 5-10 of USB 2.0 follow from two budgets and two overheads: packets = floor(budget / (overhead +
payload)). They hold for an otherwise idle bus; a hub's transaction translator, control traffic and the host controller
take from it.
"""

from __future__ import annotations

from typing import NamedTuple


class _Rule(NamedTuple):
    """How many bytes fit into a frame, what a transaction costs besides its payload, and the payloads allowed."""

    budget: int
    overhead: int
    frames: int
    unit: str
    payloads: tuple[int, ...]
    table: str


_RULES = {
    "full": _Rule(1500, 13, 1000, "frame", (1, 2, 4, 8, 16, 32, 64), "USB 2.0 Table 5-9"),
    "high": _Rule(7500, 55, 8000, "microframe", (1, 2, 4, 8, 16, 32, 64, 128, 256, 512), "USB 2.0 Table 5-10"),
}
"""Full speed: 1500 bytes in a frame of 1 ms, 13 bytes of overhead. High speed: 7500 in a microframe of 125 us, 55."""


class Ceiling(NamedTuple):
    """The ceiling for one speed and payload: packets in a frame (or microframe), bytes in a second, and the table that
    says so. ``one_a_frame`` is the rate of a host that moves a single packet in each frame."""

    speed: str
    payload: int
    packets: int
    unit: str
    bytes_per_second: int
    one_a_frame: int
    source: str


def ceiling(speed: str, payload: int) -> Ceiling | None:
    """The ceiling of bulk traffic in packets of ``payload`` bytes; None for speeds that the tables do not cover (low
    speed has no bulk endpoints, 5.8; SuperSpeed has no such table) and for payloads beyond the table's largest."""
    rule = _RULES.get(speed)
    if rule is None or not 0 < payload <= rule.payloads[-1]:
        return None
    packets = rule.budget // (rule.overhead + payload)
    return Ceiling(
        speed, payload, packets, rule.unit, packets * payload * rule.frames, payload * rule.frames, rule.table
    )


def table(speed: str) -> list[Ceiling]:
    """Every row of the speed's table; empty where there is none."""
    rule = _RULES.get(speed)
    rows = (ceiling(speed, payload) for payload in rule.payloads) if rule else ()
    return [row for row in rows if row is not None]
