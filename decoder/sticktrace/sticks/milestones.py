"""When a device first came to each step of its bring-up, from plugging in to its files."""

from __future__ import annotations

from collections import Counter
from typing import Any

from sticktrace.bus.devices import BusEvent
from sticktrace.bus.requests import Request
from sticktrace.codes.usb_requests import GET_DESCRIPTOR
from sticktrace.session import Reading
from sticktrace.sticks.sticks import Stick
from sticktrace.transport.exchange import PASSED, Exchange
from sticktrace.volume.tracker import READS, tracker_of

STEPS = {
    "attach": "connection seen", "address": "address given", "descriptors": "whole configuration descriptor read",
    "configuration": "configuration chosen", "transport": "first command answered", "identity": "INQUIRY answered",
    "ready": "first TEST UNIT READY passed", "capacity": "capacity known", "first block": "first READ passed",
    "partition": "division of the medium known", "file system": "file system known", "files": "first directory entries",
}  # fmt: skip
"""Steps in their usual order. All but "first block" are the stages of that name."""

LOOKED_AT = 4_000
"""So many commands of a device are searched for partitions, a file system and files; bring-up is over by then."""

_BY_OPCODE = {0x12: "identity", 0x00: "ready", 0x25: "capacity", 0x9E: "capacity"}
_CONFIGURATION_DESCRIPTOR = 2


class Milestones:
    """Sees every item with its stick and keeps the time at which each step was first over."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._times: dict[int, dict[str, int]] = {}
        self._tracker = tracker_of(reading)
        self._counts: Counter[int] = Counter()

    def see(self, item: Any, stick: Stick) -> None:
        """Take in an item."""
        if item.__class__ is Exchange:
            if self._counts[id(stick)] < LOOKED_AT:
                self._counts[id(stick)] += 1
                self._exchange(item, self._of(stick))
                if "files" in self._of(stick):
                    self._counts[id(stick)] = LOOKED_AT
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

    def _exchange(self, item: Exchange, times: dict[str, int]) -> None:
        self._tracker.feed(item)
        if item.status != PASSED:
            return
        times.setdefault("transport", item.end_ns)
        step = _BY_OPCODE.get(item.opcode)
        if step == "identity" and len(item.cdb) > 1 and item.cdb[1] & 1:
            return
        if step == "capacity" and item.opcode == 0x9E and item.cdb[1:2] != b"\x10":
            return
        if step is None and item.opcode in READS:
            step = "first block"
            self._volumes(item, times)
        if step is not None:
            times.setdefault(step, item.end_ns)

    def _volumes(self, item: Exchange, times: dict[str, int]) -> None:
        """What is known of the medium after a READ."""
        medium = self._tracker.medium_of(item)
        if medium is None:
            return
        if medium.table.scheme:
            times.setdefault("partition", item.end_ns)
        if any(volume.kind for volume in medium.volumes):
            times.setdefault("file system", item.end_ns)
        if any(volume.files is not None and volume.files.root.children for volume in medium.volumes):
            times.setdefault("files", item.end_ns)
