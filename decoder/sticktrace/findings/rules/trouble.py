"""What the transport's remarks on an exchange mean: one place that reads `Exchange.notes`."""

from __future__ import annotations

import re

from sticktrace.sticks.subject import Aftermath
from sticktrace.transport.exchange import Exchange

_STATUS = re.compile(r"(?:\bstatus |[A-Z] \()(-\d+)\b")
"""As `sticktrace.codes.status.in_words` writes it: "EPROTO (-71): ...", or "status -71"."""

TIMED_OUT = frozenset((-110, -104, -2))
"""The host gave up waiting: timed out, or cancelled the transfer (kernel documentation, "USB error codes")."""
BUS_ERROR = frozenset((-71, -84, -62))
"""No sound answer on the bus: protocol error, CRC, no response in time."""
GONE = frozenset((-108, -19))
BABBLE = -75
WAIT_NS = 1_000_000_000
"""A wait after which a host may have given up by itself (common practice: 1 s and more)."""


def statuses(exchange: Exchange) -> set[int]:
    """The error statuses of the transfers of an exchange."""
    return {int(number) for note in exchange.notes for number in _STATUS.findall(note)}


def status_in(text: str) -> int:
    """The error status that a remark names, 0 if none."""
    found = _STATUS.search(text)
    return int(found[1]) if found else 0


def has(exchange: Exchange, *phrases: str) -> bool:
    """Whether any remark holds any of these phrases."""
    return any(phrase in note for note in exchange.notes for phrase in phrases)


def ends_open(exchange: Exchange) -> bool:
    """Whether the capture ends, or goes on without a word to the device, before the exchange is over."""
    return has(exchange, "the capture ends")


def cut_short(exchange: Exchange) -> bool:
    """Whether the recording, not the bus, is why the exchange is incomplete."""
    return has(exchange, "the capture ends", "not recorded", "beyond what was captured", "configured anew")


def waited(aftermath: Aftermath) -> int:
    """How long the host waited: to the end of the last transfer, or to the reset that it then asked for."""
    trouble = aftermath.trouble
    if not isinstance(trouble, Exchange):
        return 0
    resets = [e.time_ns for e in aftermath.events if e.kind in ("reset", "class reset")]
    return max(trouble.duration_ns, (resets[0] - trouble.time_ns) if resets else 0)
