"""The payload of transfers that lies spread over packets, as if it lay in one piece.

A transfer's place is a number. Where its bytes are one packet's, that is their offset in the capture; where they are
several packets', it is a place in a space of its own that begins at `SPREAD`, and a table leads from there to the
packets: four bytes for each packet beyond the first, none of payload. Places can be counted on from (`at + n`) either
way."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterator
from typing import Any

SPREAD = 1 << 48
"""No capture is as long as this."""

_FARTHEST = 1 << 32


class Payload:
    """Bytes of a capture and what is spread over its packets. ``data`` may be replaced by the same bytes and more."""

    def __init__(self, data: Any) -> None:
        self.data = data
        self._next = SPREAD
        # Stretches: packets of equal size (the last one may be shorter) at offsets that go up.
        self._start = array("Q")
        self._first = array("Q")
        self._size = array("I")
        self._index = array("Q")
        self._distances = array("I")

    def join(self, runs: list[tuple[Any, int]], length: int) -> int:
        """A place for ``length`` bytes that lie in these packets: runs of (offsets, bytes in each)."""
        place = self._next
        left = length
        for offsets, size in runs:
            for part in _near(offsets):
                self._start.append(self._next)
                self._first.append(int(part[0]))
                self._size.append(size)
                self._index.append(len(self._distances))
                self._distances.frombytes((part[1:] - part[:-1]).astype("u4").tobytes())
                taken = min(size * len(part), left)
                self._next += taken
                left -= taken
        return place

    def __len__(self) -> int:
        return self._next

    def __getitem__(self, wanted: slice) -> bytes:
        start, stop = wanted.start or 0, self._next if wanted.stop is None else wanted.stop
        if start < SPREAD:
            return bytes(self.data[start:stop])
        return b"".join(bytes(self.data[at : at + count]) for at, count in self.places(start, stop - start))

    def places(self, at: int, count: int) -> Iterator[tuple[int, int]]:
        """Where ``count`` bytes from a place on really lie: (offset in the capture, how many)."""
        if at < SPREAD:
            yield at, count
            return
        stop = min(at + count, self._next)
        stretch = bisect_right(self._start, at) - 1
        while at < stop:
            last = stretch + 1 == len(self._start)
            end = min(stop, self._next if last else self._start[stretch + 1])
            yield from self._within(stretch, at - self._start[stretch], end - at)
            at, stretch = end, stretch + 1

    def _within(self, stretch: int, skip: int, count: int) -> Iterator[tuple[int, int]]:
        size, index = self._size[stretch], self._index[stretch]
        packet, skip = divmod(skip, size)
        offset = self._first[stretch] + sum(self._distances[index : index + packet])
        index += packet
        while count > 0:
            some = min(size - skip, count)
            yield offset + skip, some
            count -= some
            skip = 0
            if count:
                offset += self._distances[index]
                index += 1


def _near(offsets: Any) -> Iterator[Any]:
    """Offsets in stretches in which each is less than 4 GiB behind the one before."""
    import numpy as np

    far = np.flatnonzero((offsets[1:] - offsets[:-1] >= _FARTHEST) | (offsets[1:] < offsets[:-1])) + 1
    return iter(np.split(offsets, far)) if len(far) else iter((offsets,))
