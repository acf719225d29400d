"""Packets grouped into transactions, as columns (USB 2.0 8.5): a token, the data behind it, the handshake behind that.

What is decided here is decided by the packets of one transaction alone. Its fate is one of

    MOVED      data went over and was acknowledged: nothing to wonder about
    WAITED     the device answered NAK, or PING was answered NAK: flow control, not a fault (8.5.1, 8.5.2)
    ASIDE      moves nothing by itself: PING answered ACK, a split transaction under way, link power management
    DAMAGED    the token is damaged: nobody can tell whose it was
    ODD        all else: STALL, no answer, SETUP, the data half of a split transaction, damage in data or handshake

MOVED and ODD are looked at one after the other (`machine`); the rest is counted and never becomes a Python object.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from sticktrace.capture.packets import columns
from sticktrace.capture.packets.columns import (
    DATA,
    EXTENDED,
    EXTENSION,
    GOOD,
    HANDSHAKE,
    PRE,
    SPLIT,
    TOKEN,
    Packets,
    check5,
)
from sticktrace.codes import pids

Column = Any

MOVED, ODD, WAITED, ASIDE, DAMAGED = range(5)
NOT_SPLIT, START, COMPLETE = range(3)

LONGEST = 6
"""Packets that can belong to one transaction, some stray ones included; a longer tail waits for nothing."""

_NOTHING = 255


class Transactions(NamedTuple):
    """Transactions as columns: rows of the first and last packet in ``packets``, token PID, address, endpoint number,
    stage of a split transaction, rows of the data packet and of the handshake (-1: none), handshake PID (0: none),
    whether a packet behind the token is damaged, and the fate."""

    first: Column
    last: Column
    token: Column
    address: Column
    endpoint: Column
    split: Column
    data: Column
    answer: Column
    damaged: Column
    fate: Column


def settle_kinds(packets: Packets) -> Packets:
    """What a packet is where that depends on the ones before it: the token behind EXT, ERR behind a split transaction's
    token. Takes out PRE, marking the packet behind it."""
    import numpy as np

    kind = packets.kind
    before = np.concatenate(([_NOTHING], kind[:-1]))
    extension = (before == EXTENDED) & (packets.size == 3) & (kind != TOKEN) & (kind != SPLIT)
    kind[extension] = EXTENSION
    packets.fault[extension] = GOOD
    check5(packets, extension & (packets.captured == 3), 2)
    before = np.concatenate(([_NOTHING], kind[:-1]))
    before_that = np.concatenate(([_NOTHING, _NOTHING], kind[:-2]))[: len(kind)]
    kind[(kind == PRE) & (before == TOKEN) & (before_that == SPLIT)] = HANDSHAKE
    pre = kind == PRE
    if not pre.any():
        return packets
    packets.low[1:] |= pre[:-1]
    # The last one waits for the packet that it belongs to.
    pre[-1] = False
    return packets.only(~pre)


def whole(packets: Packets) -> int:
    """How many of the packets are in transactions that nothing can be added to any more."""
    kind = packets.kind
    heads = _heads(kind)
    rest = len(kind) - int(heads[-1]) if len(heads) else 0
    pending = bool(len(kind)) and kind[-1] == PRE
    if not rest or rest > LONGEST or (kind[-1] == HANDSHAKE and kind[-2] != SPLIT):
        return len(kind) - pending
    return int(heads[-1])


def _heads(kind: Column) -> Column:
    """Rows in which a transaction begins: tokens, but for the one that belongs to a SPLIT."""
    import numpy as np

    token = (kind == TOKEN) | (kind == SPLIT) | (kind == EXTENDED)
    token[1:] &= ~((kind[1:] == TOKEN) & (kind[:-1] == SPLIT))
    return np.flatnonzero(token)


def transactions(packets: Packets) -> Transactions:
    """Group packets. What belongs to none of them stands outside of every ``first`` to ``last``."""
    import numpy as np

    kind = np.append(packets.kind, [_NOTHING, _NOTHING, _NOTHING]).astype(np.uint8)
    pid = np.append(packets.pid, [0, 0, 0]).astype(np.uint8)
    fault = np.append(packets.fault, [0, 0, 0]).astype(np.uint8)
    head = _heads(packets.kind)
    end = np.append(head[1:], len(packets.kind))

    def at(row: Column, column: Column, nothing: int) -> Column:
        return np.where(row < end, column[row], nothing)

    split = kind[head] == SPLIT
    token = head + (split & (at(head + 1, kind, _NOTHING) == TOKEN))
    extended = (kind[head] == EXTENDED) & (at(head + 1, kind, _NOTHING) == EXTENSION)
    body = token + 1 + extended
    first, second = at(body, kind, _NOTHING), at(body + 1, kind, _NOTHING)
    carries = (first == DATA) | (first == columns.UNKNOWN)
    data = np.where(carries, body, -1)
    closed = carries & ((second == HANDSHAKE) | (second == columns.UNKNOWN))
    alone = first == HANDSHAKE
    answer = np.where(alone, body, np.where(closed & (second == HANDSHAKE), body + 1, -1))
    last = body - 1 + (carries | alone) + closed
    bad_head = (fault[head] != GOOD) | (fault[token] != GOOD) | (split & (token == head))
    damaged = ((last >= body) & (fault[body] != GOOD)) | (closed & (fault[body + 1] != GOOD))
    word = np.append(packets.word, [0, 0, 0]).astype(np.uint32)
    stage = np.where(split, np.where(word[head] >> 7 & 1, COMPLETE, START), NOT_SPLIT)
    found = Transactions(
        head, last, pid[token], word[token] & 0x7F, word[token] >> 7 & 0x0F, stage, data,
        np.where(answer >= 0, pid[answer], 0), damaged, np.full(len(head), ODD, np.uint8),
    )  # fmt: skip
    _fates(found, bad_head)
    return found


def _fates(found: Transactions, bad_head: Column) -> None:
    """Judge what needs no second look, see the table at the top."""
    token, answer, fate, split = found.token, found.answer, found.fate, found.split
    has_data, whole = found.data >= 0, ~found.damaged
    is_in, is_out, is_ping = token == pids.IN, token == pids.OUT, token == pids.PING
    taken = (answer == pids.ACK) | (answer == pids.NYET)
    plain = split == NOT_SPLIT
    complete = split == COMPLETE
    refused = answer == pids.NAK
    fate[plain & whole & has_data & ((is_in & (answer == pids.ACK)) | (is_out & taken))] = MOVED
    fate[complete & whole & has_data & is_in & (answer == 0)] = MOVED
    fate[plain & refused & whole & ((is_out & has_data) | ((is_in | is_ping) & ~has_data))] = WAITED
    fate[complete & refused & ~has_data] = WAITED
    fate[complete & (answer == pids.NYET) & ~has_data] = ASIDE
    fate[(split == START) & (refused | (is_in & ~has_data & ((answer == 0) | (answer == pids.ACK))))] = ASIDE
    fate[plain & is_ping & (answer == pids.ACK) & ~has_data] = ASIDE
    fate[token == pids.EXT] = ASIDE
    fate[bad_head] = DAMAGED


def outside(packets: Packets, found: Transactions) -> Column:
    """Rows of packets that belong to no transaction."""
    import numpy as np

    edge = np.zeros(len(packets.kind) + 1, np.int8)
    edge[found.first] += 1
    edge[found.last + 1] -= 1
    return np.flatnonzero(np.cumsum(edge[:-1]) == 0)
