"""What packets add to a transfer, and who told the speed and the place of a device."""

from __future__ import annotations

from typing import NamedTuple


class Wire(NamedTuple):
    """What only a recording of packets shows of one transfer.

    ``packets`` are those that count for it: tokens, data and handshakes of transactions that moved or ended it.
    ``naks`` counts answers NAK, ``nak_ns`` the time from the first of each row of them to the answer that came at last.
    ``retries`` counts attempts that failed and were made again, ``repeats`` data that the receiver had already and
    discarded, ``unseen`` packets that must have been there and are not in the recording. ``short`` tells that a packet
    shorter than the endpoint's largest, or none at all, ended it."""

    packets: int
    naks: int = 0
    nak_ns: int = 0
    retries: int = 0
    repeats: int = 0
    unseen: int = 0
    short: bool = False


def together(first: Wire | None, second: Wire | None) -> Wire | None:
    """What packets add to two transfers as one; what ended the second ended both."""
    if first is None or second is None:
        return first or second
    counts = [one + other for one, other in zip(first[:-1], second[:-1], strict=True)]
    return Wire._make([*counts, second.short])


class Told(NamedTuple):
    """What a capture's own headers or tokens tell of a device: ``speed`` ("low", "full", "high", "super" or "") and
    ``source``, who says so; ``place``, where it is plugged in, in words, or ""."""

    speed: str
    source: str
    place: str = ""
