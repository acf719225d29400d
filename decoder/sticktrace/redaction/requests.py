"""Data of control requests: what describes a device by the standards stays, words and numbers of its own do not.

Follows USB 2.0 9.4 and 9.6 (standard requests and descriptors), 11.24 (hubs), USB 3.0 9.6 (BOS), BOT 1.0 3.2 and HID
1.11 6.2. What no row knows is replaced whole: a class or vendor request can carry anything.
"""

from __future__ import annotations

from sticktrace.redaction import identity
from sticktrace.redaction.filler import Keep, Scrambler

_DEVICE, _CONFIGURATION, _STRING, _QUALIFIER, _OTHER_SPEED, _BOS = 1, 2, 3, 6, 7, 0x0F
_HID, _HUB, _HUB_SUPER = 0x21, 0x29, 0x2A
_LANGUAGES, _OS_STRING = 0, 0xEE
_DESCRIBES = frozenset({*range(1, 0x10), _HID, 0x24, 0x25, _HUB, _HUB_SUPER, 0x30, 0x31})
"""Types of descriptor within a configuration that hold numbers only: standard ones, HID, pipe usage, companions."""
_STATUS, _GET_DESCRIPTOR, _SET_DESCRIPTOR = 0, 6, 7
_SHORT = {_STATUS: 8, 8: 1, 10: 1, 12: 2, 0x30: 6}
"""Standard requests with a short answer of numbers: GET_STATUS, GET_CONFIGURATION, GET_INTERFACE, SYNCH_FRAME,
SET_SEL; bytes of it."""
_KIND, _STANDARD, _CLASS = 0x60, 0x00, 0x20
_FEW = 2
"""Bytes of a class request that tell a number at most, as Get Max LUN does."""

Made = tuple[bytes, str]
"""Data of the copy, and what kind of thing was replaced."""


def redacted(
    scrambler: Scrambler, keep: Keep, setup: tuple[int, int, int], data: bytes, serial: int | None
) -> Made:  # fmt: skip
    """The data of a request; ``setup`` is bmRequestType, bRequest and wValue, ``serial`` the index of the string that
    the device calls its serial number."""
    request_type, request, value = setup
    kind = request_type & _KIND
    if kind == _STANDARD and request in (_GET_DESCRIPTOR, _SET_DESCRIPTOR):
        return _descriptor(scrambler, keep, value, data, serial)
    if kind == _STANDARD and request in _SHORT:
        return _kept(scrambler, keep, data, _SHORT[request])
    hub = kind == _CLASS and request_type & 0x1F in (0, 3) and request in (_STATUS, _GET_DESCRIPTOR)
    if hub and (request == _STATUS or value >> 8 in (0, _HUB, _HUB_SUPER)):
        return _kept(scrambler, keep, data, 16)
    return _kept(scrambler, keep, data, _FEW if kind == _CLASS and len(data) <= _FEW else 0)


def _kept(scrambler: Scrambler, keep: Keep, data: bytes, count: int, kind: str = "data of requests") -> Made:
    if keep.contents:
        return data, kind
    return data[:count] + scrambler.fill(data[count:]), kind


def _descriptor(scrambler: Scrambler, keep: Keep, value: int, data: bytes, serial: int | None) -> Made:
    kind, index = value >> 8, value & 0xFF
    size = data[0] if data else 0
    if kind == _STRING and index != _LANGUAGES:
        return _string(scrambler, keep, index, data, serial)
    if kind in (_CONFIGURATION, _OTHER_SPEED):
        return _configuration(scrambler, keep, data)
    if kind == _BOS:
        made = data if keep.serials else identity.capabilities(scrambler, data)
        end = int.from_bytes(data[2:4], "little")
        return (made if keep.contents else made[:end] + scrambler.fill(made[end:])), "serial numbers"
    known = kind in (_DEVICE, _STRING, _QUALIFIER, _HID)
    return _kept(scrambler, keep, data, size if known else 0, "descriptors")


def _string(scrambler: Scrambler, keep: Keep, index: int, data: bytes, serial: int | None) -> Made:
    """A string descriptor; what lies behind its end is no part of it."""
    end = data[0] if data else 0
    text, rest = data[2:end], data[end:] if end >= 2 else data[2:]
    own = index == serial
    if index != _OS_STRING and not (keep.serials if own else keep.strings):
        text = scrambler.utf16(text, b"serial" if own else b"string")
    made = data[:2] + text + (rest if keep.contents else scrambler.fill(rest))
    return made[: len(data)], "serial numbers" if own else "strings"


def _configuration(scrambler: Scrambler, keep: Keep, data: bytes) -> Made:
    """A configuration and all that it holds; descriptors of a vendor keep their head."""
    if keep.contents:
        return data, "descriptors"
    out, at = bytearray(data), 0
    end = min(len(data), max(9, int.from_bytes(data[2:4], "little")))
    while at + 2 <= end and data[at] >= 2:
        following = min(end, at + data[at])
        if data[at + 1] not in _DESCRIBES:
            out[at + 2 : following] = scrambler.fill(data[at + 2 : following])
        at = following
    out[at:] = scrambler.fill(data[at:])
    return bytes(out), "descriptors"
