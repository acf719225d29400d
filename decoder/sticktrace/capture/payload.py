"""Payload of text captures: the bytes that hex digits stand for, in one store for all passes over a capture.

A place in it stays what it is, whichever pass asked first, however many run at once, and when the file has grown
meanwhile: every pass decodes whole lines to the same bytes in the same order, so what a second pass brings is there
already. Only what is made of an unfinished end, such as half a line, may come out otherwise when more has come; it
goes into a region of its own, one for each length at which a pass ended.
"""

from __future__ import annotations

from threading import Lock

from sticktrace.errors import CaptureError

_REGION = 1 << 40


class Payload:
    """The store. Places count from 0 in whole lines, from a multiple of `_REGION` in an unfinished end."""

    def __init__(self) -> None:
        self._regions = [bytearray()]
        self._ends: dict[int, int] = {}
        self._lock = Lock()

    def read(self, at: int, count: int) -> bytes:
        """Some bytes; fewer where no pass has come so far yet."""
        region, place = divmod(at, _REGION)
        return bytes(self._regions[region][place : place + count]) if region < len(self._regions) else b""

    def put(self, at: int, data: bytes) -> None:
        """Changes bytes, for a copy that is to be written."""
        region, place = divmod(at, _REGION)
        self._regions[region][place : place + len(data)] = data

    def copy(self) -> Payload:
        """The same bytes, to be changed."""
        made = Payload()
        made._regions, made._ends = [bytearray(region) for region in self._regions], dict(self._ends)
        return made

    def region_of(self, length: int) -> int:
        """The region for the end of a capture that is ``length`` bytes long."""
        with self._lock:
            if length not in self._ends:
                self._ends[length] = len(self._regions)
                self._regions.append(bytearray())
            return self._ends[length]

    def add(self, at: int, data: bytes) -> None:
        """Takes what a pass decoded; what is there already must be the same."""
        number, place = divmod(at, _REGION)
        region = self._regions[number]
        with self._lock:
            there = len(region) - place
            if region[place : place + len(data)] != data[: max(0, there)]:
                raise CaptureError("the capture was changed while it was open; open it again")
            if there < len(data):
                region += data[max(0, there) :]


class Deposit:
    """What one pass puts into a store; to a reader it is a buffer that grows."""

    def __init__(self, store: Payload | None = None) -> None:
        self.store = store or Payload()
        self._next = 0

    def __len__(self) -> int:
        """The place of the next byte."""
        return self._next

    def __iadd__(self, data: bytes | bytearray) -> Deposit:
        if data:
            self.store.add(self._next, bytes(data))
            self._next += len(data)
        return self

    def __getitem__(self, places: slice) -> bytes:
        return self.store.read(places.start, places.stop - places.start)

    def end(self, length: int) -> None:
        """What follows is made of the unfinished end of a capture of ``length`` bytes."""
        self._next = self.store.region_of(length) * _REGION
