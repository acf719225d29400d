"""The thirteen cases of BOT 1.0 6.7: what the host expected (H) against what the device intended (D).

The device's intent is not on the bus. It is told from what can be seen: the command's own direction, the bytes that
moved, the residue and the status. Where these do not settle it, there is no case.
"""

from __future__ import annotations

from sticktrace.transport.items import FAILED, PASSED, PHASE_ERROR

_IN = frozenset(
    (0x03, 0x08, 0x12, 0x1A, 0x1C, 0x23, 0x25, 0x28, 0x37, 0x3C, 0x43, 0x44, 0x46, 0x4A, 0x4D, 0x51, 0x52, 0x5A,
     0x5C, 0x5E, 0x88, 0x9E, 0xA0, 0xA2, 0xA8, 0xAD, 0xB7, 0xB9, 0xBD, 0xBE)
)  # fmt: skip
_OUT = frozenset(
    (0x04, 0x0A, 0x15, 0x1D, 0x2A, 0x2E, 0x3B, 0x41, 0x4C, 0x55, 0x5F, 0x8A, 0x8E, 0x93, 0xAA, 0xAE, 0xB5)
)
_NONE = frozenset((0x00, 0x01, 0x0B, 0x16, 0x17, 0x1B, 0x1E, 0x2B, 0x2F, 0x34, 0x35, 0x8F, 0x91, 0xA6, 0xBB))
_EITHER = frozenset((0x42, 0xA3, 0xA4))
"""UNMAP or READ SUB-CHANNEL, MAINTENANCE IN or SEND KEY, MAINTENANCE OUT or REPORT KEY: by the kind of device."""


def intent(cdb: bytes) -> str:
    """The direction that a command block asks of the device: "in", "out", "none", or "" where the opcode alone does
    not tell (SPC, SBC and MMC operation codes)."""
    opcode = cdb[0] if cdb else -1
    if opcode in _EITHER:
        return ""
    if opcode in _IN:
        return "in"
    if opcode in _OUT:
        return "out"
    return "none" if opcode in _NONE else ""


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
        return _disagreement(direction, intent(cdb))
    if residue > expected:  # such a CSW is not meaningful (6.3.2)
        return None
    if direction == "none":
        return 1
    processed = max(0, expected - residue)
    if direction == "in":
        processed = min(processed, moved)
        return 4 if processed == 0 else 5 if processed < expected else 6
    return 9 if processed == 0 else 11 if processed < expected else 12


def _disagreement(direction: str, wish: str) -> int | None:
    """Phase error: the device wanted more than the host announced, or the other direction."""
    return {
        ("none", "in"): 2, ("none", "out"): 3, ("in", "in"): 7, ("in", "out"): 8, ("out", "in"): 10, ("out", "out"): 13,
    }.get((direction, wish))  # fmt: skip
