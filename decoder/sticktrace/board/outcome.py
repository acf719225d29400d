"""How a limit of a board fares: fits, breaks, or cannot tell, with the reason and what to change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

FITS, BREAKS, UNKNOWN = "fits", "breaks", "cannot tell"

ERASES = "this erases the stick: copy its files off first"
"""Goes with every advice to partition or format."""


class Verdict(NamedTuple):
    """``why`` is one sentence with the capture's own numbers; ``change`` says what to do, "" for nothing."""

    verdict: str
    why: str
    change: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One limit of the profile, its value, and how the stick fares."""

    limit: str
    value: Any
    verdict: str
    why: str
    change: str = ""

    def facts(self) -> dict[str, Any]:
        """As JSON says it."""
        return {"limit": self.limit, "value": self.value, "verdict": self.verdict, "why": self.why,
                "change": self.change or None}  # fmt: skip
