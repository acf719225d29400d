"""Sectors seen: what READ and WRITE commands moved, as places in the capture, in time order.

One extent is one command's run of blocks; it holds no payload. Only what the capture proves is given back:

* data of a passed command, up to what dCSWDataResidue leaves valid (BOT 1.0 5.2, 6.7);
* bytes that were recorded: a block cut short by the recorder is not there;
* after a WRITE that failed, broke off or was not recorded, the old content is no longer certain, so the block is
  unknown until the next good command touches it. A READ never makes anything unknown.

An extent costs 21 bytes, and 16 for each data transfer that it came in.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

from sticktrace.capture.transfer import Piece
from sticktrace.transport.items import PASSED, Exchange
from sticktrace.volume.extents import ExtentIndex

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Read = Callable[[Piece], bytes]
"""Gives the recorded payload of a piece."""

READ, WRITE, READ_FAILED, WRITE_LOST = 0, 1, 2, 3
"""Kinds of extent. WRITE_LOST is a write whose blocks may or may not have been changed."""

_CUT = 4
_HIGHEST = 1 << 60
"""Blocks beyond this are not kept; no medium is as large, and sums stay within 64 bits."""
CHUNK = 1 << 14
"""Blocks that are looked at together when a long range is read."""
BLOCK_LENGTHS = (512, 1024, 2048, 4096)


class Stretch(NamedTuple):
    """Blocks in a row with one state: ``data`` is their content, or None where the capture does not have it."""

    lba: int
    blocks: int
    data: bytes | None


class SectorStore:
    """The blocks of one medium. ``block_length`` is 0 until known; ``block_length_from`` says how it was learned;
    ``last_lba`` is None without READ CAPACITY; ``latest`` is the extent of the last command that moved good blocks."""

    def __init__(self, read: Read) -> None:
        self._read = read
        self.block_length = 0
        self.block_length_from = "not seen in this capture"
        self.last_lba: int | None = None
        self._lba, self._blocks, self._number = array("q"), array("I"), array("I")
        self._piece, self._kind = array("I"), array("B")
        self._at, self._captured, self._actual = array("q"), array("I"), array("I")
        self._index = ExtentIndex(self._lba, self._blocks)
        self._open: tuple[int, list[int]] = (-1, [])
        self._known: tuple[int, list[tuple[int, int]]] = (0, [])
        self.latest = -1

    def __len__(self) -> int:
        return len(self._lba)

    def set_capacity(self, last_lba: int, block_length: int, number: int) -> None:
        """Takes what READ CAPACITY reported in exchange ``number``."""
        self.last_lba = last_lba
        self.block_length = block_length
        self.block_length_from = f"READ CAPACITY in exchange {number}"

    def add(self, exchange: Exchange, lba: int, blocks: int, write: bool) -> int:
        """Takes a READ or WRITE of ``blocks`` blocks from ``lba``; returns how many of them, from the first on, were
        moved for certain."""
        if blocks <= 0 or lba + blocks > _HIGHEST or blocks > 0xFFFFFFFF:
            return 0
        if exchange.status != PASSED:
            self._keep(lba, blocks, exchange.number, WRITE_LOST if write else READ_FAILED)
            return 0
        length = self.block_length or self._deduce(exchange, blocks)
        if not length:
            return 0
        good = min(blocks, _valid_bytes(exchange) // length)
        if good:
            kind = WRITE if write else READ
            if self._pieces(exchange.pieces, good * length):
                kind |= _CUT
            self.latest = len(self._lba)
            self._keep(lba, good, exchange.number, kind)
        if good < blocks and write:
            self._keep(lba + good, blocks - good, exchange.number, WRITE_LOST)
        return good

    def forget(self, lba: int, blocks: int, number: int) -> None:
        """A command changed these blocks in a way that its data does not show (UNMAP, WRITE SAME)."""
        if 0 < blocks <= 0xFFFFFFFF and lba + blocks <= _HIGHEST:
            self._keep(lba, blocks, number, WRITE_LOST)

    def _keep(self, lba: int, blocks: int, number: int, kind: int) -> None:
        self._lba.append(lba)
        self._blocks.append(blocks)
        self._number.append(number)
        self._kind.append(kind)
        self._piece.append(len(self._at))

    def _pieces(self, pieces: tuple[Piece, ...], wanted: int) -> bool:
        """Keeps the places of the first ``wanted`` bytes; returns whether some of them are not in the capture. The
        extent's ``_piece`` points behind its pieces."""
        cut = False
        for at, captured, actual in pieces:
            if wanted <= 0:
                break
            if actual <= 0:
                continue
            self._at.append(at)
            self._captured.append(max(0, min(captured, actual)))
            self._actual.append(actual)
            cut = cut or captured < min(actual, wanted)
            wanted -= actual
        return cut or wanted > 0

    def _deduce(self, exchange: Exchange, blocks: int) -> int:
        length = (exchange.expected if exchange.expected > 0 else exchange.moved) // blocks
        if length not in BLOCK_LENGTHS:
            return 0
        self.block_length = length
        self.block_length_from = f"deduced from the data of exchange {exchange.number}, READ CAPACITY not seen"
        return length

    def _limit(self, as_of: int | None) -> int | None:
        return None if as_of is None else bisect_right(self._number, as_of)

    def content(self, lba: int, as_of: int | None = None) -> bytes | None:
        """The content of one block, as of the end of exchange ``as_of`` or of the capture; None if not known."""
        if not 0 <= lba < _HIGHEST:
            return None
        for extent in reversed(self._index.covering(lba, 1, self._limit(as_of)).tolist()):
            kind = self._kind[extent]
            if kind == READ_FAILED:
                continue
            data = self.block(extent, lba - self._lba[extent]) if kind != WRITE_LOST else None
            if data is not None or kind & 3 != READ:
                return data
        return None

    def block(self, extent: int, index: int) -> bytes | None:
        """One block as a given extent moved it, or None if the capture lacks part of it."""
        length = self.block_length
        return self._bytes(extent, index * length, length)

    def _bytes(self, extent: int, start: int, count: int) -> bytes | None:
        begin, stop = self._piece_range(extent)
        if stop - begin == 1:
            if start + count > self._captured[begin]:
                return None
            return bytes(self._read(Piece(self._at[begin] + start, count, count)))
        starts = self._starts(extent, begin, stop)
        piece, out = bisect_right(starts, start) - 1, []
        while count > 0:
            if piece < 0 or piece >= len(starts):
                return None
            offset = start - starts[piece]
            take = min(count, self._actual[begin + piece] - offset)
            if offset + take > self._captured[begin + piece]:
                return None
            out.append(bytes(self._read(Piece(self._at[begin + piece] + offset, take, take))))
            start, count, piece = start + take, count - take, piece + 1
        return b"".join(out)

    def _piece_range(self, extent: int) -> tuple[int, int]:
        """The pieces of an extent: they were kept just before it."""
        return (self._piece[extent - 1] if extent else 0), self._piece[extent]

    def _starts(self, extent: int, begin: int, stop: int) -> list[int]:
        if self._open[0] != extent:
            place, starts = 0, []
            for piece in range(begin, stop):
                starts.append(place)
                place += self._actual[piece]
            self._open = (extent, starts)
        return self._open[1]

    def _captured_blocks(self, extent: int) -> Iterator[tuple[int, int]]:
        """Ranges (first, after the last) of an extent's blocks that are wholly recorded."""
        blocks, length = self._blocks[extent], self.block_length
        if not self._kind[extent] & _CUT:
            yield 0, blocks
            return
        begin, stop = self._piece_range(extent)
        place = run = 0
        for piece in range(begin, stop):
            captured, actual = self._captured[piece], self._actual[piece]
            if captured < actual:
                yield -(-run // length), min(blocks, (place + captured) // length)
                run = place + actual
            place += actual
        yield -(-run // length), min(blocks, place // length)

    def paint(self, lba: int, count: int, as_of: int | None = None) -> NDArray[np.int64]:
        """For each of ``count`` blocks from ``lba``, the extent that holds its content, -1 where none does."""
        import numpy as np

        owner = np.full(count, -1, np.int64)
        for extent in self._index.covering(lba, count, self._limit(as_of)).tolist():
            kind, shift = self._kind[extent], self._lba[extent] - lba
            if kind & 1:
                owner[max(0, shift) : max(0, shift + self._blocks[extent])] = -1
            if kind in (READ_FAILED, WRITE_LOST):
                continue
            for first, after in self._captured_blocks(extent):
                if after > first:
                    owner[max(0, shift + first) : max(0, shift + after)] = extent
        return owner

    def read_range(self, lba: int, count: int, as_of: int | None = None) -> Iterator[Stretch]:
        """The content of ``count`` blocks from ``lba`` as stretches that are there or are not, in order. Ranges never
        touched cost nothing, however long."""
        length = self.block_length
        for first, blocks, extent in self._owned(lba, count, as_of):
            start = (first - self._lba[extent]) * length if extent >= 0 else 0
            yield Stretch(first, blocks, self._bytes(extent, start, blocks * length) if extent >= 0 else None)

    def known(self, lba: int, count: int) -> Iterator[tuple[int, int, bool]]:
        """``count`` blocks from ``lba`` as (first block, blocks, whether their present content is there). No payload is
        read for it, and the medium is looked through once, however many files ask."""
        spans = self._known_spans()
        place, end = lba, lba + count
        at = max(0, bisect_right(spans, (place, _HIGHEST)) - 1)
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
            import numpy as np

            spans: list[tuple[int, int]] = []
            for low, high in _windows(self.spans()):
                there = np.concatenate(([False], self.paint(low, high - low) >= 0, [False]))
                edges = (np.flatnonzero(there[1:] != there[:-1]) + low).tolist()
                for first, after in zip(edges[::2], edges[1::2], strict=True):
                    if spans and spans[-1][1] == first:
                        spans[-1] = (spans[-1][0], after)
                    else:
                        spans.append((first, after))
            self._known = (len(self), spans)
        return self._known[1]

    def _owned(self, lba: int, count: int, as_of: int | None) -> Iterator[tuple[int, int, int]]:
        """``count`` blocks from ``lba`` as (first block, blocks, the extent that holds their content or -1)."""
        import numpy as np

        place = lba
        for first, after in self.touched(lba, count):
            if first > place:
                yield place, first - place, -1
            for start in range(first, after, CHUNK):
                owner = self.paint(start, min(CHUNK, after - start), as_of)
                edges = [0, *(np.flatnonzero(np.diff(owner)) + 1).tolist(), len(owner)]
                for low, high in pairwise(edges):
                    yield start + low, high - low, int(owner[low])
            place = after
        if place < lba + count:
            yield place, lba + count - place, -1

    def touched(self, lba: int, count: int) -> list[tuple[int, int]]:
        """The ranges (first block, block after the last) within ``count`` blocks from ``lba`` that any command
        touched."""
        if not 0 <= lba <= lba + count <= _HIGHEST:
            return []
        chosen = self._index.covering(lba, count)
        spans = self._index.spans(chosen) if len(chosen) else []
        return [(max(first, lba), min(after, lba + count)) for first, after in spans]

    def spans(self) -> list[tuple[int, int]]:
        """All ranges that any command touched, in order."""
        return self._index.spans() if len(self) else []

    def places(self, extent: int) -> Iterator[tuple[int, int, int]]:
        """Where an extent's bytes lie: (offset within its data, place in the capture, bytes captured there)."""
        begin, stop = self._piece_range(extent)
        offset = 0
        for piece in range(begin, stop):
            yield offset, self._at[piece], self._captured[piece]
            offset += self._actual[piece]

    def extents(self) -> Iterator[tuple[int, int, int, int]]:
        """Every extent in time order as (lba, blocks, exchange number, kind)."""
        for lba, blocks, number, kind in zip(self._lba, self._blocks, self._number, self._kind, strict=True):
            yield lba, blocks, number, kind & 3

    def columns(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8]]:
        """Every extent in time order as columns: first block, blocks, kind."""
        import numpy as np

        blocks: NDArray[np.int64] = np.frombuffer(self._blocks, np.uint32).astype(np.int64)
        kind: NDArray[np.uint8] = np.frombuffer(self._kind, np.uint8) & np.uint8(3)
        return np.array(self._lba, np.int64), blocks, kind

    def exchange_of(self, extent: int) -> int:
        """The number of the exchange that an extent came from."""
        return self._number[extent]

    def kind_of(self, extent: int) -> int:
        """The kind of an extent."""
        return self._kind[extent] & 3

    def written_after(self, lba: int, count: int, since: int) -> list[tuple[int, int]]:
        """The ranges within ``count`` blocks from ``lba`` that WRITE commands after exchange ``since`` reached."""
        if not 0 <= lba <= lba + count <= _HIGHEST:
            return []
        chosen: Any = self._index.covering(lba, count)
        later = [e for e in chosen.tolist() if self._kind[e] & 1 and self._number[e] > since]
        if not later:
            return []
        import numpy as np

        spans = self._index.spans(np.array(later))
        return [(max(first, lba), min(after, lba + count)) for first, after in spans]


def _windows(spans: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Ranges of at most `CHUNK` blocks that together hold all of the spans; near ones share a window."""
    low = high = 0
    for first, after in spans:
        if high and after - low <= CHUNK:
            high = after
            continue
        if high:
            yield low, high
        while after - first > CHUNK:
            yield first, first + CHUNK
            first += CHUNK
        low, high = first, after
    if high:
        yield low, high


def _valid_bytes(exchange: Exchange) -> int:
    """Bytes of the data phase that count: what moved, less what the residue takes back."""
    if exchange.residue is None or exchange.expected < 0:
        return exchange.moved
    return min(exchange.moved, max(0, exchange.expected - exchange.residue))
