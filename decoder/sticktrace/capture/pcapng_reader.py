"""The reader of a pcapng capture: refuses one without USB traffic, and says what its packets do not."""

from __future__ import annotations

from itertools import islice
from typing import Any

from sticktrace.capture.binary import BinaryReader, decoder_for
from sticktrace.capture.join import Joiner
from sticktrace.capture.packets import SPEEDS
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


def packet_reader(data: Any) -> Reader | None:
    """The reader for a capture that holds packets of the bus, None for one that does not."""
    if link_types(data).isdisjoint(SPEEDS):
        return None
    from sticktrace.capture.packets.reader import PacketReader

    return PacketReader("pcapng", data, PcapngWalk(data))


def link_types(data: Any) -> set[int]:
    """The link types of the capture's first packets and of the interfaces declared up to there."""
    walk = PcapngWalk(data)
    seen = {frame[4] for frame in islice(walk.walk(data), LOOK_AHEAD)}
    return seen | {interface.link_type for interface in walk.interfaces}


def strangers(data: Any) -> list[int]:
    """The link types of a capture that holds none that sticktrace reads; empty for one that does, and for one that has
    not declared any interface yet (it may still be written)."""
    nobody, seen = Reader(data), link_types(data)
    known = any(link_type in SPEEDS or decoder_for(link_type, nobody) is not None for link_type in seen)
    return [] if known else sorted(seen)
