"""A medium at a glance: how large it is, and what is not certain on it."""

from __future__ import annotations

from sticktrace.volume.doubt import in_doubt
from sticktrace.volume.medium import Medium


def extent_of(medium: Medium) -> int:
    """Blocks of the medium: from READ CAPACITY, else up to the highest block touched."""
    spans = medium.store.spans()
    highest = spans[-1][1] if spans else 0
    last = medium.store.last_lba
    return max(highest, last + 1) if last is not None else highest


def left_uncertain(medium: Medium, as_of: int | None = None) -> list[tuple[int, int, int]]:
    """What a WRITE that did not pass left behind, or UNMAP and the like: (first block, blocks, exchange) of ranges
    whose content is still not certain at the end, or after exchange ``as_of``. The exchange is the first that made it
    so."""
    return [(first, after - first, number) for first, after, number in in_doubt(medium.store, as_of)]
