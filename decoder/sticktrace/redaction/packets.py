"""Redacting recordings of packets: a transfer's bytes lie in many packets, some go over the wire more than once, and
each data packet has a check.

What is replaced in a transfer is written where its packets lie. Data of no transfer (sent in vain, repeated, not heard)
gets what the same bytes got where they counted, so that a repeat stays a repeat. Checks that fitted fit again.
"""

from __future__ import annotations

import mmap
from bisect import bisect_left
from collections.abc import Iterator
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Any, BinaryIO

from sticktrace.capture.blocks import blocks
from sticktrace.capture.packets.columns import DATA, GOOD, Packets, packets
from sticktrace.capture.packets.payload import Payload
from sticktrace.capture.packets.reader import PacketReader
from sticktrace.codes import pids
from sticktrace.redaction.filler import Scrambler
from sticktrace.redaction.parameters import wrapper

if TYPE_CHECKING:
    from sticktrace.session import Capture

_SMALL, _SETUP_SIZE = 4, 8
_MOST_REMEMBERED = 4096

Place = tuple[int, int, bool]
"""Offset and length of a data field, and whether a transfer holds it."""

Became = tuple[int, bytes]
"""Where a data field lies, and what it became."""


class PacketCopy:
    """The copy of a recording of packets. ``payload`` tells where the bytes of transfers lie."""

    def __init__(self, payload: Payload, out: BinaryIO) -> None:
        self.payload, self._out = payload, out

    def put(self, at: int, data: bytes) -> None:
        """Payload of a transfer becomes these bytes."""
        done = 0
        for place, count in self.payload.places(at, len(data)):
            self._write(place, data[done : done + count])
            done += count

    def _write(self, at: int, data: bytes) -> None:
        self._out.seek(at)
        self._out.write(data)

    def finish(self, capture: Capture, scrambler: Scrambler | None) -> int:
        """What no transfer holds, and the checks. Returns how many packets outside of transfers were changed; without a
        scrambler, as contents stay, only those are that repeat what was changed elsewhere."""
        covered, changed = _covered(capture), 0
        self._out.flush()
        with mmap.mmap(self._out.fileno(), 0, access=mmap.ACCESS_READ) as copy:
            known: dict[bytes, Became] = {}
            blocks = (list(_places(found, covered)) for found in _data_packets(capture))
            for rows, following in pairwise(chain(blocks, ([],))):
                soon = _soon(capture.source.data, copy, rows, following)
                for at, size, counts in rows:
                    changed += self._outside(capture, copy, at, size, counts, known, soon, scrambler)
            self._out.flush()
            for found in _data_packets(capture):
                self._checks(found, capture.source.data, copy)
        return changed

    def _outside(
        self, capture: Capture, copy: Any, at: int, size: int, counts: bool, known: dict[bytes, Became],
        soon: dict[bytes, list[Became]], scrambler: Scrambler | None,
    ) -> int:  # fmt: skip
        """One data field: remember what became of one that counts, replace one that does not."""
        old = bytes(capture.source.data[at : at + size])
        if counts:
            if len(known) >= _MOST_REMEMBERED:
                del known[next(iter(known))]
            known[old] = at, bytes(copy[at : at + size])
            return 0
        if size <= _SMALL:
            return 0
        later = soon.get(old, [])
        place = bisect_left(later, (at,))
        alike = [*later[max(0, place - 1) : place + 1], *([known[old]] if old in known else [])]
        new = min(alike, key=lambda became: abs(became[0] - at))[1] if alike else None
        if new is None and scrambler is not None:
            kept = wrapper(old)
            new = old[:kept] + scrambler.fill(old[kept:])
        new = old if new is None else new
        if new != old:
            self._write(at, new)
        return new != old

    def _checks(self, found: Packets, source: Any, copy: Any) -> None:
        """Give every data packet whose check fitted, and whose bytes changed, one that fits."""
        import numpy as np

        from sticktrace.capture.packets.crc import crc16_of

        good = found.only((found.fault == GOOD) & (found.captured == found.size))
        raw = np.frombuffer(copy, np.uint8)
        sizes = good.size
        for size in np.flatnonzero(np.bincount(sizes)).tolist() if len(sizes) else ():
            at = good.at[sizes == size]
            if size == 3:
                continue
            overlapping = np.ndarray((len(raw) - size + 2,), f"V{size - 1}", raw, strides=(1,))
            rows = overlapping[at + 1].view(np.uint8).reshape(-1, size - 1)
            right = crc16_of(rows[:, :-2])
            stated = rows[:, -2].astype(np.int64) | rows[:, -1].astype(np.int64) << 8
            for place, check in zip(at[right != stated].tolist(), right[right != stated].tolist(), strict=True):
                self._write(place + size - 2, check.to_bytes(2, "little"))
        del raw


def _soon(source: Any, copy: Any, rows: list[Place], following: list[Place]) -> dict[bytes, list[Became]]:
    """What becomes of data that is refused at first, with NAK or by damage, and counts when it is sent again. Equal
    packets of one transfer need not become equal ones: the nearest is meant."""
    wanted = {bytes(source[at : at + size]) for at, size, counts in rows if not counts and size > _SMALL}
    found: dict[bytes, list[Became]] = {}
    for at, size, counts in chain(rows, following) if wanted else ():
        old = bytes(source[at : at + size]) if counts else b""
        if old in wanted:
            found.setdefault(old, []).append((at, bytes(copy[at : at + size])))
    return found


def _covered(capture: Capture) -> Any:
    """Offsets of the data fields of all transfers, sorted."""
    from array import array

    import numpy as np

    places = array("q")
    reader = capture.reading().reader
    payload: Payload = reader.payload
    for source in (reader.transfers(), reader.finish()):
        for transfer in source:
            if transfer.captured:
                places.extend(at for at, _ in payload.places(transfer.data_at, transfer.captured))
    return np.unique(np.frombuffer(places, np.int64)) if len(places) else np.zeros(0, np.int64)


def _data_packets(capture: Capture) -> Iterator[Packets]:
    """The data packets of a recording, block by block; setup packets are left out, they are never redacted."""
    import numpy as np

    reader = capture.reading().reader
    assert isinstance(reader, PacketReader)
    raw = np.frombuffer(capture.source.data, np.uint8)
    before = 0
    for block in blocks(reader.walk, capture.source.data):
        rows = np.isin(block.source, [n for n, source in enumerate(block.sources) if reader.is_packets(source)])
        columns = [column[rows] for column in (block.at, block.time_ns, block.at, block.captured, block.original)]
        found = packets(raw, *columns)
        token = np.concatenate(([before], found.pid[:-1]))
        before = int(found.pid[-1]) if len(found.pid) else before
        setup = (token == pids.SETUP) & (found.size == 3 + _SETUP_SIZE)
        yield found.only((found.kind == DATA) & ~setup)


def _places(found: Packets, covered: Any) -> Iterator[Place]:
    """Offset and length of each data field, and whether a transfer holds it."""
    import numpy as np

    at = found.at + 1
    size = np.maximum(np.minimum(found.captured - 1, found.size - 3), 0)
    place = np.searchsorted(covered, at)
    counts = np.zeros(len(at), bool)
    inside = place < len(covered)
    counts[inside] = covered[place[inside]] == at[inside]
    return zip(at.tolist(), size.tolist(), counts.tolist(), strict=True)
