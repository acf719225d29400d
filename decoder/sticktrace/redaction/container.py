"""The words that a recorder put into a pcapng container: comments, names of the machine, its system and interfaces.

Follows draft-ietf-opsawg-pcapng: options of the Section Header and Interface Description blocks, and comments anywhere.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import Any

from sticktrace.capture.packets import RENDERED

_SECTION, _INTERFACE, _SIMPLE, _ENHANCED, _OLD = 0x0A0D0D0A, 1, 3, 6, 2
_FIXED = {_SECTION: 16, _INTERFACE: 8}
"""Bytes between a block's head and its options."""
_WORDS = {
    _SECTION: frozenset({1, 2, 3, 4}),  # comment, hardware, operating system, application
    _INTERFACE: frozenset({1, 2, 3, 4, 5, 6, 7, 11, 12, 15}),  # comment, names, addresses, filter, system, hardware
    _ENHANCED: frozenset({1}),
    _OLD: frozenset({1}),
}
"""Options that hold words or addresses, by block type."""

_OWN = RENDERED.encode()
"""Words of sticktrace itself: that packets were rendered must not be lost."""


Put = Callable[[int, bytes], None]
"""Bytes of the copy, from a place on, become these."""


def blank_words(view: Any, put: Put) -> int:
    """Overwrites those options with ``x``; returns how many. Stops where the blocks stop making sense."""
    count = 0
    for kind, start, end, order in _blocks(view):
        if kind in (_SECTION, _INTERFACE):
            at = start + 8 + _FIXED[kind]
        elif kind in (_ENHANCED, _OLD):
            (captured,) = struct.unpack_from(order + "I", view, start + 20)
            at = start + 28 + (captured + 3 & ~3)
        elif kind == _SIMPLE:
            continue
        else:
            count += _blank_unknown(put, start, end)
            continue
        for option, place, length in _options(view, at, end - 4, order):
            if option in _WORDS[kind] and length and bytes(view[place : place + length]) != _OWN:
                put(place, b"x" * length)
                count += 1
    return count


def _blank_unknown(put: Put, start: int, end: int) -> int:
    """A block of another type (name resolution, statistics, a recorder's own) goes blank as a whole."""
    put(start + 8, bytes(end - start - 12))
    return 1


def _blocks(view: Any) -> Iterator[tuple[int, int, int, str]]:
    """(type, start, end, byte order) of each block."""
    at, order = 0, "<"
    while at + 12 <= len(view):
        if view[at : at + 4] == b"\x0a\x0d\x0d\x0a":
            order = "<" if view[at + 8 : at + 12] == b"\x4d\x3c\x2b\x1a" else ">"
        kind, length = struct.unpack_from(order + "II", view, at)
        least = 28 if kind in (_SECTION, _ENHANCED, _OLD) else 12
        if length < least or length % 4 or at + length > len(view):
            return
        yield kind, at, at + length, order
        at += length


def _options(view: Any, at: int, end: int, order: str) -> Iterator[tuple[int, int, int]]:
    """(code, place, length) of each option."""
    while at + 4 <= end:
        code, length = struct.unpack_from(order + "HH", view, at)
        if code == 0 or at + 4 + length > end:
            return
        yield code, at + 4, length
        at += 4 + (length + 3 & ~3)
