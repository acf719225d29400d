"""The thirteen cases of BOT 1.0 6.7: what the host expected (H) against what the device intended (D).

The device's intent is not on the bus. It is told from what can be seen: the command's own direction, the bytes that
moved, the residue and the status. Where these do not settle it, there is no case.
"""

from __future__ import annotations

from sticktrace.grammar.command import Direction
from sticktrace.grammar.vocabulary import direction as direction_of
from sticktrace.transport.items import FAILED, PASSED, PHASE_ERROR

_AGREED = {"none": 1, "in": 6, "out": 12}


def case_of(cdb: bytes, direction: str, expected: int, moved: int, residue: int | None, status: str) -> int | None:
    """The number 1-13, or None where the capture does not allow it.

    ``direction`` and ``expected`` are the host's (CBW), ``moved`` the bytes seen in the data phase.
    """
    if residue == 0 and moved == expected and status is PASSED:
        return _AGREED[direction]
    if residue is None or status not in (PASSED, FAILED, PHASE_ERROR):
        return None
    if status == PHASE_ERROR:
        return _disagreement(direction, direction_of(cdb))
    if residue > expected:  # such a CSW is not meaningful (6.3.2)
        return None
    if direction == "none":
        return 1
    processed = max(0, expected - residue)
    if direction == "in":
        processed = min(processed, moved)
        return 4 if processed == 0 else 5 if processed < expected else 6
    return 9 if processed == 0 else 11 if processed < expected else 12


def _disagreement(direction: str, wish: Direction | None) -> int | None:
    """Phase error: the device wanted more than the host announced, or the other direction."""
    cases: dict[tuple[str, str | None], int] = {
        ("none", "in"): 2, ("none", "out"): 3, ("in", "in"): 7, ("in", "out"): 8, ("out", "in"): 10, ("out", "out"): 13,
    }  # fmt: skip
    return cases.get((direction, wish))
