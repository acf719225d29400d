"""A finding and the pattern that it is an instance of.

A `Pattern` is the general case: what it means, which clause it rests on, likely causes in order, what to try. A
`Finding` is one instance of it in one capture: a sentence with the capture's own numbers, and the exchanges and records
that show it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sticktrace.sticks.tally import EVIDENCE_LIMIT

if TYPE_CHECKING:
    from sticktrace.sticks.stick import Stick

FAULT, RISK, NOTE = "fault", "risk", "note"
"""Something that stopped or damaged the work; something that may; something worth knowing."""

SEVERITIES = (FAULT, RISK, NOTE)

DEVICE, HOST, POWER, UNKNOWN = "device", "host", "power and wiring", "cannot tell"
"""Whose side a finding lies on."""

SIDES = (DEVICE, HOST, POWER, UNKNOWN)

LONG_NS = 5_000_000_000
"""A wait without end that few hosts would sit through (common practice)."""
PATIENCE_NS, QUIET_NS = 30_000_000_000, 2_000_000_000
"""Sticks and disks may take up to 30 s to get ready; a host that says nothing for 2 s has stopped (common practice)."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One row of the catalogue.

    ``slug`` is stable. ``clause`` is a published clause or "common practice". ``causes`` come likeliest first.
    ``seen_in`` tells which captures can show it. ``workaround`` names, in words, the kind of workaround that common
    host kernels carry for it; "" for none. ``supersedes`` names patterns of which this one is the better account where
    both were seen in the same exchanges. ``instead`` is there where the advice is to leave a command out: by name, what
    to do about one that no host can leave out. ``rules`` are the duties of which one is broken where it shows (ids of
    `sticktrace audit`). The texts stand in the TOML file beside the rule that reports it.
    """

    slug: str
    severity: str
    title: str
    clause: str
    explanation: str
    causes: tuple[str, ...]
    advice: str
    side: str
    seen_in: str
    workaround: str
    caution: str
    supersedes: tuple[str, ...] = ()
    instead: Mapping[str, str] = field(default_factory=dict, compare=False)
    rules: tuple[str, ...] = ()

    def advice_on(self, commands: Collection[str]) -> str:
        """What to try, given the commands that it was seen with."""
        kept = [self.instead[command] for command in commands if command in self.instead]
        return " ".join(kept if kept and len(kept) == len(commands) else [self.advice, *kept])

    def facts(self, layer: str) -> dict[str, Any]:
        """The pattern as JSON says it."""
        return {
            "slug": self.slug, "severity": self.severity, "layer": layer, "title": self.title,
            "clause": self.clause, "explanation": self.explanation, "causes": list(self.causes),
            "advice": self.advice, "side": self.side, "seen_in": self.seen_in,
            "workaround": self.workaround or None, "caution": self.caution or None, "rules": list(self.rules),
        }  # fmt: skip


@dataclass(slots=True, eq=False)
class Finding:
    """One instance. ``text`` is one sentence with this capture's numbers. ``device`` and ``ids`` say whom it concerns
    ("" if nobody in particular). ``commands`` names those that it was seen with, where the advice hangs on them.
    ``exchanges`` and ``records`` are evidence, at most `EVIDENCE_LIMIT` of each. ``time_ns`` is when it was first seen.
    ``ends``: the work came to its end with it. ``log`` is what the host's log says of the same failures. ``severity``,
    ``side``, ``cause`` and ``remedy`` are what this capture settles beyond the pattern."""

    pattern: Pattern
    text: str
    device: str = ""
    ids: str = ""
    exchanges: tuple[int, ...] = ()
    records: tuple[int, ...] = ()
    time_ns: int = 0
    severity: str = ""
    side: str = ""
    layer: str = ""
    stick: Stick | None = field(default=None, repr=False)
    commands: tuple[str, ...] = ()
    again: int = 0
    ends: bool = False
    cause: str = ""
    remedy: str = ""
    log: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self.severity = self.severity or self.pattern.severity
        self.side = self.side or self.pattern.side
        self.exchanges = self.exchanges[:EVIDENCE_LIMIT]
        self.records = self.records[:EVIDENCE_LIMIT]

    @property
    def slug(self) -> str:
        """The pattern's slug."""
        return self.pattern.slug

    @property
    def advice(self) -> str:
        """What to try."""
        return self.remedy or self.pattern.advice_on(self.commands)

    @property
    def causes(self) -> tuple[str, ...]:
        """Likely causes, the likeliest first."""
        return (self.cause, *self.pattern.causes) if self.cause else self.pattern.causes

    @property
    def workaround(self) -> str:
        """The kind of workaround that common host kernels carry for this, with the ids to list; "" if none."""
        kept = self.commands and all(command in self.pattern.instead for command in self.commands)
        if kept or not self.pattern.workaround:
            return ""
        return f"{self.pattern.workaround} ({self.ids})" if self.ids else self.pattern.workaround

    def facts(self) -> dict[str, Any]:
        """``kind:"finding"``."""
        return {
            "kind": "finding",
            **self.pattern.facts(self.layer),
            "severity": self.severity,
            "side": self.side,
            "text": self.text,
            "causes": list(self.causes),
            "advice": self.advice,
            "device": self.device or None,
            "ids": self.ids or None,
            "time_ns": self.time_ns,
            "exchanges": list(self.exchanges),
            "records": list(self.records),
            "workaround": self.workaround or None,
            "log": list(self.log),
        }
