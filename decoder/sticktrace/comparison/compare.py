"""Two captures side by side: the first difference that matters, then all the others.

GOOD and BAD are two recordings of the same stick on different hosts, of two sticks on one host, or from before and
after a change of firmware. Their steps are aligned (`sticktrace.comparison.align`); what does not match is weighed.
What only a capture's form leaves out is said once, as a note, and is no difference. The medium's contents are not
compared.
"""

from __future__ import annotations

from sticktrace.comparison.difference import BREAKS, DIFFERS, SMALL, Comparison, Difference
from sticktrace.comparison.on_wire import wire_rows
from sticktrace.comparison.rows import rows
from sticktrace.comparison.side import Story, Telling
from sticktrace.comparison.steps import MOST_STEPS
from sticktrace.comparison.weighing import Weighing
from sticktrace.errors import SticktraceError

__all__ = ["BREAKS", "DIFFERS", "SMALL", "Comparison", "Difference", "compare"]


def compare(good: Telling, bad: Telling, good_device: str = "", bad_device: str = "") -> Comparison:
    """Compare a storage device of one capture with one of the other. Without ``good_device`` and ``bad_device`` ("1.2"
    for bus 1, address 2) the same device is looked for, by VID:PID and INQUIRY names; else the busiest of each is
    taken. Raises SticktraceError where a capture has no storage device."""
    one, other = good.stories(), bad.stories()
    left, right = _choose(_wanted(one, good.name, good_device), _wanted(other, bad.name, bad_device))
    found = Comparison(left, right, rows=rows(left, right) + wire_rows(left, right))
    for side, story, all_of in (("GOOD", left, one), ("BAD", right, other)):
        if len(all_of) > 1:
            rest = ", ".join(s.title for s in all_of if s is not story)
            found.notes.append(f"{side} also holds {rest}: not compared here")
        if story.skipped:
            found.notes.append(f"{side}: steps beyond the first {MOST_STEPS:,} are not aligned")
    Weighing(found).weigh()
    return found


def _wanted(stories: list[Story], name: str, device: str) -> list[Story]:
    if device:
        chosen = [story for story in stories if story.stick.place == device]
        if not chosen:
            places = ", ".join(story.stick.place for story in stories) or "none"
            raise SticktraceError(f"{name}: no storage device at {device}; there are: {places}")
        return chosen
    if not stories:
        raise SticktraceError(f"{name}: no storage device in this capture, nothing to compare")
    return stories


def _choose(one: list[Story], other: list[Story]) -> tuple[Story, Story]:
    """The pair that is most alike by identity; the busiest among equals, as stories come in that order."""

    def likeness(pair: tuple[Story, Story]) -> int:
        a, b = pair[0].stick, pair[1].stick
        return 2 * (bool(a.ids) and a.ids == b.ids) + (bool(a.units) and bool(b.units) and a.name == b.name)

    return max(((a, b) for a in one for b in other), key=likeness)
