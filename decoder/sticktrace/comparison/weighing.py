"""Two aligned accounts of a device's traffic, step by step: what differs, and how much it matters."""

from __future__ import annotations

from collections.abc import Callable

from sticktrace.comparison.align import Pair, align
from sticktrace.comparison.difference import BREAKS, DIFFERS, SMALL, Comparison, Difference
from sticktrace.comparison.on_wire import wire_differences
from sticktrace.comparison.side import Story
from sticktrace.comparison.steps import GOOD, NEWS, TROUBLE, UNSEEN, Step
from sticktrace.sticks.stages import Stage
from sticktrace.text import bytes_in_words, count_of, time_in_words

STAGES = tuple(Stage)
WAIT_NS, TIMES = 20_000_000, 3
"""A wait or a duration differs when the longer is at least 20 ms and at least three times the shorter."""
FAR = 4
"""A side that stops with less than a quarter of the other's steps among the files did not just end a little earlier."""
MOST_DIFFERENCES = 2_000
"""Differences that are kept; the rest is counted."""
ADDRESS_NS, _SET_ADDRESS = 2_000_000, "SET_ADDRESS"
"""What a device may take to answer at its new address (USB 2.0 9.2.6.3)."""
_MOMENT_NS = 1_000_000
LONG_NS = 500_000_000
"""A command slower by this much weighs more than a small difference: hosts give up after seconds (common practice)."""

ENOUGH = 64 << 10
"""Bytes that must have moved on both sides before their rates are compared."""

_SHOWN: tuple[tuple[str, Callable[[Step], bool]], ...] = (
    ("the plugging in", lambda step: step.kind == "plugged in"),
    ("port resets", lambda step: step.kind == "port reset"),
    ("control requests", lambda step: not step.first and step.stage != "attach"),
    ("SET_ADDRESS: a host controller may give addresses by itself", lambda step: step.kind == _SET_ADDRESS),
)
"""What a capture may lack by its form or by when it was started."""


class Weighing:
    """Walks the aligned steps and writes down what differs."""

    def __init__(self, found: Comparison) -> None:
        self.found = found
        self.good, self.bad = self._comparable(found.good, found.bad)
        self._good_kinds, self._bad_kinds = {s.kind for s in self.good}, {s.kind for s in self.bad}
        self._good_troubles, self._bad_troubles = found.good.troubles, found.bad.troubles
        self._told: set[tuple[str, str]] = set()
        self._told_there: set[tuple[str, str, str]] = set()

    def _comparable(self, good: Story, bad: Story) -> tuple[list[Step], list[Step]]:
        """The steps that both captures could show: one that shows not a single control request says nothing about
        them, and so with the port."""
        left, right = good.steps, bad.steps
        for what, belongs in _SHOWN:
            for side, mine, others in (("GOOD", left, right), ("BAD", right, left)):
                if any(map(belongs, others)) and not any(map(belongs, mine)):
                    self.found.notes.append(f"{side} does not show {what}: not compared")
                    left = [step for step in left if not belongs(step)]
                    right = [step for step in right if not belongs(step)]
        return left, right

    def weigh(self) -> None:
        """Fill in the differences and the notes."""
        found = self.found
        for row in found.rows:
            if row.weight and row.differs:
                self._say(row.weight, "fact", row.stage, f"{row.label}: {row.good} in GOOD, {row.bad} in BAD")
        self._speeds()
        found.differences += wire_differences(found.good, found.bad)
        pairs = align([step.key for step in self.good], [step.key for step in self.bad])
        apart: list[Pair] = []
        for left, right in pairs:
            if left is None or right is None:
                apart.append((left, right))
                continue
            self._unmatched(apart, first=not found.matched, last=False)
            apart = []
            found.matched += 1
            if left and right:
                self._recovery(self.good[left - 1 : left + 1], self.bad[right - 1 : right + 1])
            self._matched(self.good[left], self.bad[right])
        self._unmatched(apart, first=not found.matched, last=True)
        sides = (("GOOD", found.good), ("BAD", found.bad))
        cut = [f"{side} ({count_of(story.sums.cut, 'command')})" for side, story in sides if story.sums.cut]
        if cut:
            found.notes.append(f"cut payloads in {' and '.join(cut)}")

    def _speeds(self) -> None:
        """What a person notices first where nothing fails: one READ that takes seconds, or all of it slow."""
        good, bad = self.found.good.sums, self.found.bad.sums
        longer = bad.slowest_ns - good.slowest_ns
        if good.slowest and _apart(good.slowest_ns, bad.slowest_ns) and abs(longer) >= LONG_NS:
            text = f"the slowest READ or WRITE takes {time_in_words(good.slowest_ns)} in GOOD, "
            text += f"{time_in_words(bad.slowest_ns)} in BAD"
            weight = DIFFERS if longer > 0 else SMALL
            self._say(weight, "slowest", "files", text, f"exchange {good.slowest}", f"exchange {bad.slowest}")
        if (
            good.pause
            and bad.pause
            and _apart(good.pause_ns, bad.pause_ns)
            and abs(good.pause_ns - bad.pause_ns) >= LONG_NS
        ):
            text = f"the longest pause between READs and WRITEs is {time_in_words(good.pause_ns)} in GOOD, "
            text += f"{time_in_words(bad.pause_ns)} in BAD"
            self._say(SMALL, "pause", "files", text, f"before exchange {good.pause}", f"before exchange {bad.pause}")
        rates = (("reading", good.read, good.read_ns, bad.read, bad.read_ns),
                 ("writing", good.written, good.write_ns, bad.written, bad.write_ns))  # fmt: skip
        for what, moved, busy_ns, moved_bad, busy_bad_ns in rates:
            if min(moved, moved_bad) < ENOUGH or not busy_ns or not busy_bad_ns:
                continue
            one, other = moved * 1_000_000_000 // busy_ns, moved_bad * 1_000_000_000 // busy_bad_ns
            if max(one, other) >= TIMES * min(one, other):
                weight = DIFFERS if other < one else SMALL
                text = f"{what} runs at {bytes_in_words(one)}/s in GOOD, {bytes_in_words(other)}/s in BAD"
                self._say(weight, "rate", "files", text)

    def _say(self, weight: int, slug: str, stage: str, text: str, good: str = "", bad: str = "") -> None:
        if weight == SMALL and len(self.found.differences) >= MOST_DIFFERENCES:
            self.found.left_out += 1
        else:
            self.found.differences.append(Difference(weight, slug, stage, text, good, bad))

    # -- steps that answer to each other --------------------------------------------------------------------------

    def _matched(self, good: Step, bad: Step) -> None:
        places = good.where, bad.where
        stage = good.stage
        if good.place != bad.place:
            self._say(SMALL, "elsewhere", stage, f"{good.words} in GOOD, {bad.words} in BAD", *places)
            return
        if good.end != bad.end:
            self._ended(good, bad)
        if not good.medium and good.asked != bad.asked:
            text = f"{good.kind} asks for {good.asked:,} bytes in GOOD, for {bad.asked:,} in BAD"
            self._once(DIFFERS, "length", stage, text, places, (good.kind, f"{good.asked} {bad.asked}"))
        if good.cdb[:1] != bad.cdb[:1]:
            text = f"{good.text.partition(' LBA')[0]} in GOOD, {bad.text.partition(' LBA')[0]} in BAD"
            self._once(DIFFERS, "form", stage, text, places, (good.kind, f"{good.cdb[:1].hex()} {bad.cdb[:1].hex()}"))
        if (good.count != bad.count and not good.medium) or good.blocks != bad.blocks:
            self._say(SMALL, "amount", stage, f"{good.words} in GOOD, {bad.words} in BAD", *places)
        if _apart(good.wait_ns, bad.wait_ns):
            self._say(SMALL, "wait", stage, f"before {bad.text}: {time_in_words(good.wait_ns)} of waiting in GOOD, "
                      f"{time_in_words(bad.wait_ns)} in BAD", *places)  # fmt: skip
        self._took(good, bad)

    def _recovery(self, good: list[Step], bad: list[Step]) -> None:
        """The wait after SET_ADDRESS, where BAD does not keep what is due and GOOD does (USB 2.0 9.2.6.3)."""
        if good[0].kind == bad[0].kind == _SET_ADDRESS and 0 <= bad[1].wait_ns < ADDRESS_NS <= good[1].wait_ns:
            waits = f"{time_in_words(good[1].wait_ns)}, BAD {time_in_words(bad[1].wait_ns)}"
            text = f"after SET_ADDRESS GOOD waits {waits}; 2 ms are due (USB 2.0 9.2.6.3)"
            self._say(DIFFERS, "wait", bad[1].stage, text, good[1].where, bad[1].where)

    def _took(self, good: Step, bad: Step) -> None:
        one, other = good.busy_ns // good.count, bad.busy_ns // bad.count
        if _apart(one, other) and good.shade == bad.shade == GOOD:
            weight = DIFFERS if other - one >= LONG_NS else SMALL
            text = f"{bad.text} takes {time_in_words(one)} in GOOD, {time_in_words(other)} in BAD"
            self._say(weight, "duration", good.stage, text, good.where, bad.where)

    def _ended(self, good: Step, bad: Step) -> None:
        text = f"{bad.words}: {good.end} in GOOD, {bad.end} in BAD"
        if UNSEEN in (good.shade, bad.shade):
            return
        if bad.shade == TROUBLE:
            weight = SMALL if bad.refused else DIFFERS if good.shade == TROUBLE else BREAKS
        else:
            weight = SMALL
        self._told.add((bad.kind, bad.end))
        self._say(weight, "outcome", bad.stage, text, good.where, bad.where)

    def _once(
        self, weight: int, slug: str, stage: str, text: str, places: tuple[str, str], about: tuple[str, str]
    ) -> None:
        if about not in self._told:
            self._told.add(about)
            self._say(weight, slug, stage, text, *places)

    # -- steps that find no partner -------------------------------------------------------------------------------

    def _unmatched(self, apart: list[Pair], *, first: bool, last: bool) -> None:
        good = [self.good[left] for left, _ in apart if left is not None]
        bad = [self.bad[right] for _, right in apart if right is not None]
        if last and good and not bad and self._stops(good):
            return
        if first and good and not bad and self.bad and self.bad[0].stage == "files":
            self._say(SMALL, "begin", good[0].stage, f"GOOD begins earlier: {_list(good)}", good[0].where)
            return
        for step in bad:
            self._alone(step, "BAD", "GOOD", self._good_kinds, self._good_troubles)
        for step in good:
            self._alone(step, "GOOD", "BAD", self._bad_kinds, self._bad_troubles)

    def _stops(self, good: list[Step]) -> bool:
        """BAD ends here while GOOD goes on: it matters when GOOD gets to a later stage or much further, or when BAD's
        last step went wrong; else BAD's recording may just be shorter."""
        story, end = self.found.bad, self.bad[-1] if self.bad else None
        reached = max((STAGES.index(step.stage) for step in self.bad if step.stage), default=-1)
        onward = [step for step in good if step.stage and STAGES.index(step.stage) > reached]
        where = f"after {end.words} ({end.end or 'done'})" if end else "before its first step"
        rest = f"nothing more for {time_in_words(story.rest_ns)} until the capture ends"
        rest = rest if story.rest_ns >= _MOMENT_NS else "and the capture ends there"
        text = f"BAD stops {where}, {rest}; GOOD goes on with {_list(good)}"
        ill = end is not None and end.shade in (TROUBLE, NEWS)
        files = sum(step.stage == "files" for step in self.bad)
        short = FAR * files < sum(step.stage == "files" for step in self.good)
        weight = BREAKS if onward or ill or short else SMALL
        self._say(weight, "stop", good[0].stage, text, good[0].where, end.where if end else "")
        return True

    def _alone(self, step: Step, side: str, other: str, kinds: set[str], troubles: set[tuple[str, str]]) -> None:
        place = {side.lower(): step.where}
        about = step.kind, step.end if step.shade == TROUBLE else ""
        words = f"{step.words} ({step.end})" if step.end not in ("", "passed", "done") else step.words
        if step.shade == TROUBLE and about not in troubles and about not in self._told and side == "BAD":
            self._told.add(about)
            weight = SMALL if step.refused else BREAKS
            self._say(weight, "outcome", step.stage, f"only in {side}: {words}", **place)
        elif step.shade == TROUBLE and step.medium and about in troubles and (side, *about) not in self._told_there:
            self._told_there.add((side, *about))
            text = f"only in {side}, at this address: {words}; {other} has the same failure at another"
            self._say(DIFFERS, "outcome", step.stage, text, **place)
        elif step.kind not in kinds and step.shade != UNSEEN:
            if (side, step.kind) not in self._told:
                self._told.add((side, step.kind))
                self._say(DIFFERS, "request", step.stage, f"only in {side}: {words}; never in {other}", **place)
        elif step.shade != UNSEEN:
            self._say(SMALL, f"only {side}", step.stage, f"only in {side}, here: {words}", **place)


def _apart(one: int, other: int) -> bool:
    low, high = sorted((one, other))
    return low >= 0 and high >= WAIT_NS and high >= TIMES * low


def _list(steps: list[Step], most: int = 3) -> str:
    words = ", ".join(step.text for step in steps[:most])
    return words if len(steps) <= most else f"{words} and {count_of(len(steps) - most, 'more step')}"
