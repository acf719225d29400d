"""Packets as columns: what each is by its PID and length, and whether its check holds. No meaning beyond that.

Packet formats: USB 2.0 8.3 and 8.4. A record of these link types is one packet from its PID to its check.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

from sticktrace.capture.packets.crc import crc5_holds, crc16_holds
from sticktrace.codes import pids

Column = Any

UNKNOWN, TOKEN, DATA, HANDSHAKE, FRAME, SPLIT, EXTENDED, PRE, EXTENSION = range(9)
"""Kinds: a PID that is none, IN OUT SETUP PING, data, handshake, SOF, SPLIT, EXT, PRE, and what follows EXT."""

FAULTS = ("", "cut packet", "pid", "length", "crc5", "crc16")
GOOD, CUT, BAD_PID, BAD_LENGTH, BAD_CRC5, BAD_CRC16 = range(6)

SHORTEST_DATA, LONGEST_DATA = 3, 3 + 1024
"""PID, 0 to 1024 bytes, CRC16 (8.4.4)."""

_LENGTHS = {TOKEN: 3, FRAME: 3, SPLIT: 4, EXTENDED: 3, HANDSHAKE: 1, PRE: 1}
_AT_ONCE = 1 << 20
"""Bytes of data packets checked at once."""


class Packets(NamedTuple):
    """Packets as columns: record number, time in ns since the first record, offset of the PID, length as it was and as
    captured, kind, PID byte, the (up to) three bytes behind the PID as one number, fault, and whether PRE came
    before."""

    number: Column
    time_ns: Column
    at: Column
    size: Column
    captured: Column
    kind: Column
    pid: Column
    word: Column
    fault: Column
    low: Column

    def only(self, which: Column) -> Packets:
        """Some of them, by mask, index or slice."""
        return Packets(*(column[which] for column in self))

    def then(self, later: Packets) -> Packets:
        """These and later ones."""
        import numpy as np

        return Packets(*(np.concatenate(pair) for pair in zip(self, later, strict=True)))


@cache
def _kinds() -> Column:
    import numpy as np

    table = np.full(256, UNKNOWN, np.uint8)
    table[list(pids.PIDS)] = DATA
    table[[pids.OUT, pids.IN, pids.SETUP, pids.PING]] = TOKEN
    table[[pids.ACK, pids.NAK, pids.STALL, pids.NYET]] = HANDSHAKE
    for pid, kind in ((pids.SOF, FRAME), (pids.SPLIT, SPLIT), (pids.EXT, EXTENDED), (pids.PRE, PRE)):
        table[pid] = kind
    return table


@cache
def _length_of() -> Column:
    import numpy as np

    return np.array([_LENGTHS.get(kind, 0) for kind in range(9)], np.int64)


def packets(raw: Column, number: Column, time_ns: Column, at: Column, captured: Column, size: Column) -> Packets:
    """Look at records: ``raw`` are the capture's bytes, the rest columns of the records."""
    import numpy as np

    last = len(raw) - 1
    inside = [np.where(captured > step, raw[np.minimum(at + step, last)], 0).astype(np.uint32) for step in range(4)]
    pid = inside[0].astype(np.uint8)
    kind = np.where(captured > 0, _kinds()[pid], UNKNOWN)
    word = inside[1] | inside[2] << 8 | inside[3] << 16
    found = Packets(number, time_ns, at, size, captured, kind, pid, word, np.zeros(len(at), np.uint8),
                    np.zeros(len(at), bool))  # fmt: skip
    _judge(found, raw)
    return found


def _judge(found: Packets, raw: Column) -> None:
    """Fill in the faults."""
    kind, size, fault = found.kind, found.size, found.fault
    is_data = kind == DATA
    fixed = _length_of()[kind]
    fault[(fixed > 0) & (size != fixed)] = BAD_LENGTH
    fault[is_data & ((size < SHORTEST_DATA) | (size > LONGEST_DATA))] = BAD_LENGTH
    fault[kind == UNKNOWN] = BAD_PID
    cut = (found.captured < size) | (size == 0)
    fault[cut & ~(is_data & (found.captured > 0))] = CUT
    whole = (fault == GOOD) & ~cut
    check5(found, whole & (fixed == 3), 2)
    check5(found, whole & (kind == SPLIT), 3)
    _check16(found, (whole & is_data).nonzero()[0], raw)


def check5(found: Packets, which: Column, count: int) -> None:
    """Check the CRC5 of some packets that have ``count`` bytes behind the PID."""
    rows = which.nonzero()[0]
    word = found.word[rows]
    good = crc5_holds(*(word >> 8 * step & 0xFF for step in range(count)))
    found.fault[rows] = (~good) * BAD_CRC5


def _check16(found: Packets, rows: Column, raw: Column) -> None:
    """Check the CRC16 of the data packets at these rows, those of one length together."""
    import numpy as np

    sizes = found.size[rows]
    for size in np.flatnonzero(np.bincount(sizes)).tolist():
        alike = rows[sizes == size]
        overlapping = np.ndarray((len(raw) - size + 2,), f"V{size - 1}", raw, strides=(1,))
        step = max(1, _AT_ONCE // size)
        for start in range(0, len(alike), step):
            some = alike[start : start + step]
            good = crc16_holds(overlapping[found.at[some] + 1].view(np.uint8).reshape(-1, size - 1))
            found.fault[some] = (~good) * BAD_CRC16
