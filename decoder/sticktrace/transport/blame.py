"""Which failure of the bus a line of a log tells of: so that what the host made of an error stands beside it."""

from __future__ import annotations

from collections import deque

from sticktrace.bus.requests import Request
from sticktrace.capture.logs import Kind
from sticktrace.transport.items import PASSED, UNTOLD, Exchange, Saying

SOON_NS = 2_000_000_000
"""A host says what it makes of a failure within this time (common practice: it is printed as it is handled)."""

PATIENT_NS = 65_000_000_000
"""What is said of a command that hung comes when its time is up: 30 s where nothing else is set, and after a reset."""

_KEPT = 64
_OF_COMMANDS = frozenset((Kind.COMMAND_FAILED, Kind.IO_ERROR, Kind.ABORT, Kind.NO_MEDIUM, Kind.NOT_READY))
_OF_REQUESTS = frozenset((
    Kind.DESCRIPTOR_ERROR, Kind.ADDRESS_REFUSED, Kind.CONFIGURATION_ERROR, Kind.ENUMERATION_FAILED,
))  # fmt: skip
_OF_EITHER = frozenset((Kind.RESET, Kind.UNPLUGGED, Kind.OFFLINE, Kind.TRANSPORT_ERROR, Kind.FILE_SYSTEM))


class Blame:
    """Show it each failed exchange and request with `failed`; `of` gives the one that a saying is about."""

    def __init__(self) -> None:
        self._failed: deque[Exchange | Request] = deque(maxlen=_KEPT)

    def failed(self, item: Exchange | Request) -> None:
        """Something that did not end well; a command of which a log alone tells is left out."""
        if isinstance(item, Request) or not (item.told or item.status in (PASSED, UNTOLD)):
            self._failed.append(item)

    def of(self, saying: Saying) -> Exchange | Request | None:
        """The last failure that it can be about, None for none."""
        kind, block = saying.statement.kind, saying.statement.get("cdb", b"")
        for item in reversed(self._failed):
            late = saying.time_ns - item.end_ns
            if item.device is not saying.device or late > PATIENT_NS:
                continue
            if block and kind is Kind.COMMAND_FAILED:
                if isinstance(item, Exchange) and item.cdb.startswith(bytes(block)):
                    return item
            elif late <= SOON_NS and _fits(kind, item):
                return item
        return None


def _fits(kind: Kind, item: Exchange | Request) -> bool:
    return kind in _OF_EITHER or kind in (_OF_COMMANDS if isinstance(item, Exchange) else _OF_REQUESTS)
