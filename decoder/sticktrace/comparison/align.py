"""Sequence alignment: which step of one recording answers to which step of the other.

Global alignment after Needleman and Wunsch (1970), kept affordable for long recordings: steps that occur once in both
are taken as anchors first (the longest increasing subsequence of them), and what lies between anchors is aligned
exactly when short, within a band along the diagonal when long. Cost is bounded by (steps) x (band).
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Hashable, Sequence

Key = tuple[Hashable, Hashable, Hashable]
"""Three grades of likeness of a step: its kind, what exactly is asked, and how it ended."""

Pair = tuple[int | None, int | None]
"""Positions in both sequences; None on the side that has nothing to match."""

SAME, OTHER_END, OTHER_PLACE, ALONE = 4, 2, 0, -1
"""Scores: all three grades alike; kind and request alike; kind and end alike, the request another; a step that finds
no partner. Requests that differ and end otherwise are no pair."""

_BAND = 32
_SMALL = 4096
_DEPTH = 12
_UP, _LEFT, _BOTH = 1, 2, 3
_NEVER = -(1 << 40)


def align(a: Sequence[Key], b: Sequence[Key]) -> list[Pair]:
    """Pairs in order, each position of both sequences exactly once."""
    pairs: list[Pair] = []
    todo = [(0, len(a), 0, len(b), 0)]
    while todo:
        a0, a1, b0, b1, depth = todo.pop()
        while a0 < a1 and b0 < b1 and a[a0] == b[b0]:
            pairs.append((a0, b0))
            a0, b0 = a0 + 1, b0 + 1
        tail: list[tuple[int, int]] = []
        while a0 < a1 and b0 < b1 and a[a1 - 1] == b[b1 - 1]:
            a1, b1 = a1 - 1, b1 - 1
            tail.append((a1, b1))
        anchors = _anchors(a, b, (a0, a1, b0, b1)) if depth < _DEPTH and (a1 - a0) * (b1 - b0) > _SMALL else []
        if not anchors and not tail:
            pairs += _exactly(a, b, (a0, a1, b0, b1))
            continue
        segments = []
        for left, right in anchors:
            segments += [(a0, left, b0, right, depth + 1), (left, left + 1, right, right + 1, _DEPTH)]
            a0, b0 = left + 1, right + 1
        segments.append((a0, a1, b0, b1, depth + 1 if anchors else _DEPTH))
        if tail:
            segments.append((a1, tail[0][0] + 1, b1, tail[0][1] + 1, _DEPTH))
        todo += reversed(segments)
    return pairs


def _anchors(a: Sequence[Key], b: Sequence[Key], window: tuple[int, int, int, int]) -> list[tuple[int, int]]:
    """Steps that occur once on each side and keep their order: the longest chain of them."""
    a0, a1, b0, b1 = window
    in_a, in_b = Counter(a[a0:a1]), Counter(b[b0:b1])
    place = {key: at for at, key in enumerate(b[b0:b1], b0) if in_b[key] == 1}
    common = [(at, place[key]) for at, key in enumerate(a[a0:a1], a0) if in_a[key] == 1 and key in place]
    ends: list[int] = []
    last: list[int] = []
    before = [-1] * len(common)
    for index, (_, right) in enumerate(common):
        at = bisect_left(ends, right)
        before[index] = last[at - 1] if at else -1
        ends[at : at + 1], last[at : at + 1] = [right], [index]
    chain = []
    index = last[-1] if last else -1
    while index >= 0:
        chain.append(common[index])
        index = before[index]
    return chain[::-1]


def _score(one: Key, other: Key) -> int:
    if one[0] != other[0]:
        return _NEVER
    if one[1] != other[1]:
        return OTHER_PLACE if one[2] == other[2] else _NEVER
    return SAME if one[2] == other[2] else OTHER_END


def _exactly(a: Sequence[Key], b: Sequence[Key], window: tuple[int, int, int, int]) -> list[Pair]:
    """Needleman-Wunsch between two positions on each side; the longer side makes the rows."""
    a0, a1, b0, b1 = window
    if a0 == a1 or b0 == b1:
        return [*((i, None) for i in range(a0, a1)), *((None, j) for j in range(b0, b1))]
    if a1 - a0 >= b1 - b0:
        return [(_plus(i, a0), _plus(j, b0)) for i, j in _matrix(a[a0:a1], b[b0:b1])]
    return [(_plus(i, a0), _plus(j, b0)) for j, i in _matrix(b[b0:b1], a[a0:a1])]


def _plus(at: int | None, base: int) -> int | None:
    return None if at is None else at + base


def _matrix(rows: Sequence[Key], columns: Sequence[Key]) -> list[Pair]:
    n, m = len(rows), len(columns)
    band = m if n * m <= _SMALL else min(m, _BAND)
    starts = [max(0, i * m // n - band) for i in range(n + 1)]
    moves: list[bytearray] = []
    above: dict[int, int] = {}
    for i in range(n + 1):
        start, end = starts[i], min(m, i * m // n + band)
        line: dict[int, int] = {}
        move = bytearray(end - start + 1)
        for j in range(start, end + 1):
            if i == 0 and j == 0:
                line[0] = 0
                continue
            up = above.get(j, _NEVER) + ALONE
            left = line.get(j - 1, _NEVER) + ALONE
            both = above[j - 1] + _score(rows[i - 1], columns[j - 1]) if i and j - 1 in above else _NEVER
            best = max(up, left, both)
            line[j] = best
            move[j - start] = _BOTH if best == both else _UP if best == up else _LEFT
        moves.append(move)
        above = line
    return _back(moves, starts, n, m)


def _back(moves: list[bytearray], starts: list[int], i: int, j: int) -> list[Pair]:
    pairs: list[Pair] = []
    while i or j:
        move = moves[i][j - starts[i]]
        if move == _BOTH:
            i, j = i - 1, j - 1
            pairs.append((i, j))
        elif move == _UP:
            i -= 1
            pairs.append((i, None))
        else:
            j -= 1
            pairs.append((None, j))
    return pairs[::-1]
