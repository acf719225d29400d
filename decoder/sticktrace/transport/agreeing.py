"""Finds the exchanges in a block of records in which everything agreed, all at once.

An exchange agrees when its records stand together: a CBW of 31 bytes that is valid and meaningful (BOT 1.0 6.2), data
transfers of just the bytes that it announces, a CSW of 13 bytes with its tag, status 0 and residue 0 (5.2), each of
these transfers with both halves, none failed, none short. That is all that `find` takes; what is out of the ordinary in
any way, or only looks like it, is left to the table (`sticktrace.transport.bot_table`), which is the definition: what
agrees here takes the rows "open", "take" and "close" there.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

from sticktrace.capture.blocks import Column, words
from sticktrace.capture.halves import NOT_STATED, Halves
from sticktrace.codes.scsi import cdb_length
from sticktrace.grammar.bot import CBW_MAGIC, CBW_SIZE, CSW_MAGIC, CSW_SIZE

_INQUIRY = 0x12
"""Teaches what kind of unit it is (`gather.learn_type`), which what follows may depend on: one by one."""


class Agreed(NamedTuple):
    """Exchanges as columns, one element for each. ``first`` and ``last`` are indexes of records in the block, ``wide``
    is the CBW as 31 bytes a row. Of the data transfers in order of completion, ``piece_at``, ``piece_captured`` and
    ``piece_length`` have one element each, and those of exchange n begin at ``pieces[n]``; ``pieces`` has one element
    more than there are exchanges."""

    first: Column
    last: Column
    pipe_out: Column
    pipe_in: Column
    tag: Column
    expected: Column
    wide: Column
    time_ns: Column
    command_ns: Column
    data_ns: Column
    end_ns: Column
    command_at: Column
    status_at: Column
    truncated: Column
    pieces: Column
    piece_at: Column
    piece_captured: Column
    piece_length: Column

    def part(self, start: int, stop: int) -> Agreed:
        """Some of them that follow each other."""
        low, high = int(self.pieces[start]), int(self.pieces[stop])
        each = [column[start:stop] for column in self[:-4]]
        pieces = [self.pieces[start : stop + 1] - low, *(column[low:high] for column in self[-3:])]
        return Agreed._make(each + pieces)


class _Data(NamedTuple):
    """The data transfers of all exchanges in order of completion: the records of their submissions and completions, how
    many bytes moved, and the exchange of each."""

    down: Column
    ends: Column
    length: Column
    owner: Column


def find(halves: Halves, data: Any) -> Agreed | None:
    """The agreeing exchanges of a block, in order; ``data`` is the capture. None for none."""
    import numpy as np

    raw = np.frombuffer(data, np.uint8)
    first, last = _between_wrappers(halves, raw)
    good = _together(halves, first, last)
    first, last = first[good], last[good]
    if not len(first):
        return None
    wide, tag, expected, agree = _wrappers(halves, raw, first, last)
    data, whole = _data(halves, first, last)
    incoming = wide[:, 12] >= 0x80
    agree &= whole & _as_announced(halves, data, expected, np.where(incoming, halves.pipe[last], halves.pipe[first]))
    found = _columns(halves, data, first, last, wide, tag, expected, incoming)
    return found if agree.all() else _only(found, agree, data.owner)


def _columns(
    halves: Halves, data: _Data, first: Column, last: Column, wide: Column, tag: Column, expected: Column,
    incoming: Column,
) -> Agreed:  # fmt: skip
    import numpy as np

    count = len(first)
    bearer = np.where(incoming[data.owner], data.ends, data.down)  # the half that carries the payload
    captured = np.minimum(halves.captured[bearer], data.length)
    pieces = np.concatenate(([0], np.cumsum(np.bincount(data.owner, minlength=count))))
    data_ns = np.full(count, -1, np.int64)
    some = pieces[1:] > pieces[:-1]
    data_ns[some] = halves.time_ns[data.ends[pieces[1:][some] - 1]]
    return Agreed(
        first, last, halves.pipe[first], halves.pipe[last], tag, expected, wide, halves.time_ns[first],
        halves.time_ns[first + 1], data_ns, halves.time_ns[last], halves.at[first], halves.at[last],
        np.bincount(data.owner, captured < data.length, count) > 0, pieces, halves.at[bearer], captured, data.length,
    )  # fmt: skip


def _only(found: Agreed, good: Column, owner: Column) -> Agreed | None:
    """Those of them that are good."""
    import numpy as np

    if not good.any():
        return None
    edges = np.concatenate(([0], np.cumsum(np.diff(found.pieces)[good])))
    each = [column[good] for column in found[:-4]]
    return Agreed._make([*each, edges, *(column[good[owner]] for column in found[-3:])])


def _begins_with(raw: Column, at: Column, magic: bytes) -> Column:
    found: Column = words(raw, at) == int.from_bytes(magic, "little")
    return found


def _between_wrappers(halves: Halves, raw: Column) -> tuple[Column, Column]:
    """From the submission of each CBW to the completion of the next CSW, with no other CBW in between."""
    import numpy as np

    incoming = halves.pipe & 0x80 != 0
    fits = halves.captured == halves.length
    commands = np.flatnonzero(halves.usual & halves.submits & ~incoming & (halves.length == CBW_SIZE) & fits)
    commands = commands[_begins_with(raw, halves.at[commands], CBW_MAGIC)]
    statuses = np.flatnonzero(halves.usual & ~halves.submits & incoming & (halves.length == CSW_SIZE) & fits)
    statuses = statuses[_begins_with(raw, halves.at[statuses], CSW_MAGIC)]
    place = np.searchsorted(statuses, commands)
    commands, place = commands[place < len(statuses)], place[place < len(statuses)]
    last = statuses[place]
    alone = np.ones(len(commands), bool)
    alone[:-1] = last[:-1] < commands[1:]
    return commands[alone], last[alone]


def _together(halves: Halves, first: Column, last: Column) -> Column:
    """Whether all records from the first to the last are usual ones of one device, and command and status have both
    halves."""
    import numpy as np

    odd = np.concatenate(([0], np.cumsum(~halves.usual)))
    device = halves.pipe >> 8
    others = np.concatenate(([0], np.cumsum(device[1:] != device[:-1])))
    good = (last - first >= 3) & ((last - first) % 2 == 1)
    good &= (odd[last + 1] == odd[first]) & (others[last] == others[first])
    # Neighbours that do not exist are not asked for: these two are looked at only where the records suffice.
    sent, asked = np.where(good, first + 1, first), np.where(good, last - 1, last)
    good &= ~halves.submits[sent] & halves.submits[asked]
    for one, other in ((first, sent), (last, asked)):
        good &= (halves.pipe[one] == halves.pipe[other]) & (halves.ident[one] == halves.ident[other])
    return good & ((halves.length[sent] == CBW_SIZE) | (halves.length[sent] == NOT_STATED))


def _wrappers(halves: Halves, raw: Column, first: Column, last: Column) -> tuple[Column, Column, Column, Column]:
    """The CBWs as rows of bytes, their tags, the lengths that they announce, and whether CBW and CSW agree."""
    import numpy as np

    overlapping = np.ndarray((len(raw) - CBW_SIZE + 1,), f"V{CBW_SIZE}", raw, strides=(1,))
    wide = overlapping[halves.at[first]].view(np.uint8).reshape(-1, CBW_SIZE)
    _, tag, expected = words(raw, halves.at[first], "<", 3).astype(np.int64).T
    _, answered, residue = words(raw, halves.at[last], "<", 3).T
    good = (answered == tag) & (residue == 0) & (raw[halves.at[last] + 12] == 0)
    flags, lun, size, opcode = wide[:, 12], wide[:, 13], wide[:, 14], wide[:, 15]
    fixed = np.array([cdb_length(code) or 0 for code in range(256)], np.uint8)
    good &= (flags & 0x7F == 0) & (lun & 0xF0 == 0) & (size > 0) & (size == fixed[opcode]) & (opcode != _INQUIRY)
    return wide, tag, expected, good


def _data(halves: Halves, first: Column, last: Column) -> tuple[_Data, Column]:
    """The data transfers, and for each exchange whether all of them have both halves and moved what was asked for."""
    import numpy as np

    counts = last - first - 3
    starts = np.cumsum(counts) - counts
    records = np.arange(counts.sum()) + np.repeat(first + 2 - starts, counts)
    if counts.max() > 2:
        owner = np.repeat(np.arange(len(first)), counts)
        records = records[np.lexsort((records, halves.ident[records], owner))]
    down, ends = records[::2], records[1::2]
    asked, moved = halves.length[down], halves.length[ends]
    good = halves.submits[down] & ~halves.submits[ends]
    good &= (halves.ident[down] == halves.ident[ends]) & (halves.pipe[down] == halves.pipe[ends])
    good &= (asked == moved) | (asked == NOT_STATED) | (moved == NOT_STATED)
    length = np.where(asked == NOT_STATED, moved, asked)
    wrapper = np.where(halves.pipe[ends] & 0x80, CSW_SIZE, CBW_SIZE)
    good &= (length > 0) & (length != wrapper)  # such data may be taken for a wrapper
    owner = np.repeat(np.arange(len(first)), counts // 2)
    whole = np.bincount(owner, ~good, len(first)) == 0
    order = np.argsort(ends, kind="stable")
    return _Data(down[order], ends[order], length[order], owner), whole


def _as_announced(halves: Halves, data: _Data, expected: Column, pipe: Column) -> Column:
    """Whether the data of each exchange went over the pipe that its CBW announces, and just as many bytes."""
    import numpy as np

    moved = np.bincount(data.owner, data.length, len(expected)).astype(np.int64)
    astray = halves.pipe[data.ends] != pipe[data.owner]
    return (moved == expected) & (np.bincount(data.owner, astray, len(expected)) == 0)


def stretches(found: Agreed) -> Iterator[tuple[int, int]]:
    """Ranges of exchanges that follow each other on the same pipes with nothing in between."""
    import numpy as np

    breaks = (found.first[1:] != found.last[:-1] + 1) | (found.pipe_out[1:] != found.pipe_out[:-1])
    breaks |= found.pipe_in[1:] != found.pipe_in[:-1]
    return pairwise([0, *(np.flatnonzero(breaks) + 1).tolist(), len(found.first)])
