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


CASES = {
    1: "Hn = Dn: no data expected, none intended",
    2: "Hn < Di: the device had data, the host expected none",
    3: "Hn < Do: the device wanted data, the host expected none to go",
    4: "Hi > Dn: the host expected data, none counts",
    5: "Hi > Di: the device had less than the host expected",
    6: "Hi = Di: host and device agree",
    7: "Hi < Di: the device had more than the host expected",
    8: "Hi <> Do: the host expected data, the device wanted some",
    9: "Ho > Dn: the host sent data, the device took none",
    10: "Ho <> Di: the host sent data, the device had some",
    11: "Ho > Do: the device took less than the host sent",
    12: "Ho = Do: host and device agree",
    13: "Ho < Do: the device wanted more than the host sent",
}
"""The cases of BOT 1.0 6.7 in words."""


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
