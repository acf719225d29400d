"""A rule: one duty of one party in one clause, and how a recording shows it kept or broken."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sticktrace.duties.expression import Test, Unseen

HOST, DEVICE, HUB, BOTH = "host", "device", "hub", "both"
PARTIES = (HOST, DEVICE, HUB, BOTH)
"""Who must keep a duty; both: whoever sends or receives."""

SURENESS = ("seen", "in part", "from memory")
"""How sure a clause is: its words were read in a public text, a part of them, or none."""


def _always(_: Any) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of the catalogue.

    ``id`` is stable. ``duty`` is what must be done, ``when`` what puts it to the test, ``shows`` how the traffic tells
    kept from broken, in words. ``needs`` is "host" where a recording of transfers can show it, or "packets".
    ``letter``: breaking it is common and works in practice. ``gapless``: it is told broken by something that is not
    there, so that a recording which lacks anything tells nothing. ``at`` names the occasions that it is asked at,
    ``opcodes`` narrows them to commands. ``plan`` names the action of the check list that puts it to the test.
    """

    id: str
    party: str
    document: str
    clause: str
    chapter: str
    duty: str
    when: str
    shows: str
    needs: str
    sure: str
    at: tuple[str, ...]
    plan: str
    opcodes: frozenset[int] = frozenset()
    letter: bool = False
    gapless: bool = False
    sources: tuple[str, str] = ("", "")
    condition: Test = field(default=_always, repr=False, compare=False)
    must: Test = field(default=_always, repr=False, compare=False)

    def judge(self, occasion: Any) -> bool | None:
        """Whether an occasion shows the rule kept; None where it does not put it to the test."""
        try:
            return bool(self.must(occasion)) if self.condition(occasion) else None
        except (Unseen, IndexError, KeyError):
            return None

    @property
    def citation(self) -> str:
        """Document and clause."""
        return f"{self.document} {self.clause}"


@dataclass(frozen=True, slots=True)
class Untestable:
    """A duty that no recording can show, with the reason."""

    id: str
    party: str
    document: str
    clause: str
    duty: str
    reason: str
    sure: str
