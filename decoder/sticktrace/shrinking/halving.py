"""Taking out as much as can be: halves first, then quarters, down to single groups (delta debugging)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

Group = Sequence[int]
"""Numbers of pieces that are taken out together."""


def halved(groups: list[Group], works: Callable[[list[Group]], bool]) -> list[Group]:
    """The groups that are left when all that can go has gone, in order. ``works`` says whether what is left without
    some groups will still do; it is asked with those groups. No single one of the rest can go."""
    kept = groups
    size = max(1, len(kept) // 2)
    while kept:
        before, at = len(kept), 0
        while at < len(kept):
            if works(kept[at : at + size]):
                kept = kept[:at] + kept[at + size :]
            else:
                at += size
        if size == 1 and len(kept) == before:
            break
        size = max(1, min(size, len(kept)) // 2)
    return kept
