"""The medium's own blocks laid out: partition tables, boot sectors, directories, by what they are on the volume."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from sticktrace.grammar.layout import Explanation
from sticktrace.grammar.vocabulary import lba_and_blocks
from sticktrace.session import Reading as Pass
from sticktrace.storage.recognise import Reading
from sticktrace.transport.items import Exchange
from sticktrace.volume.sectors import by_signature, layouts_at
from sticktrace.volume.tracker import VolumeTracker


class Blocks:
    """Follows the media of a capture up to one exchange, so that its blocks can be told by what they are for."""

    def __init__(self, reading: Pass) -> None:
        self._volumes = VolumeTracker(reading.read)

    def seek(self, items: Iterable[Any], number: int) -> tuple[Exchange | None, str]:
        """The exchange of that number and what it touches; None if the items end before it."""
        for item in items:
            if isinstance(item, Exchange):
                touches = self._volumes.feed(item)
                if item.number == number:
                    return item, touches
        return None, ""

    def explain(self, exchange: Exchange, data: bytes) -> Iterator[tuple[int, Explanation]]:
        """Each structure in the data with its offset, block by block."""
        medium = self._volumes.medium_of(exchange)
        lba = lba_and_blocks(exchange.cdb)[0]
        if medium is None or lba is None:
            return
        size = medium.store.block_length or 512
        for index, at in enumerate(range(0, len(data) - size + 1, size)):
            block = data[at : at + size]
            for offset, layout in layouts_at(medium, lba + index, block):
                yield at + offset, layout.explain(block[offset:])


def sector_readings(data: bytes) -> list[Reading]:
    """A block given as hex, read by its signatures alone."""
    if len(data) < 512:
        return []
    found = [layout.explain(data[at:]) for at, layout in by_signature(data)]
    return [Reading("sector", "signatures of a block of a medium", tuple(found))] if found else []
