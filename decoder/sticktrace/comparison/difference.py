"""What a comparison finds: differences with their weight, and the whole of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sticktrace.comparison.rows import Row
from sticktrace.comparison.side import Story

BREAKS, DIFFERS, SMALL = 3, 2, 1
"""Weights: something goes wrong on one side only; one side does or is what the other is not; order, number, lengths
and waits."""


@dataclass(slots=True)
class Difference:
    """One difference. ``good`` and ``bad`` say where in each capture, "" where there is nothing."""

    weight: int
    slug: str
    stage: str
    text: str
    good: str = ""
    bad: str = ""

    def facts(self) -> dict[str, Any]:
        """As JSON says it."""
        weight = {BREAKS: "breaks", DIFFERS: "differs", SMALL: "small"}[self.weight]
        return {"weight": weight, "slug": self.slug, "stage": self.stage or None, "text": self.text,
                "good": self.good or None, "bad": self.bad or None}  # fmt: skip


@dataclass(slots=True)
class Comparison:
    """The result: ``differences`` in the order of the traffic, ``rows`` side by side, ``notes`` on what the captures
    themselves leave out."""

    good: Story
    bad: Story
    differences: list[Difference] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    matched: int = 0
    left_out: int = 0

    @property
    def identical(self) -> bool:
        """No difference at all."""
        return not self.differences

    @property
    def first(self) -> Difference | None:
        """The first of the weightiest differences; None if there is none at all."""
        return max(self.differences, key=lambda d: d.weight, default=None)

    def facts(self) -> dict[str, Any]:
        """As JSON says it (kind "comparison")."""
        return {
            "kind": "comparison", "identical": self.identical, "matched_steps": self.matched,
            "good": _side(self.good), "bad": _side(self.bad),
            "first": self.first.facts() if self.first else None,
            "differences": [difference.facts() for difference in self.differences], "left_out": self.left_out,
            "summary": [row.facts() for row in self.rows], "notes": self.notes,
        }  # fmt: skip


def _side(story: Story) -> dict[str, Any]:
    return {"capture": story.capture, "device": story.stick.place, "name": story.stick.name, "ids": story.stick.ids,
            "steps": len(story.steps)}  # fmt: skip
