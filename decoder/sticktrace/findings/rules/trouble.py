"""What the ends of an exchange's transfers mean: error numbers and reasons, sorted by what a person would call them."""

from __future__ import annotations

from sticktrace.bus.events import Happening
from sticktrace.findings.aftermath import Aftermath
from sticktrace.sticks.learning import cut_short
from sticktrace.transport.items import Exchange
from sticktrace.transport.remarks import Why, reason
from sticktrace.transport.remarks import statuses as statuses_of

__all__ = [
    "BABBLE", "BUS_ERROR", "GONE", "SOON_NS", "TIMED_OUT", "WAIT_NS", "cut_short", "ends_open", "left", "statuses",
    "went_away",
]  # fmt: skip

TIMED_OUT = frozenset((-110, -104, -2))
"""The host gave up waiting: timed out, or cancelled the transfer (kernel documentation, "USB error codes")."""
BUS_ERROR = frozenset((-71, -84, -62))
"""No sound answer on the bus: protocol error, CRC, no response in time."""
GONE = frozenset((-108, -19))
BABBLE = -75
SOON_NS = 3_000_000_000
"""So soon after a failure a disconnection belongs to it: hubs report within a quarter second, hosts may be slow to read
(common practice)."""
WAIT_NS = 1_000_000_000
"""A wait after which a host may have given up by itself (common practice: 1 s and more)."""


def statuses(exchange: Exchange) -> set[int]:
    """The error statuses of the transfers of an exchange."""
    return statuses_of(exchange.remarks)


def ends_open(exchange: Exchange) -> bool:
    """Whether the capture ends, or goes on without a word to the device, before the exchange is over."""
    return reason(exchange.remarks) is Why.CAPTURE_ENDS


def left(exchange: Exchange) -> bool:
    """Whether the device went away while the exchange was open, as its own remarks tell."""
    return reason(exchange.remarks) is Why.GONE or bool(statuses(exchange) & GONE)


def went_away(aftermath: Aftermath) -> bool:
    """Whether the device left while the command was open: a disconnection at once. One that comes long after the host
    gave up on the command is not why it failed."""
    trouble = aftermath.trouble
    if not isinstance(trouble, Exchange):
        return False
    detached = next((event for event in aftermath.events if event.kind is Happening.DETACHED), None)
    if detached is None:
        return left(trouble)
    gave_up = bool(statuses(trouble) & TIMED_OUT) and trouble.duration_ns >= WAIT_NS
    return detached.time_ns - trouble.end_ns < (WAIT_NS if gave_up else SOON_NS)
