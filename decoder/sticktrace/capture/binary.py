"""The reader of binary captures: a container walk in front, one decoder per link type behind."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

from sticktrace.capture.join import Joiner
from sticktrace.capture.linux import HEADER_SIZES, LinuxFrames
from sticktrace.capture.pcap import Frame
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.transfer import Transfer


class Walk(Protocol):
    """What a container offers; see `PcapWalk`."""

    position: int
    damage: list[Damage]

    def walk(self, data: Any) -> Iterator[Frame]:
        """Whole records from ``position`` on."""

    def finish(self, data: Any) -> None:
        """Report a cut-off tail."""


class FrameDecoder(Protocol):
    """What a link type offers; see `LinuxFrames`."""

    joiner: Joiner

    def feed(self, frame: Frame, number: int, time_ns: int, data: Any) -> Transfer | None:
        """One record in, at most one transfer out."""


def decoder_for(link_type: int, reader: Reader) -> FrameDecoder | None:
    """The decoder of a link type, or None for one that is not USB as seen by a host."""
    if link_type in HEADER_SIZES:
        return LinuxFrames(reader)
    if link_type == 249:
        from sticktrace.capture.windows import WindowsFrames

        return WindowsFrames(reader)
    return None


class BinaryReader(Reader):
    """pcap and pcapng captures."""

    def __init__(self, form: str, data: Any, walk: Walk) -> None:
        super().__init__(data)
        self.form = form
        self._walk = walk
        self.damage = walk.damage
        self._decoders: dict[int, FrameDecoder | None] = {}

    @property
    def position(self) -> int:
        return self._walk.position

    def transfers(self) -> Iterator[Transfer]:
        data = self.payload = self.data
        decoders = self._decoders
        number = self.records
        origin = self.origin_ns
        for frame in self._walk.walk(data):
            number += 1
            self.records = number
            if origin is None:
                origin = self.origin_ns = frame[0]
            time_ns = frame[0] - origin
            if time_ns < 0:
                time_ns = 0  # the clock was set back; a negative time would read as a lost half
            self.last_ns = time_ns
            link_type = frame[4]
            try:
                decoder = decoders[link_type]
            except KeyError:
                decoder = self._new_decoder(link_type)
            if decoder is None:
                self.skipped[f"link type {link_type} is not a USB host capture that sticktrace reads"] += 1
                continue
            transfer = decoder.feed(frame, number, time_ns, data)
            if transfer is not None:
                yield transfer

    def _new_decoder(self, link_type: int) -> FrameDecoder | None:
        self.link_types.add(link_type)
        decoder = self._decoders[link_type] = decoder_for(link_type, self)
        if decoder is not None:
            self.joiners.append(decoder.joiner)
        return decoder

    def finish(self) -> Iterator[Transfer]:
        self._walk.finish(self.data)
        for joiner in self.joiners:
            yield from joiner.rest()
