"""What packets add to a comparison, where both captures hold packets: attempts, NAK, packets a frame."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.comparison.difference import DIFFERS, SMALL, Difference
from sticktrace.comparison.rows import Row
from sticktrace.comparison.side import Story
from sticktrace.sticks.wire_time import WireTime
from sticktrace.text import count_of, time_in_words

_TIMES = 3
_FEW = 3
"""Fewer failed attempts happen on good cables now and then (common practice)."""
_NAK_NS = 1_000_000
"""Less waiting in a command is no difference that anybody feels."""
_ENOUGH = 64
"""Data packets on both sides before their number a frame is compared."""


def wire_rows(good: Story, bad: Story) -> list[Row]:
    """The sums of both side by side; none where a side holds no packets."""
    if good.wire is None or bad.wire is None:
        return []
    return [Row(label, value(good.wire), value(bad.wire)) for label, value in _SUMS]


def _nak(wire: WireTime) -> str:
    return f"{time_in_words(wire.nak_ns)}, {_share(wire.nak_ns, wire)}"


def _share(part_ns: int, wire: WireTime) -> str:
    return f"{100 * part_ns / wire.whole_ns:.0f} % of commands" if wire.whole_ns else "0 %"


_SUMS: tuple[tuple[str, Callable[[WireTime], str]], ...] = (
    ("time lost to NAK", _nak),
    ("attempts made again", lambda wire: f"{wire.retries:,}"),
    ("repeats discarded", lambda wire: f"{wire.repeats:,}"),
    ("data packets a frame", lambda wire: f"{wire.a_frame:.1f}" if wire.frames else ""),
    ("bus taken by its packets", lambda wire: _share(wire.bus_ns, wire) if wire.timed else ""),
)


def wire_differences(good: Story, bad: Story) -> Iterator[Difference]:
    """What differs by more than chance."""
    one, other = good.wire, bad.wire
    if one is None or other is None:
        return
    failed, failed_bad = one.retries + one.repeats, other.retries + other.repeats
    if _apart(failed / max(1, one.packets), failed_bad / max(1, other.packets)) and max(failed, failed_bad) >= _FEW:
        text = f"packets that had to go again: {failed:,} of {count_of(one.packets, 'packet')} in GOOD, "
        weight = DIFFERS if failed_bad * one.packets > failed * other.packets else SMALL
        yield Difference(weight, "attempts", "transport", f"{text}{failed_bad:,} of {other.packets:,} in BAD")
    each, each_bad = one.nak_ns // max(1, one.commands), other.nak_ns // max(1, other.commands)
    if max(each, each_bad) >= _NAK_NS and _apart(each, each_bad):
        text = f"waiting in NAK: {time_in_words(each)} a command in GOOD, {time_in_words(each_bad)} in BAD"
        places = (f"exchange {wire.longest}" if wire.longest else "" for wire in (one, other))
        yield Difference(DIFFERS if each_bad > each else SMALL, "nak", "files", text, *places)
    if min(one.data, other.data) >= _ENOUGH and min(one.frames, other.frames) and _apart(one.a_frame, other.a_frame):
        text = f"data packets a frame: {one.a_frame:.1f} in GOOD, {other.a_frame:.1f} in BAD"
        yield Difference(DIFFERS if other.a_frame < one.a_frame else SMALL, "packets a frame", "files", text)


def _apart(one: float, other: float) -> bool:
    low, high = sorted((one, other))
    return high > 0 and high >= _TIMES * low
