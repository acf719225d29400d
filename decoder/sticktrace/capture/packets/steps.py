"""What is left of transactions once waiting is counted: the steps that the pipes take one after the other.

A step is one transaction, or a run of transactions that are alike: the same pipe, nothing of another pipe in between,
full packets, toggles that alternate. Transactions answered NAK are folded into the step of their pipe that follows, or
into a step of their own where another pipe of the same device comes first: then the host may have stopped asking.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from sticktrace.capture.packets.columns import Packets
from sticktrace.capture.packets.transactions import MOVED, NOT_SPLIT, ODD, WAITED, Transactions
from sticktrace.codes import pids

Column = Any

KEYS = 1 << 12
"""Pipes are numbered: address, endpoint number, direction (1 for IN; the default control pipe counts as one, 0)."""


COMMAND = 31
"""The data of a packet that may be a CBW (BOT 1.0 5.1)."""


class Step(NamedTuple):
    """One step. ``start`` and ``length`` are its place among the transactions that are left. ``fate`` WAITED is waiting
    that stands alone: no packets count for it, only ``waits``; its data is what was offered last. ``began_ns`` and
    ``number`` are the first packet's, ``ended_ns`` and ``last_number`` the last one's; ``packets`` how many there are,
    ``bytes`` how long they are together. ``size`` is that of each data field (-1: no data packet), ``at`` and
    ``captured`` where the first lies, ``toggle`` and ``sign`` the PID and a signature of the first, ``last_toggle`` and
    ``last_sign`` of the last. ``waits`` counts
    what was answered NAK before, ``wait_began_ns`` and ``wait_number`` where that began (-1: nowhere),
    ``wait_ended_ns`` and ``wait_last_number`` where it ended, ``wait_ns`` the time until the answer came. ``refused``
    is the signature, with its PID, of the last data that was answered NAK before, -1 for none, ``low`` how many of
    all these tokens had PRE before them."""

    key: int
    fate: int
    token: int
    split: int
    start: int
    length: int
    began_ns: int
    ended_ns: int
    number: int
    last_number: int
    packets: int
    bytes: int
    size: int
    at: int
    captured: int
    toggle: int
    sign: int
    last_toggle: int
    last_sign: int
    answer: int
    damaged: bool
    waits: int
    wait_began_ns: int
    wait_number: int
    wait_ended_ns: int
    wait_last_number: int
    wait_ns: int
    low: int
    word: int
    refused: int

    @property
    def whole_sign(self) -> int:
        """The signature of the first data packet with its PID, -1 for none."""
        return self.sign << 8 | self.toggle if self.sign >= 0 else -1


def keys_of(found: Transactions) -> Column:
    """The pipe number of each transaction."""
    import numpy as np

    inward = (found.token == pids.IN) & (found.endpoint != 0)
    return found.address.astype(np.int64) << 5 | found.endpoint.astype(np.int64) << 1 | inward


class Steps:
    """The steps of a stretch of transactions. ``full`` gives the size of a full packet by pipe number, 0 where it is
    not known: only such packets make runs."""

    def __init__(self, packets: Packets, found: Transactions, raw: Column, full: Column) -> None:
        import numpy as np

        self._packets, self._found = packets, found
        self._key = keys_of(found)
        moving = np.flatnonzero(found.fate <= ODD)
        self._alone, self._waits = self._fold()
        self._column = self._columns(moving, raw)
        self._runs(full)

    def _fold(self) -> tuple[list[Column], list[Column]]:
        """Group what waited by pipe, up to the next step of the same device. Returns (transactions of groups that stand
        alone: first, last, the last one with data or -1, count, how many had PRE before them), and (step's transaction,
        first, last, the last one with data, count, how many had PRE) of those that belong to a step."""
        import numpy as np

        found, key, size = self._found, self._key, self._packets.size
        relevant = np.flatnonzero(found.fate <= WAITED)
        order = relevant[np.argsort(found.address[relevant].astype(np.uint8), kind="stable")]
        waited = found.fate[order] == WAITED
        steps = order[~waited]
        before = np.cumsum(~waited)[waited]
        waits = order[waited]
        group = before * KEYS + key[waits]
        by_group = np.argsort(group, kind="stable")
        waits, group, before = waits[by_group], group[by_group], before[by_group]
        start = np.flatnonzero(np.append(True, group[1:] != group[:-1])) if len(group) else np.zeros(0, np.int64)
        count = np.diff(np.append(start, len(group)))
        first, last = waits[start], waits[start + count - 1]
        offers = np.where(found.data[waits] >= 0, waits, -1)
        offered = np.maximum.reduceat(offers, start) if len(start) else start
        low = np.add.reduceat(self._packets.low[found.first[waits]].astype(np.int64), start) if len(start) else start
        step = np.append(steps, -1)[before[start]]
        # What waits before a new request is the old one's; before a command it is shown at once, as the command began.
        command = (found.token[step] == pids.OUT) & (size[found.data[step]] == COMMAND + 3)
        joins = (step >= 0) & (key[step] == key[first]) & (found.token[step] != pids.SETUP) & ~command
        alone, joined = (first, last, offered, count, low), (step, first, last, offered, count, low)
        return [column[~joins] for column in alone], [column[joins] for column in joined]

    def _columns(self, moving: Column, raw: Column) -> dict[str, Column]:
        """The fields of every step, runs not made yet, in the order in which they happened."""
        import numpy as np

        found, packets = self._found, self._packets
        alone, alone_last, alone_offered, alone_count, alone_low = self._alone
        index = np.concatenate((moving, alone_last))
        self._order = np.argsort(index, kind="stable")
        index = index[self._order]
        is_wait = np.concatenate((np.zeros(len(moving), bool), np.ones(len(alone), bool)))[self._order]
        begin = np.concatenate((moving, alone))[self._order]
        first, last = found.first[begin], found.last[index]
        offered = np.concatenate((moving, alone_offered))[self._order]
        data = np.where(offered >= 0, found.data[offered], none := -1)
        has = data >= 0
        row = np.where(has, data, 0)
        waits, wait_row, wait_end = (np.full(len(found.first), value) for value in (0, none, none))
        step, wait_first, wait_last, wait_offered, count, wait_low = self._waits
        low = packets.low[found.first].astype(np.int64)
        low[step] += wait_low
        low = low[begin]
        low[is_wait] = np.concatenate((np.zeros(len(moving), np.int64), alone_low))[self._order][is_wait]
        waits[step], wait_row[step], wait_end[step] = count, found.first[wait_first], found.last[wait_last]
        waits, wait_row, wait_end = waits[index], wait_row[index], wait_end[index]
        refused = np.full(len(found.first), none)
        refused[step] = self._refused(wait_offered, raw)
        waits[is_wait] = np.concatenate((np.zeros(len(moving), np.int64), alone_count))[self._order][is_wait]
        wait_row[is_wait] = none
        waited = wait_row >= 0
        wait_began = np.where(waited, packets.time_ns[wait_row], none)
        began = packets.time_ns[first]
        so_far = np.append(0, np.cumsum(packets.size))
        size = np.where(has, packets.size[row] - 3, none)
        return {
            "key": self._key[index], "fate": np.where(is_wait, WAITED, found.fate[index]), "token": found.token[index],
            "split": found.split[index], "began_ns": began, "ended_ns": packets.time_ns[last],
            "number": packets.number[first], "last_number": packets.number[last],
            "packets": np.where(is_wait, 0, last - first + 1),
            "bytes": np.where(is_wait, 0, so_far[last + 1] - so_far[first]), "size": size,
            "at": np.where(has, packets.at[row] + 1, 0),
            "captured": np.where(has, np.minimum(np.maximum(packets.captured[row] - 1, 0), size), 0),
            "toggle": np.where(has, packets.pid[row], 0), "sign": _signs(packets, row, has, raw),
            "answer": found.answer[index], "damaged": found.damaged[index] & ~is_wait, "waits": waits,
            "wait_began_ns": wait_began, "wait_number": np.where(waited, packets.number[wait_row], none),
            "wait_ended_ns": np.where(waited, packets.time_ns[wait_end], none),
            "wait_last_number": np.where(waited, packets.number[wait_end], none),
            "wait_ns": np.where(waited, began - wait_began, 0), "low": low,
            "word": packets.word[first].astype(np.int64), "refused": refused[index],
        }  # fmt: skip

    def _refused(self, waited: Column, raw: Column) -> Column:
        """`Step.whole_sign` of what some transactions offered in vain."""
        import numpy as np

        packets, data = self._packets, self._found.data[waited]
        has = (waited >= 0) & (data >= 0) & (self._found.split[waited] == NOT_SPLIT)
        row = np.where(has, data, 0)
        sign = _signs(packets, row, has, raw)
        return np.where(sign >= 0, sign << 8 | packets.pid[row], -1)

    def _runs(self, full: Column) -> None:
        """Where runs begin and how long they are."""
        import numpy as np

        c = self._column
        count = len(c["key"])
        usual = (c["fate"] == MOVED) & (c["split"] == 0) & (c["size"] == full[c["key"]]) & (c["size"] == c["captured"])
        usual &= (c["toggle"] == pids.DATA0) | (c["toggle"] == pids.DATA1)
        goes_on = usual[1:] & usual[:-1] & (c["key"][1:] == c["key"][:-1]) & (c["toggle"][1:] != c["toggle"][:-1])
        self._start = np.flatnonzero(np.append(True, ~goes_on)) if count else np.zeros(0, np.int64)
        self._length = np.diff(np.append(self._start, count))

    def __iter__(self) -> Iterator[Step]:
        return self._between(self._start, self._length)

    def _between(self, start: Column, length: Column) -> Iterator[Step]:
        import numpy as np

        if not len(start):
            return iter(())
        c, last = self._column, start + length - 1
        stop = int(last[-1]) + 1

        def total(name: str) -> Column:
            return np.add.reduceat(c[name][:stop], start)

        columns = (
            c["key"][start], c["fate"][start], c["token"][start], c["split"][start], start, length,
            c["began_ns"][start], c["ended_ns"][last], c["number"][start], c["last_number"][last], total("packets"),
            total("bytes"), c["size"][start], c["at"][start], c["captured"][start], c["toggle"][start],
            c["sign"][start], c["toggle"][last], c["sign"][last], c["answer"][start], c["damaged"][start],
            total("waits"),
            c["wait_began_ns"][start], c["wait_number"][start], c["wait_ended_ns"][start], c["wait_last_number"][start],
            total("wait_ns"), total("low"), c["word"][start],
            c["refused"][start],
        )  # fmt: skip
        return map(Step._make, zip(*(column.tolist() for column in columns), strict=True))

    def parts(self, step: Step, first: int) -> Iterator[Step]:
        """A run in two: the ``first`` transactions, and the rest."""
        import numpy as np

        start = np.array([step.start, step.start + first])
        return self._between(start, np.array([first, step.length - first]))

    def places(self, step: Step) -> Column:
        """Offsets of the data fields of a step."""
        places = self._column["at"][step.start : step.start + step.length]
        return places.copy()  # a view would keep the columns of the whole stretch


def _signs(packets: Packets, row: Column, has: Column, raw: Column) -> Column:
    """A number for each data packet that tells it from the next one: its length and its CRC16, -1 where that was
    cut."""
    import numpy as np

    end = np.minimum(packets.at[row] + packets.size[row], len(raw))
    check = raw[end - 2].astype(np.int64) | raw[end - 1].astype(np.int64) << 8
    return np.where(has & (packets.captured[row] == packets.size[row]), packets.size[row] << 16 | check, -1)
