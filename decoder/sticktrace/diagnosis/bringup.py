"""When a device first came to each step of its bring-up, from plugging in to its blocks."""

from __future__ import annotations

from typing import Any

from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.codes.usb_requests import GET_DESCRIPTOR
from sticktrace.diagnosis.sticks import Stick
from sticktrace.session import Reading
from sticktrace.storage.commands import lba_and_blocks
from sticktrace.transport.exchange import PASSED, Exchange

STEPS = {
    "attach": "connection seen", "address": "address given", "descriptors": "whole configuration descriptor read",
    "configuration": "configuration chosen", "transport": "first command answered", "identity": "INQUIRY answered",
    "ready": "first TEST UNIT READY passed", "capacity": "capacity known", "first block": "block 0 read",
    "other blocks": "another block read",
}  # fmt: skip
"""Steps in their usual order. All but the last two are the stages of that name."""

_BY_OPCODE = {0x12: "identity", 0x00: "ready", 0x25: "capacity", 0x9E: "capacity"}
_READS = frozenset((0x08, 0x28, 0xA8, 0x88))
_CONFIGURATION_DESCRIPTOR = 2


class Milestones:
    """Sees every item with its stick and keeps the time at which each step was first over."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._times: dict[int, dict[str, int]] = {}
        self._done: set[int] = set()

    def see(self, item: Any, stick: Stick) -> None:
        """Take in an item."""
        if item.__class__ is Exchange:
            if id(stick) not in self._done and item.status == PASSED:
                self._exchange(item, self._of(stick))
                if "other blocks" in self._of(stick):
                    self._done.add(id(stick))
        elif isinstance(item, BusEvent):
            self._event(item, self._of(stick))
        elif isinstance(item, Request) and item.done and self._whole_configuration(item):
            self._of(stick).setdefault("descriptors", item.end_ns)

    def times(self, stick: Stick) -> dict[str, int]:
        """Step -> nanoseconds since the first record, in the order of `STEPS`; steps not seen are left out."""
        found = self._times.get(id(stick), {})
        return {step: found[step] for step in STEPS if step in found}

    def facts(self, stick: Stick) -> list[dict[str, Any]]:
        """As JSON says it: each step with its time, and the time since the connection was seen (None if it was not)."""
        times = self.times(stick)
        start = times.get("attach")
        return [
            {"step": step, "what": STEPS[step], "time_ns": at, "since_attach_ns": None if start is None else at - start}
            for step, at in times.items()
        ]

    def _of(self, stick: Stick) -> dict[str, int]:
        return self._times.setdefault(id(stick), {})

    def _whole_configuration(self, item: Request) -> bool:
        """Whether all wTotalLength bytes of a configuration descriptor came (USB 2.0 Table 9-10)."""
        asked = (item.request_type, item.request, item.value >> 8)
        if asked != (0x80, GET_DESCRIPTOR, _CONFIGURATION_DESCRIPTOR):
            return False
        data = self._reading.read(item.data)
        return len(data) >= 4 and item.actual >= int.from_bytes(data[2:4], "little")

    @staticmethod
    def _event(item: BusEvent, times: dict[str, int]) -> None:
        if item.kind == "attached":
            times.setdefault("attach", item.time_ns)
        elif item.kind == "address" and item.done:
            times.setdefault("address", item.time_ns)
        elif item.kind == "configured" and item.done:
            times.setdefault("configuration", item.time_ns)

    @staticmethod
    def _exchange(item: Exchange, times: dict[str, int]) -> None:
        times.setdefault("transport", item.end_ns)
        step = _BY_OPCODE.get(item.opcode)
        if step == "identity" and len(item.cdb) > 1 and item.cdb[1] & 1:
            return
        if step == "capacity" and item.opcode == 0x9E and item.cdb[1:2] != b"\x10":
            return
        if step is None and item.opcode in _READS:
            lba, _ = lba_and_blocks(item.cdb)
            step = "other blocks" if lba else "first block"
        if step is not None:
            times.setdefault(step, item.end_ns)
