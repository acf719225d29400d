"""What transport hands on besides exchanges."""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.capture.transfer import Piece


@dataclass(slots=True, eq=False)
class Stray:
    """Bulk traffic on storage endpoints that belongs to no exchange, with the reason in one line.

    ``kind`` is a stable word: "invalid command" (a CBW that is not valid, BOT 1.0 6.2.1), "stray status" (a CSW that
    answers nothing), "stray data", "stray stall" or "stray error". ``exchange`` is the exchange that it seems to
    belong to, 0 if none.
    """

    time_ns: int
    bus: int
    address: int
    endpoint: int
    kind: str
    reason: str
    piece: Piece
    records: tuple[int, ...]
    exchange: int = 0
