"""The thirteen cases of BOT 1.0 6.7: what the host expected (H) against what the device intended (D).

The device's intent is not on the bus. It is told from what can be seen: the command's own direction, the bytes that
moved, the residue and the status. Where these do not settle it, there is no case.
"""

from __future__ import annotations

from sticktrace.grammar.direction import IN, NONE, OUT, Direction
from sticktrace.grammar.vocabulary import direction as direction_of
from sticktrace.transport.items import FAILED, PASSED, PHASE_ERROR

_AGREED = {NONE: 1, IN: 6, OUT: 12}
_DISAGREED = {(NONE, IN): 2, (NONE, OUT): 3, (IN, IN): 7, (IN, OUT): 8, (OUT, IN): 10, (OUT, OUT): 13}
"""Case of a phase error by what the host announced and what the command asks for: more, or the other way."""


def case_of(
    cdb: bytes, direction: Direction, expected: int, moved: int, residue: int | None, status: str
) -> int | None:
    """The number 1-13, or None where the capture does not allow it.

    ``direction`` and ``expected`` are the host's (CBW), ``moved`` the bytes seen in the data phase.
    """
    if residue == 0 and moved == expected and status is PASSED:
        return _AGREED[direction]
    if residue is None or status not in (PASSED, FAILED, PHASE_ERROR):
        return None
    if status == PHASE_ERROR:
        wish = direction_of(cdb)
        return _DISAGREED.get((direction, wish)) if wish is not None else None
    if residue > expected:  # such a CSW is not meaningful (6.3.2)
        return None
    if direction is NONE:
        return 1
    processed = max(0, expected - residue)
    if direction is IN:
        processed = min(processed, moved)
        return 4 if processed == 0 else 5 if processed < expected else 6
    return 9 if processed == 0 else 11 if processed < expected else 12
