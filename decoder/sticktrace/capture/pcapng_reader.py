"""The reader of a pcapng capture: refuses one without USB traffic, and says what its packets do not."""

from __future__ import annotations

from itertools import islice
from typing import Any

from sticktrace.capture.binary import BinaryReader, decoder_for
from sticktrace.capture.join import Joiner
from sticktrace.capture.pcapng import PcapngWalk
from sticktrace.capture.reader import Reader

LOOK_AHEAD = 10_000
"""Packets among which one of a known link type has to be."""


class PcapngReader(BinaryReader):
    """A `BinaryReader` whose ``assumed`` tells of packets without a time."""

    def __init__(self, data: Any, join_as: type[Joiner] = Joiner) -> None:
        self._packets = PcapngWalk(data)
        super().__init__("pcapng", data, self._packets, join_as)

    @property
    def assumed(self) -> list[str]:
        return super().assumed + self._packets.assumed


def strangers(data: Any) -> list[int]:
    """The link types of a capture that holds none that sticktrace reads; empty for one that does, and for one that has
    not declared any interface yet (it may still be written)."""
    walk, nobody = PcapngWalk(data), Reader(data)
    seen: set[int] = set()
    for frame in islice(walk.walk(data), LOOK_AHEAD):
        if frame[4] not in seen:
            if decoder_for(frame[4], nobody) is not None:
                return []
            seen.add(frame[4])
    seen.update(interface.link_type for interface in walk.interfaces)
    return [] if any(decoder_for(link_type, nobody) for link_type in seen) else sorted(seen)
