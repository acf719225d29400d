"""Data by which a device tells who it is, with the same layout and other words: INQUIRY, GET CONFIGURATION, BOS.

Follows SPC-4 6.4.2 (standard INQUIRY data) and 7.8 (vital product data), MMC-6 5.3 (features), USB 3.0 9.6.2 (BOS).
"""

from __future__ import annotations

from sticktrace.redaction.filler import Scrambler

_STANDARD, _SERIAL, _NAMES = -1, 0x80, 0x83
_PLAIN_PAGES = frozenset({0x00, 0x86, 0x87, *range(0xB0, 0xC0)})
"""Vital product data that describes abilities and holds nothing private: list of pages, extended INQUIRY data, mode
page policy, limits and characteristics."""
_LONGEST_PLAIN = 64
"""Bytes of such a page that have a meaning (SPC-4 7.8.7, SBC-3 6.6)."""
_SERIAL_FEATURE = 0x0108
_CAPABILITY, _CONTAINER, _PLATFORM = 0x10, 0x04, 0x05


def inquiry_kind(page: int) -> tuple[str, str]:
    """What the data of an INQUIRY holds, in words, and whether that is "strings", "serials" or "contents";
    ``page`` is -1 for standard data."""
    if page == _STANDARD:
        return "identity strings", "strings"
    return ("answers with more than the standards describe", "contents") if page in _PLAIN_PAGES else (
        "serial numbers", "serials")  # fmt: skip


def inquiry(scrambler: Scrambler, page: int, old: bytes) -> bytes:
    """INQUIRY data with its words replaced; a page of no known layout (ATA information, a vendor's own) whole."""
    if page == _STANDARD:
        # SPC-4 6.4.2: vendor 8-15, product 16-31, revision 32-35, vendor specific 36-55 and from 96 on, reserved 74-95.
        return old[:8] + scrambler.ascii(old[8:56], b"inquiry") + old[56:74] + bytes(len(old[74:]))
    if page in _PLAIN_PAGES:
        end = min(_LONGEST_PLAIN, 4 + int.from_bytes(old[2:4], "big"))
        return old[:end] + scrambler.fill(old[end:])
    if page == _SERIAL:
        return old[:4] + scrambler.ascii(old[4:], b"serial")
    return _names(scrambler, old) if page == _NAMES else old[:4] + scrambler.fill(old[4:])


def _names(scrambler: Scrambler, old: bytes) -> bytes:
    """VPD page 83h (SPC-4 7.8.6): the identifier of each designator, not its head. A binary one keeps its first byte,
    which tells its format."""
    out, at = bytearray(old), 4
    while at + 4 <= len(old):
        end = min(len(old), at + 4 + old[at + 3])
        raw = old[at + 4 : end]
        if old[at] & 15 == 1:
            filler = scrambler.digest(raw) * 4
            out[at + 4 : end] = (raw[:1] + filler)[: len(raw)]
        else:
            out[at + 4 : end] = scrambler.ascii(raw, b"serial")
        at = max(end, at + 4)
    return bytes(out)


def features(scrambler: Scrambler, old: bytes) -> bytes:
    """GET CONFIGURATION data (MMC-6 6.6.2): the Logical Unit Serial Number feature."""
    out, at = bytearray(old), 8
    while at + 4 <= len(old):
        end = min(len(old), at + 4 + old[at + 3])
        if int.from_bytes(old[at : at + 2], "big") == _SERIAL_FEATURE:
            out[at + 4 : end] = scrambler.ascii(old[at + 4 : end], b"serial")
        at = end
    return bytes(out)


def capabilities(scrambler: Scrambler, old: bytes) -> bytes:
    """A BOS descriptor (USB 3.0 9.6.2.3): the container identifier, which no two devices share, and what a
    platform or vendor put there (USB 3.1 9.6.2.4)."""
    out, at = bytearray(old), 5
    while at + 3 <= len(old) and old[at] >= 3:
        end = min(len(old), at + old[at])
        if old[at + 1] == _CAPABILITY and old[at + 2] in (_CONTAINER, _PLATFORM):
            out[at + 4 : end] = scrambler.digest(old[at + 4 : end])[: len(old[at + 4 : end])]
        at = end
    return bytes(out)
