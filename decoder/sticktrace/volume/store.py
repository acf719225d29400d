"""Sectors seen: what READ and WRITE commands moved, as places in the capture, in time order.

One extent is one command's run of blocks; it holds no payload. Only what the capture proves is given back:

* data of a passed command, as far as its bytes count (`sticktrace.transport.counted`), and of a failed READ what came
  before the block that its sense data name (`sticktrace.volume.outcome`);
* bytes that were recorded: a block cut short by the recorder is not there;
* after a WRITE that failed, broke off or was not recorded, the old content is no longer certain, so the block is
  unknown until the next good command touches it. A READ never makes anything unknown, nor does a WRITE that the device
  refused.

An extent costs 21 bytes, and 16 for each data transfer that it came in. All work goes by the number of extents, never
by how many blocks one of them names.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import Any, NamedTuple

from sticktrace.transport.counted import BLOCK_LENGTHS
from sticktrace.transport.items import PASSED, Exchange
from sticktrace.volume.extent_log import (
    CHANGES,
    HIGHEST,
    MOST_BLOCKS,
    READ,
    UNSHOWN,
    WITHOUT_EFFECT,
    WRITE,
    WRITE_LOST,
    ExtentLog,
    Read,
)  # fmt: skip
from sticktrace.volume.extents import ExtentIndex
from sticktrace.volume.holders import Claim, held
from sticktrace.volume.outcome import outcome

CHUNK = 1 << 14
"""Blocks whose content is given out together when a long range is read."""


class Stretch(NamedTuple):
    """Blocks in a row with one state: ``data`` is their content, or None where the capture does not have it."""

    lba: int
    blocks: int
    data: bytes | None


class SectorStore(ExtentLog):
    """The blocks of one medium. ``block_length`` is 0 until known; ``block_length_from`` says how it was learned;
    ``last_lba`` is None without READ CAPACITY; ``latest`` is the extent of the last command that moved good blocks."""

    def __init__(self, read: Read) -> None:
        super().__init__(read)
        self.block_length_from = "not seen in this capture"
        self.last_lba: int | None = None
        self._index = ExtentIndex(self._lba, self._blocks)
        self._known: tuple[int, list[tuple[int, int]]] = (0, [])
        self.latest = -1

    def set_capacity(self, last_lba: int, block_length: int, number: int) -> None:
        """Takes what READ CAPACITY reported in exchange ``number``."""
        self.last_lba = last_lba
        self.block_length = block_length
        self.block_length_from = f"READ CAPACITY in exchange {number}"

    def add(self, exchange: Exchange, lba: int, blocks: int, write: bool) -> int:
        """Takes a READ or WRITE of ``blocks`` blocks from ``lba``; returns how many of them, from the first on, were
        moved for certain."""
        if not 0 < blocks <= MOST_BLOCKS or lba + blocks > HIGHEST:
            return 0
        length = self.block_length or self._deduce(exchange, blocks)
        if exchange.status == PASSED and not length:
            return 0
        if (
            exchange.residue == 0
            and exchange.status is PASSED
            and exchange.moved == exchange.expected == blocks * length
        ):
            good, named, refused = blocks, None, False  # what `outcome` says of by far the most
        else:
            good, named, refused = outcome(exchange, lba, blocks, length, self._read)
        if write and named is not None:
            good = 0  # what came before the block in error was sent; that it was written is not shown
        if good:
            cut = self._pieces(exchange.pieces, good * length)
            self.latest = len(self)
            self._keep(lba, good, exchange.number, WRITE if write else READ, cut)
        if good < blocks:
            self._rest(exchange, lba + good, lba + blocks, named, write and not refused)
        return good

    def _rest(self, exchange: Exchange, low: int, high: int, named: int | None, changed: bool) -> None:
        """Keeps what is to be said of blocks ``low`` to ``high`` - 1, which a command named and did not move."""
        number = exchange.number
        if named is None:
            if changed or exchange.status != PASSED:
                self._keep(low, high - low, number, WRITE_LOST if changed else WITHOUT_EFFECT)
            return
        if changed:
            self._keep(low, high - low, number, UNSHOWN)
        self._keep(named, 1, number, WRITE_LOST if changed else WITHOUT_EFFECT)

    def forget(self, lba: int, blocks: int, number: int, *, passed: bool = True) -> None:
        """A command changed these blocks in a way that its data does not show (UNMAP, WRITE SAME), or may have done so
        where it did not pass."""
        blocks = min(blocks, MOST_BLOCKS, HIGHEST - lba)
        if blocks > 0:
            self._keep(lba, blocks, number, UNSHOWN if passed else WRITE_LOST)

    def rest_from(self, lba: int) -> int:
        """How many blocks there are from ``lba`` on, which is what WRITE SAME means by 0 (SBC-3 5.43); up to the
        highest one touched where the capacity is not known."""
        spans = self.spans() if self.last_lba is None else []
        end = self.last_lba + 1 if self.last_lba is not None else spans[-1][1] if spans else 0
        return max(0, end - lba)

    def _deduce(self, exchange: Exchange, blocks: int) -> int:
        told = exchange.expected if exchange.expected > 0 else exchange.moved * (exchange.status == PASSED)
        length = told // blocks
        if told % blocks or length not in BLOCK_LENGTHS:
            return 0
        self.block_length = length
        self.block_length_from = f"deduced from the data of exchange {exchange.number}, READ CAPACITY not seen"
        return length

    def _limit(self, as_of: int | None) -> int | None:
        return None if as_of is None else bisect_right(self._number, as_of)

    def content(self, lba: int, as_of: int | None = None) -> bytes | None:
        """The content of one block, as of the end of exchange ``as_of`` or of the capture; None if not known."""
        for extent in self.history(lba, as_of):
            kind = self.kind_of(extent)
            data = self.block(extent, lba - self._lba[extent]) if kind in (READ, WRITE) else None
            if data is not None or kind in CHANGES:
                return data
        return None

    def history(self, lba: int, as_of: int | None = None) -> list[int]:
        """The extents that hold a block, the latest first."""
        if not 0 <= lba < HIGHEST:
            return []
        extents: list[int] = self._index.covering(lba, 1, self._limit(as_of)).tolist()
        return extents[::-1]

    def held(self, lba: int, count: int, as_of: int | None = None) -> Iterator[Claim]:
        """``count`` blocks from ``lba`` as (first, after, holder) in order. The holder is the extent that has their
        present content, `NOBODY` where none ever had, or what `unshown` gives for the extent that made it uncertain."""
        extents = self._index.covering(lba, count, self._limit(as_of)).tolist()
        return held([claim for extent in reversed(extents) for claim in self._claims(extent)], lba, lba + count)

    def _claims(self, extent: int) -> Iterator[Claim]:
        """What an extent says of its blocks: those that it holds, then those that it made uncertain."""
        kind, first = self.kind_of(extent), self._lba[extent]
        if kind in (READ, WRITE):
            for low, high in self.captured_blocks(extent):
                if high > low:
                    yield first + low, first + high, extent
        if kind in CHANGES:
            yield first, first + self._blocks[extent], unshown(extent)

    def read_range(self, lba: int, count: int, as_of: int | None = None) -> Iterator[Stretch]:
        """The content of ``count`` blocks from ``lba`` as stretches that are there or are not, in order. Ranges never
        touched cost nothing, however long."""
        length, missing = self.block_length, lba
        for first, after, extent in self.held(lba, count, as_of):
            if extent < 0:
                continue
            if first > missing:
                yield Stretch(missing, first - missing, None)
            missing, base = after, self._lba[extent]
            for place in range(first, after, CHUNK):
                blocks = min(CHUNK, after - place)
                yield Stretch(place, blocks, self._bytes(extent, (place - base) * length, blocks * length))
        if missing < lba + count:
            yield Stretch(missing, lba + count - missing, None)

    def captured(self, lba: int, count: int) -> Iterator[tuple[int, bytes]]:
        """(lba, content) for every block in a range whose present content the capture holds."""
        length = self.block_length
        for stretch in self.read_range(lba, count):
            if stretch.data is not None:
                for i in range(stretch.blocks):
                    yield stretch.lba + i, stretch.data[i * length : (i + 1) * length]

    def known(self, lba: int, count: int) -> Iterator[tuple[int, int, bool]]:
        """``count`` blocks from ``lba`` as (first block, blocks, whether their present content is there). No payload is
        read for it, and the medium is looked through once, however many files ask."""
        spans = self._known_spans()
        place, end = lba, lba + count
        at = max(0, bisect_right(spans, (place, HIGHEST)) - 1)
        while at < len(spans) and spans[at][0] < end:
            low, high = max(place, spans[at][0]), min(end, spans[at][1])
            if low < high:
                if low > place:
                    yield place, low - place, False
                yield low, high - low, True
                place = high
            at += 1
        if place < end:
            yield place, end - place, False

    def _known_spans(self) -> list[tuple[int, int]]:
        """The ranges (first block, block after the last) whose present content is there, in order."""
        if self._known[0] != len(self):
            spans: list[tuple[int, int]] = []
            for first, after, extent in self.held(0, HIGHEST):
                if extent < 0:
                    continue
                if spans and spans[-1][1] == first:
                    spans[-1] = (spans[-1][0], after)
                else:
                    spans.append((first, after))
            self._known = (len(self), spans)
        return self._known[1]

    def touched(self, lba: int, count: int) -> list[tuple[int, int]]:
        """The ranges (first block, block after the last) within ``count`` blocks from ``lba`` that any command
        touched."""
        if not 0 <= lba <= lba + count <= HIGHEST:
            return []
        chosen = self._index.covering(lba, count)
        spans = self._index.spans(chosen) if len(chosen) else []
        return [(max(first, lba), min(after, lba + count)) for first, after in spans]

    def spans(self) -> list[tuple[int, int]]:
        """All ranges that any command touched, in order."""
        return self._index.spans() if len(self) else []

    def written_after(self, lba: int, count: int, since: int) -> list[tuple[int, int]]:
        """The ranges within ``count`` blocks from ``lba`` that WRITE commands after exchange ``since`` reached."""
        if not 0 <= lba <= lba + count <= HIGHEST:
            return []
        chosen: Any = self._index.covering(lba, count)
        later = [e for e in chosen.tolist() if self.kind_of(e) in CHANGES and self._number[e] > since]
        if not later:
            return []
        import numpy as np

        spans = self._index.spans(np.array(later))
        return [(max(first, lba), min(after, lba + count)) for first, after in spans]


def unshown(extent: int) -> int:
    """The holder of blocks whose content an extent made uncertain; the same again gives the extent."""
    return -2 - extent
