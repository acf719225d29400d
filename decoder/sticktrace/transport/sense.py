"""Sense data boiled down to key, ASC and ASCQ (SPC-4 4.5); the storage room reads the rest of it."""

from __future__ import annotations


def boil(data: bytes) -> tuple[int, int, int] | None:
    """Key, additional sense code, qualifier from fixed (70h, 71h) or descriptor (72h, 73h) sense; None where the data
    is not sense or too short to hold a key. Codes beyond the end of short fixed data count as 0 (SPC-4 4.5.3)."""
    if not data:
        return None
    code = data[0] & 0x7F
    if code in (0x70, 0x71):
        if len(data) < 3:
            return None
        asc = data[12] if len(data) > 12 else 0
        ascq = data[13] if len(data) > 13 else 0
        return data[2] & 0x0F, asc, ascq
    if code in (0x72, 0x73) and len(data) >= 4:
        return data[1] & 0x0F, data[2], data[3]
    return None
