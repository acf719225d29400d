"""How two clocks differ, by what both of them saw.

Theory of operation
-------------------
Every landmark of the log beside every landmark of the capture with the same sign gives one difference that may be the
true one. Differences that are not true are scattered; the true one comes up again and again. So the window with the
most signs wins, each sign counting once however often it was made, and it has to win clearly: of two windows that have
as much for them none is taken. Numbers and errors that any two runs may share count for less, and are not enough where
the log tells more. Within the window the densest spot gives the offset: a kernel prints within
milliseconds after it happened.

A log that prints no times is laid along the capture by the order of its landmarks alone.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from math import log2
from typing import NamedTuple

from sticktrace.text import count_of, time_in_words
from sticktrace.timeline.landmarks import Landmark, Sign

SECOND = 1_000_000_000
_WINDOW_NS = SECOND
_NEAR_NS = 20_000_000
_MOST_PAIRS = 200_000
_MOST_IN_ORDER = 2_000
_CLEARLY = 0.75
"""The second best window may have so much of what the best has, and no more."""

_COUNTS = {"plugged": 0.25, "errno": 0.25, "number": 0.5, "reset": 0.5, "gone": 0.5, "sense": 0.5}
"""What signs count for that other runs of other sticks show as well; all others count for one."""
_ENOUGH = 1.0

_AFTER = frozenset(("failed", "sense", "identity", "blocks", "gone", "errno"))
"""Signs that a host makes right after what the capture shows; it says some others before, or when it is through."""

SURE, LIKELY, UNSURE = "sure", "likely", "not sure"


class Pair(NamedTuple):
    """The same sign in both: how much later the capture's clock has it, and the log's landmark."""

    offset_ns: int
    mark: Landmark


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the clocks differ: the capture's time is the log's (since its first time printed) plus ``offset_ns``.
    ``printed_ns`` is the same for times as printed. ``agreed`` landmarks are within ``spread_ns`` of it. ``part``
    is the run of the log's system for which it holds. ``rivals`` are offsets with as much for them: none is taken."""

    offset_ns: int = 0
    printed_ns: int = 0
    agreed: int = 0
    spread_ns: int = 0
    sure: str = ""
    part: int = 0
    by_hand: bool = False
    rivals: tuple[int, ...] = ()

    def at(self, time_ns: int, _order: int) -> int:
        """When something in the log happened, by the capture's clock."""
        return time_ns + self.offset_ns

    @property
    def holds(self) -> bool:
        """Whether there is an offset."""
        return bool(self.sure) or self.by_hand

    @property
    def words(self) -> str:
        """What a person is told."""
        if self.by_hand:
            return f"its times {_signed(self.printed_ns)} are those of this capture, as you say"
        if self.rivals:
            shown = " or ".join(_signed(offset) for offset in self.rivals)
            return (
                f"its times {shown} may be those of this capture, and nothing tells which: it is left out; "
                f"--offset SECONDS says it"
            )
        if not self.sure:
            return "it says nothing that this capture shows as well: it is left out; --offset SECONDS places it by hand"
        things = count_of(self.agreed, "thing") + (" that both tell of agrees" if self.agreed == 1 else "")
        things += "" if self.agreed == 1 else f" that both tell of agree within {time_in_words(self.spread_ns)}"
        return f"its times {_signed(self.printed_ns)} are those of this capture ({self.sure}: {things})"


@dataclass(frozen=True, slots=True)
class InOrder:
    """A log without times: ``orders`` are the lines whose place is known, ``times`` the capture's times of these."""

    orders: list[int] = field(default_factory=list)
    times: list[int] = field(default_factory=list)
    part: int = 0
    by_hand = False

    def at(self, _time_ns: int, order: int) -> int:
        """When something in the log happened: at the last line before it whose place is known."""
        return self.times[max(0, bisect_right(self.orders, order) - 1)]

    @property
    def holds(self) -> bool:
        """Whether any place is known."""
        return bool(self.orders)

    @property
    def words(self) -> str:
        """What a person is told."""
        if not self.orders:
            return "it prints no times and says nothing that this capture shows as well: it is left out"
        known = count_of(len(self.orders), "line")
        return f"it prints no times: {known} of it stand where this capture shows the same, the others follow these"


Window = tuple[float, int, int, int]
"""What counts for it, where its pairs begin and end, and the part of the log."""


def _signed(ns: int) -> str:
    return f"{'+' if ns >= 0 else '-'} {abs(ns) / SECOND:.6f} s"


def compare(log: list[Landmark], capture: list[Landmark]) -> Agreement:
    """How the clocks differ."""
    pairs = _pairs(log, capture)
    whole = all(mark.time_ns % SECOND == 0 for mark in log)
    width = _WINDOW_NS + (SECOND if whole else 0)
    weights = _weights(log, capture)
    windows = [w for part in {pair.mark.part for pair in pairs} for w in _windows(pairs, part, width, weights)]
    if not windows:
        return Agreement()
    best = max(windows)
    strong = any(_counts(mark.sign) >= 1 for mark in log)
    told = {pair.mark.sign for pair in pairs[best[1] : best[2]]}
    if best[0] < _ENOUGH or (strong and not any(_counts(sign) >= 1 for sign in told)):
        return Agreement()
    others = [
        w for w in windows if w[3] != best[3] or abs(pairs[w[1]].offset_ns - pairs[best[1]].offset_ns) > 2 * width
    ]
    second = max(others, default=(0.0, 0, 0, 0))
    found = _settled(pairs[best[1] : best[2]], best[3], _NEAR_NS + (SECOND if whole else 0))
    if second[0] > best[0] * _CLEARLY:
        rival = _settled(pairs[second[1] : second[2]], second[3], _NEAR_NS)
        return Agreement(rivals=(found.printed_ns, rival.printed_ns))
    sure = SURE if best[0] >= 3 and second[0] <= best[0] / 2 else LIKELY if best[0] > _ENOUGH else UNSURE
    sure = sure if any(_counts(sign) >= 1 for sign in told) else UNSURE
    return Agreement(found.offset_ns, found.printed_ns, found.agreed, found.spread_ns, sure, found.part)


def _apart(one: Window, other: Window, pairs: list[Pair], width: int) -> bool:
    return one[3] != other[3] or abs(pairs[one[1]].offset_ns - pairs[other[1]].offset_ns) > width


def _pairs(log: list[Landmark], capture: list[Landmark]) -> list[Pair]:
    """All that have the same sign, the rarest first where they are too many; in order of the difference."""
    by_sign: dict[Sign, list[int]] = defaultdict(list)
    for mark in capture:
        by_sign[mark.sign].append(mark.time_ns)
    mine: dict[Sign, list[Landmark]] = defaultdict(list)
    for mark in log:
        if mark.sign in by_sign:
            mine[mark.sign].append(mark)
    pairs: list[Pair] = []
    for sign in sorted(mine, key=lambda sign: len(mine[sign]) * len(by_sign[sign])):
        if len(pairs) + len(mine[sign]) * len(by_sign[sign]) > _MOST_PAIRS:
            break
        pairs += [Pair(time_ns - mark.time_ns, mark) for mark in mine[sign] for time_ns in by_sign[sign]]
    return sorted(pairs, key=lambda pair: (pair.mark.part, pair.offset_ns))


def _weights(log: Iterable[Landmark], capture: Iterable[Landmark]) -> dict[Sign, float]:
    """What one landmark of a sign counts for: all that can be found of it count for what the sign does."""
    mine, others = Counter(mark.sign for mark in log), Counter(mark.sign for mark in capture)
    return {sign: _counts(sign) / min(mine[sign], others[sign]) for sign in mine if others[sign]}


def _score(sign: Sign, found: int, weight: float) -> float:
    """What so many landmarks of a sign count for. What any run may show counts for more when it comes again and
    again."""
    base = _counts(sign)
    return min(base, found * weight) * (1 + log2(found) if base < 1 else 1)


def _counts(sign: Sign) -> float:
    return _COUNTS.get(sign[0], 1.0)


def _windows(pairs: list[Pair], part: int, width: int, weights: dict[Sign, float]) -> list[Window]:
    """The windows of one part of the log, each ending with another pair."""
    windows: list[Window] = []
    inside: dict[Sign, Counter[int]] = defaultdict(Counter)
    start = next(n for n, pair in enumerate(pairs) if pair.mark.part == part)
    for end in range(start, len(pairs)):
        offset, mark = pairs[end]
        if mark.part != part:
            break
        inside[mark.sign][mark.order] += 1
        while offset - pairs[start].offset_ns > width:
            _take_out(inside, pairs[start].mark)
            start += 1
        score = sum(_score(sign, len(marks), weights[sign]) for sign, marks in inside.items())
        windows.append((score, start, end + 1, part))
    return windows


def _take_out(inside: dict[Sign, Counter[int]], mark: Landmark) -> None:
    marks = inside[mark.sign]
    marks[mark.order] -= 1
    if not marks[mark.order]:
        del marks[mark.order]
    if not marks:
        del inside[mark.sign]


def _settled(pairs: list[Pair], part: int, near: int) -> Agreement:
    """The offset in a window, the middle of its densest spot, and how far those that agree lie from it."""
    best, start, inside = (0, 0, 0), 0, Counter[Sign]()
    for end, pair in enumerate(pairs):
        inside[pair.mark.sign] += 1
        while pair.offset_ns - pairs[start].offset_ns > near:
            inside[pairs[start].mark.sign] -= 1
            inside += Counter()
            start += 1
        best = max(best, (len(inside), start, end))
    spot = pairs[best[1] : best[2] + 1]
    after = [pair for pair in spot if pair.mark.sign[0] in _AFTER]
    middle = (after or spot)[len(after or spot) // 2]
    nearest: dict[tuple[int, Sign], int] = {}
    for offset, mark in spot:
        key, away = (mark.order, mark.sign), abs(offset - middle.offset_ns)
        nearest[key] = min(nearest.get(key, away), away)
    printed = middle.offset_ns + (middle.mark.time_ns - middle.mark.printed_ns if middle.mark.printed_ns >= 0 else 0)
    return Agreement(middle.offset_ns, printed, len(nearest), max(nearest.values()), "", part)


def in_order(log: list[Landmark], capture: list[Landmark]) -> InOrder:
    """A log without times, by the order in which both tell of the same things."""
    signs = {mark.sign for mark in log} & {mark.sign for mark in capture}
    mine = [mark for mark in log if mark.sign in signs][:_MOST_IN_ORDER]
    others = [mark for mark in capture if mark.sign in signs][:_MOST_IN_ORDER]
    matcher = SequenceMatcher(None, [mark.sign for mark in mine], [mark.sign for mark in others], autojunk=False)
    found = InOrder()
    for block in matcher.get_matching_blocks():
        for step in range(block.size):
            mark, other = mine[block.a + step], others[block.b + step]
            if not found.orders or (mark.order > found.orders[-1] and other.time_ns >= found.times[-1]):
                found.orders.append(mark.order)
                found.times.append(other.time_ns)
    return found


def by_hand(log_first_ns: int, printed_ns: int, offset_ns: int) -> Agreement:
    """As a person says: the capture's time is the printed one plus ``offset_ns``."""
    return Agreement(offset_ns + printed_ns - log_first_ns, offset_ns, by_hand=True)
