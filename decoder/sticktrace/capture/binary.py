"""The reader of binary captures: a container walk in front, one decoder per link type behind."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, Protocol

from sticktrace.capture.blocks import Block, BlockWalk, Column, Frame, steps
from sticktrace.capture.halves import Halves, linux_halves, windows_halves
from sticktrace.capture.join import Joiner
from sticktrace.capture.linux import HEADER_SIZES, LinuxFrames
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.transfer import Transfer


class Walk(Protocol):
    """What a container offers; see `PcapWalk`. Some are `BlockWalk`s as well."""

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
        return LinuxFrames(reader, link_type)
    if link_type == 249:
        from sticktrace.capture.windows import WindowsFrames

        return WindowsFrames(reader)
    if link_type == 266:
        from sticktrace.capture.darwin import DarwinFrames

        return DarwinFrames(reader)
    return None


class BinaryReader(Reader):
    """pcap and pcapng captures."""

    def __init__(self, form: str, data: Any, walk: Walk, join_as: type[Joiner] = Joiner) -> None:
        super().__init__(data, join_as)
        self.form = form
        self._walk = walk
        self.damage = walk.damage
        self.block_walk = walk if isinstance(walk, BlockWalk) else None
        self._behind: int | None = None
        """Where the block that is being read begins; the walk is ahead of it."""
        self._decoders: dict[int, FrameDecoder | None] = {}

    @property
    def position(self) -> int:
        return self._walk.position if self._behind is None else self._behind

    def transfers(self) -> Iterator[Transfer]:
        self.payload = self.data
        return self.transfers_of(self._walk.walk(self.data))

    def steps(self, walk: BlockWalk) -> Iterator[Block | Frame]:
        """The same records that `transfers` takes in, as blocks of ordinary ones and single ones in between, to be
        given to `transfers_of` or passed over with `pass_over`, all of them and in order."""
        data = self.payload = self.data
        self._behind = self._walk.position
        for step in steps(walk, data):
            yield step
            self._behind = self._walk.position
        self._behind = None

    def halves(self, block: Block) -> Halves | None:
        """A block as columns of halves; None where its link type is read one by one."""
        link_type, order, _ = block.sources[0]
        if any((source[0], source[1]) != (link_type, order) for source in block.sources):
            return None
        decoder = self._decoders[link_type] if self._feed_of(link_type) is not None else None
        if self.origin_ns is None:
            self.origin_ns = int(block.time_ns[0])
        if isinstance(decoder, LinuxFrames):
            return linux_halves(self.data, block, self.origin_ns, order, HEADER_SIZES[link_type], decoder.emulated)
        return windows_halves(self.data, block, self.origin_ns) if link_type == 249 else None

    def undisturbed(self, pipe: int, idents: Column) -> bool:
        """Whether no submission that waits now can have to do with transfers on the pipes of this one's device, whose
        halves these ``idents`` join; nor a command of another come before them."""
        if len(self._decoders) != 1:
            return False
        return all(joiner.undisturbed(pipe >> 16, pipe >> 8 & 0xFF, idents) for joiner in self.joiners)

    def pass_over(self, count: int, time_ns: int) -> None:
        """So many records need not be taken in one by one; the last of them was at this time."""
        self.records += count
        self.last_ns = time_ns

    def transfers_of(self, frames: Iterable[Frame]) -> Iterator[Transfer]:
        """The transfers that these records complete, one by one."""
        data = self.data
        number, origin = self.records, self.origin_ns
        known, feed = -1, None
        for frame in frames:
            number += 1
            if origin is None:
                origin = self.origin_ns = frame[0]
            time_ns = frame[0] - origin
            if time_ns < 0:
                time_ns = 0  # the clock was set back; a negative time would read as a lost half
            if frame[4] != known:
                known = frame[4]
                feed = self._feed_of(known)
            if feed is None:
                self.skipped[f"link type {known} is not a USB host capture that sticktrace reads"] += 1
            else:
                transfer = feed(frame, number, time_ns, data)
                if transfer is not None:
                    self.records, self.last_ns = number, time_ns
                    yield transfer
        if number > self.records:
            self.records, self.last_ns = number, time_ns

    def _feed_of(self, link_type: int) -> Callable[[Frame, int, int, Any], Transfer | None] | None:
        if link_type not in self._decoders:
            self._new_decoder(link_type)
        decoder = self._decoders[link_type]
        return None if decoder is None else decoder.feed

    def _new_decoder(self, link_type: int) -> FrameDecoder | None:
        self.link_types.add(link_type)
        decoder = self._decoders[link_type] = decoder_for(link_type, self)
        if decoder is not None:
            self.joiners.append(decoder.joiner)
        return decoder

    def finish(self) -> Iterator[Transfer]:
        self._walk.finish(self.data)
        for joiner in self.joiners:
            yield from joiner.rest(self.last_ns)
