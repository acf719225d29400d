"""What came of the rules: counts with the first places, for each stick apart."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sticktrace.codes.documents import documents
from sticktrace.duties.catalogue import rules
from sticktrace.duties.rule import Rule

PLACES = 3
"""So many places are kept of each verdict."""


class Place(NamedTuple):
    """Where a rule was put to the test: capture, exchange (0 for none), records."""

    capture: str
    exchange: int
    records: tuple[int, ...]

    def facts(self, verdict: str) -> dict[str, Any]:
        """As JSON says it."""
        return {"verdict": verdict, "capture": self.capture, "exchange": self.exchange or None,
                "records": list(self.records)}  # fmt: skip


class Count:
    """How one rule fared."""

    __slots__ = ("broken", "broken_at", "kept", "kept_at")

    def __init__(self) -> None:
        self.kept = self.broken = 0
        self.kept_at: list[Place] = []
        self.broken_at: list[Place] = []

    @property
    def tested(self) -> int:
        """How often it was put to the test."""
        return self.kept + self.broken

    def add(self, kept: bool, place: Place) -> None:
        """One more test."""
        if kept:
            self.kept += 1
            if len(self.kept_at) < PLACES:
                self.kept_at.append(place)
        else:
            self.broken += 1
            if len(self.broken_at) < PLACES:
                self.broken_at.append(place)

    def more(self, kept: bool, count: int) -> None:
        """So many more like one that was judged."""
        self.kept += count * kept
        self.broken += count * (not kept)

    def join(self, other: Count) -> None:
        """Evidence of another capture adds up."""
        self.kept += other.kept
        self.broken += other.broken
        self.kept_at = (self.kept_at + other.kept_at)[:PLACES]
        self.broken_at = (self.broken_at + other.broken_at)[:PLACES]


@dataclass(slots=True)
class Score:
    """The card of one stick, or of the hubs: ``counts`` by rule id. ``captures`` names those that it rests on,
    ``packets`` tells whether one of them is of packets, ``gaps`` whether recordings lack anything of it."""

    title: str
    captures: list[str]
    counts: dict[str, Count] = field(default_factory=dict)
    packets: bool = False
    transfers: bool = False
    gaps: bool = False

    def count(self, rule: Rule) -> Count:
        """How a rule fared, nothing counted where it never came up."""
        return self.counts.get(rule.id) or Count()

    @property
    def broken(self) -> list[Rule]:
        """The rules that were broken, those that matter first."""
        found = [rule for rule in rules().values() if self.count(rule).broken]
        return sorted(found, key=lambda rule: rule.letter)

    @property
    def unseen(self) -> list[Rule]:
        """The rules that were never put to the test."""
        return [rule for rule in rules().values() if not self.count(rule).tested]

    def why_not(self, rule: Rule) -> str:
        """Why a rule was not put to the test, "" where it was."""
        if self.count(rule).tested:
            return ""
        if rule.needs == "packets" and not self.packets:
            return "this form cannot show it: it needs a recording of the bus, packet by packet"
        if rule.needs == "host" and not self.transfers:
            return "this form cannot show it: it needs a recording of transfers with their bytes"
        if rule.gapless and self.gaps:
            return "this recording lacks something, and the rule is told by what is not there"
        return f"never came up: {rule.when}"

    def join(self, other: Score) -> None:
        """The same stick in another capture."""
        self.captures += [name for name in other.captures if name not in self.captures]
        self.packets, self.transfers = self.packets or other.packets, self.transfers or other.transfers
        self.gaps = self.gaps or other.gaps
        for id, count in other.counts.items():
            self.counts.setdefault(id, Count()).join(count)

    def facts(self, rule: Rule) -> dict[str, Any]:
        """``kind:"rule"``."""
        count = self.count(rule)
        known = documents().get(rule.document)
        evidence = [place.facts("broken") for place in count.broken_at]
        evidence += [place.facts("kept") for place in count.kept_at] if not evidence else []
        return {
            "kind": "rule", "id": rule.id, "party": rule.party, "document": rule.document,
            "edition": known.edition if known else "", "clause": rule.clause, "text": rule.duty,
            "tested": count.tested, "kept": count.kept, "broken": count.broken, "evidence": evidence,
            "not_seen": self.why_not(rule) or None, "stick": self.title, "letter_only": rule.letter,
            "sure": rule.sure,
        }  # fmt: skip


@dataclass(slots=True)
class Audit:
    """What `audit` found: a card for each stick, and of the hubs where several sticks are about."""

    scores: list[Score]

    @property
    def broken(self) -> bool:
        """Whether any rule was broken."""
        return any(score.broken for score in self.scores)

    @property
    def mixed(self) -> bool:
        """Whether the captures are of different sticks, which are kept apart."""
        return len([score for score in self.scores if score.title != HUBS]) > 1


HUBS = "the hubs"
"""Title of the card of hubs."""
