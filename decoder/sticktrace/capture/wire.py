"""What packets add to a transfer, and who told the speed and the place of a device."""

from __future__ import annotations

from typing import NamedTuple

MOST_MOVED = 16
"""Transfers of one exchange whose packets are told one by one; an exchange has three, a retried one a few more."""


class Moved(NamedTuple):
    """The data packets of one transfer: on which ``endpoint`` (bit 7 for IN), how many counted, how many frames
    (microframes at high speed) they were spread over, 0 where no speed is known, and the data PIDs of the first and of
    the last."""

    endpoint: int
    packets: int
    frames: int
    first: int
    last: int


class Wire(NamedTuple):
    """What only a recording of packets shows of one transfer, or of all those of an exchange.

    ``packets`` are those that count for it: tokens, data and handshakes of transactions that moved or ended it.
    ``naks`` counts answers NAK, ``nak_ns`` the time from the first of each row of them to the answer that came at last.
    ``retries`` counts attempts that failed and were made again, ``repeats`` data that the receiver had already and
    discarded, ``unseen`` packets that must have been there and are not in the recording. ``short`` tells that a packet
    shorter than the endpoint's largest, or none at all, ended it. ``bus_ns`` is how long the bus was taken by the
    packets that count, 0 where no speed is known. ``moved`` are the transfers that had data packets, at most
    `MOST_MOVED`."""

    packets: int
    naks: int = 0
    nak_ns: int = 0
    retries: int = 0
    repeats: int = 0
    unseen: int = 0
    short: bool = False
    bus_ns: int = 0
    moved: tuple[Moved, ...] = ()

    @property
    def plain(self) -> bool:
        """Whether everything went over at the first attempt, as far as the recording goes."""
        return not (self.retries or self.repeats or self.unseen)

    @property
    def densest(self) -> Moved | None:
        """The transfer with most data packets; None where nothing moved."""
        return max(self.moved, key=lambda moved: moved.packets, default=None)


def together(first: Wire | None, second: Wire | None) -> Wire | None:
    """What packets add to two transfers as one; what ended the second ended both."""
    if first is None or second is None:
        return first or second
    moved = (first.moved + second.moved)[:MOST_MOVED]
    return Wire(
        first.packets + second.packets, first.naks + second.naks, first.nak_ns + second.nak_ns,
        first.retries + second.retries, first.repeats + second.repeats, first.unseen + second.unseen, second.short,
        first.bus_ns + second.bus_ns, moved,
    )  # fmt: skip


class Told(NamedTuple):
    """What a capture's own headers or tokens tell of a device: ``speed`` ("low", "full", "high", "super" or "") and
    ``source``, who says so; ``place``, where it is plugged in, in words, or ""."""

    speed: str
    source: str
    place: str = ""
