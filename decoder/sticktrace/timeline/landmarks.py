"""What a log and a capture both show, and by which their clocks can be laid upon each other.

A landmark is something that happened once, or a few times, and leaves the same sign in both: the number that a device
was given, its ids, what it calls itself, its size, a reset, a command that failed by its block and its sense, an errno,
the end of a device.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.capture.logs import Kind, Statement
from sticktrace.session import Reading
from sticktrace.sticks.sticks import Sticks
from sticktrace.transport.items import PASSED, UNTOLD, Exchange, Item

Sign = tuple[Any, ...]

MOST_OF_A_SIGN = 200
"""So many landmarks of one sign are kept; what happens so often tells no time."""

_BLOCK = 10
"""Bytes of a command block that are compared; kernels print no more of a READ(10)."""

_NUMBERED = {Kind.PLUGGED: "number", Kind.RESET: "reset", Kind.UNPLUGGED: "gone"}
_HAPPENED = {Happening.ADDRESS: "number", Happening.RESET: "reset", Happening.DETACHED: "gone"}
_TELLS_UNIT = frozenset((0x12, 0x25, 0x9E))
"""INQUIRY, READ CAPACITY (10) and SERVICE ACTION IN (16)."""


class Landmark(NamedTuple):
    """A sign and when it was made. ``order`` is its place among the lines or the items. Of a log: ``printed_ns`` is the
    time as printed (-1 for none), ``part`` counts how often the system that writes it had begun anew."""

    time_ns: int
    sign: Sign
    order: int
    printed_ns: int = -1
    part: int = 0


class Kept:
    """Landmarks in order, not too many of one sign."""

    def __init__(self) -> None:
        self.all: list[Landmark] = []
        self._count: dict[Sign, int] = {}

    def add(self, mark: Landmark) -> None:
        """One more."""
        count = self._count[mark.sign] = self._count.get(mark.sign, 0) + 1
        if count <= MOST_OF_A_SIGN:
            self.all.append(mark)


def signs_of(said: Statement) -> Iterator[Sign]:
    """What a statement shows that a capture of the same run shows as well."""
    name = _NUMBERED.get(said.kind)
    if name is not None and said.about.address > 0:
        yield name, said.about.address
    if said.kind is Kind.PLUGGED:
        yield ("plugged",)
    elif said.kind is Kind.IDS and {"vid", "pid"} <= said.values.keys():
        yield "ids", said.get("vid"), said.get("pid")
    elif said.kind is Kind.INQUIRY and said.get("product"):
        yield "identity", said.get("product")
    elif said.kind is Kind.CAPACITY and said.get("blocks"):
        yield "blocks", said.get("blocks")
    elif said.kind is Kind.COMMAND_FAILED:
        if said.get("cdb"):
            yield "failed", bytes(said.get("cdb"))[:_BLOCK]
        if isinstance(said.get("key"), int) and said.get("asc"):
            yield "sense", said.get("key"), said.get("asc"), said.get("ascq", 0)
    error = said.get("errno")
    if isinstance(error, int) and error and said.end == "host":
        yield "errno", error


def of_capture(reading: Reading, sticks: Sticks) -> list[Landmark]:
    """The landmarks of a capture, by a whole pass over it, which ``sticks`` is shown."""
    kept = Kept()
    for order, item in enumerate(reading):
        sticks.see(item)
        for time_ns, sign in _signs_in(item, sticks):
            kept.add(Landmark(time_ns, sign, order))
    return kept.all


def _signs_in(item: Item, sticks: Sticks) -> Iterator[tuple[int, Sign]]:
    if isinstance(item, Exchange):
        yield from ((item.end_ns, sign) for sign in _of_exchange(item, sticks))
    elif isinstance(item, BusEvent):
        name = _HAPPENED.get(item.kind)
        if name is not None and item.device.address:
            yield item.time_ns, (name, item.device.address)
        if item.kind is Happening.ATTACHED:
            yield item.time_ns, ("plugged",)
        elif item.kind is Happening.CONFIGURED and item.device.ids is not None:
            yield item.time_ns, ("ids", *item.device.ids)
    elif isinstance(item, Request) and item.status is not None and item.status < 0:
        yield item.end_ns, ("errno", item.status)


def _of_exchange(item: Exchange, sticks: Sticks) -> Iterator[Sign]:
    if item.status is PASSED:
        unit = sticks.unit_of(item) if item.opcode in _TELLS_UNIT else None
        if unit is not None and item.opcode == 0x12 and unit.identity is not None and unit.identity.product:
            yield "identity", unit.identity.product
        elif unit is not None and item.opcode != 0x12 and unit.capacity is not None:
            yield "blocks", unit.capacity.blocks
    elif item.status is not UNTOLD:
        yield "failed", item.cdb[:_BLOCK]
        if item.sense is not None:
            yield "sense", *item.sense[:3]
