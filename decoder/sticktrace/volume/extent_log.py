"""What commands moved, kept as places in the capture: one extent for one command's run of blocks, in time order."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from sticktrace.capture.transfer import Piece

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Read = Callable[[Piece], bytes]
"""Gives the recorded payload of a piece."""

READ, WRITE, WITHOUT_EFFECT, WRITE_LOST, UNSHOWN = 0, 1, 2, 3, 5
"""Kinds of extent. WITHOUT_EFFECT: the command failed on these blocks and left them as they were. WRITE_LOST: a write
failed on them, and they may or may not have been changed. UNSHOWN: they were changed, or may have been, without a sign
of failure, and the capture does not show to what. Odd kinds change content."""

FAILURES = frozenset((WITHOUT_EFFECT, WRITE_LOST))
CHANGES = frozenset((WRITE, WRITE_LOST, UNSHOWN))

_KIND, _CUT = 7, 8
HIGHEST = 1 << 60
"""Blocks beyond this are not kept; no medium is as large, and sums stay within 64 bits."""
MOST_BLOCKS = 0xFFFFFFFF
"""Blocks of one extent."""


class ExtentLog:
    """Extents in columns, without payload: 21 bytes each, and 16 for each data transfer that they came in."""

    def __init__(self, read: Read) -> None:
        self._read = read
        self.block_length = 0
        self._lba, self._blocks, self._number = array("q"), array("I"), array("I")
        self._piece, self._kind = array("I"), array("B")
        self._at, self._captured, self._actual = array("q"), array("I"), array("I")
        self._open: tuple[int, list[int]] = (-1, [])

    def __len__(self) -> int:
        return len(self._lba)

    def _keep(self, lba: int, blocks: int, number: int, kind: int, cut: bool = False) -> None:
        self._lba.append(lba)
        self._blocks.append(blocks)
        self._number.append(number)
        self._kind.append(kind | _CUT if cut else kind)
        self._piece.append(len(self._at))

    def _pieces(self, pieces: tuple[Piece, ...], wanted: int) -> bool:
        """Keeps the places of the first ``wanted`` bytes; returns whether some of them are not in the capture. The
        extent's ``_piece`` points behind its pieces."""
        if len(pieces) == 1 and pieces[0].captured == pieces[0].actual >= wanted > 0:
            at, captured, actual = pieces[0]  # by far the most
            self._at.append(at)
            self._captured.append(captured)
            self._actual.append(actual)
            return False
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

    def block(self, extent: int, index: int) -> bytes | None:
        """One block as a given extent moved it, or None if the capture lacks part of it."""
        length = self.block_length
        return self._bytes(extent, index * length, length)

    def signed(self, extent: int, index: int) -> bool:
        """Whether a block as a given extent moved it ends in the signature of boot sectors, 55h AAh at byte 510."""
        return self._bytes(extent, index * self.block_length + 510, 2) == b"\x55\xaa"

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

    def captured_blocks(self, extent: int) -> Iterator[tuple[int, int]]:
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
            yield lba, blocks, number, kind & _KIND

    def columns(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8]]:
        """Every extent in time order as columns: first block, blocks, kind."""
        import numpy as np

        blocks: NDArray[np.int64] = np.frombuffer(self._blocks, np.uint32).astype(np.int64)
        kind: NDArray[np.uint8] = np.frombuffer(self._kind, np.uint8) & np.uint8(_KIND)
        return np.array(self._lba, np.int64), blocks, kind

    def first_of(self, extent: int) -> int:
        """The first block of an extent."""
        return self._lba[extent]

    def exchange_of(self, extent: int) -> int:
        """The number of the exchange that an extent came from."""
        return self._number[extent]

    def kind_of(self, extent: int) -> int:
        """The kind of an extent."""
        return self._kind[extent] & _KIND
