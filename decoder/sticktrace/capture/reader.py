"""What every capture form offers: transfers in time order, a count of records, and what could not be read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any

from sticktrace.capture.join import REPEATED, AtOnce, Joiner
from sticktrace.capture.packets.events import WireEvents
from sticktrace.capture.transfer import BULK, CONTROL, GAP, Transfer
from sticktrace.capture.unread import Unread
from sticktrace.capture.wire import Told
from sticktrace.text import count_of


@dataclass(frozen=True, slots=True)
class Damage:
    """A place where the capture itself is broken: ``where`` is "byte 1234" or "line 17"."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


_AT_ONCE = (
    "the recording holds only the halves of transfers that carry data; "
    "what was submitted counts as sent, and when a read was asked for is not known"
)


def _all_there() -> bool:
    """Nobody looks after the file."""
    return True


SAID = "what a log says"
"""The place of a line that tells something of a device."""


class Reader:
    """Base of the readers, one per capture form.

    ``data`` is the capture's bytes (memory map, bytes or bytearray). ``payload`` is what `Transfer.data_at` counts in:
    the same object for binary forms, a buffer of decoded bytes for text forms. ``skipped`` counts records that
    belong to no transfer, by reason ("link type 1 is not USB"). ``origin_ns`` is the absolute time of the
    first record in nanoseconds since 1970 (0 where the form has no calendar time), ``last_ns`` the time of the last
    record since the first, ``tick_ns`` how finely times are told, ``timed`` whether they are. ``join_as`` joins the
    halves of transfers. ``unread`` are the lines of a text that were not understood.
    """

    form = ""
    speaks = False
    """Whether it yields what a text says (`sticktrace.capture.logs.Statement`) as well as transfers, or instead."""
    is_text = False
    log_apart = False
    """Whether a kernel's messages stand in the same text, as a log of their own."""
    tick_ns = 1
    timed = True

    def __init__(self, data: Any, join_as: type[Joiner] = Joiner) -> None:
        self.data = data
        self.join_as = join_as
        self.payload: Any = data
        self.link_types: set[int] = set()
        self.records = 0
        self.origin_ns: int | None = None
        self.last_ns = 0
        self.skipped: Counter[str] = Counter()
        self.damage: list[Damage] = []
        self.joiners: list[Joiner] = []
        self.unread = Unread()
        self.wire_events = WireEvents()
        """What a recording of packets shows beyond transfers, see `WireEvents`."""

        self._devices_told: dict[tuple[int, int], Told] = {}
        self.passed: Callable[[], bool] = _all_there
        """Called now and then by a reader that may go on for long without a transfer; returns whether to go on."""

    def transfers(self) -> Iterator[Any]:
        """Transfers completed so far, in order of completion. Ends where whole records end; when ``data`` has grown
        since (a capture still being written), a further call goes on from there."""
        raise NotImplementedError

    def settle(self) -> Iterator[Any]:
        """Nothing has come for a while: what waits only for a line that might go on is taken as it stands. A capture
        that is read at once never needs it."""
        return iter(())

    def finish(self) -> Iterator[Any]:
        """No more will come: reports a cut-off tail as damage and yields the submissions that never completed."""
        raise NotImplementedError

    def traffic(self) -> Iterator[Transfer]:
        """Every transfer, up to the end. What a text says in words is none, and neither is a mark of what is lost."""
        for item in chain(self.transfers(), self.finish()):
            if isinstance(item, Transfer) and item.kind < GAP:
                yield item

    @property
    def position(self) -> int:
        """How many bytes of ``data`` have been taken in, for progress."""
        raise NotImplementedError

    @property
    def places(self) -> Counter[str]:
        """Records that belong to no transfer though they are understood, by place in words."""
        return Counter()

    def tell(self, bus: int, address: int, told: Told) -> None:
        """Take in what a header tells of a device."""
        self._devices_told[bus, address] = told

    def told(self, bus: int, address: int) -> Told | None:
        """What the capture's own headers or tokens tell of the device that has this address now."""
        return self._devices_told.get((bus, address))

    @property
    def assumed(self) -> list[str]:
        """What the form does not say and was taken for granted, in sentences."""
        found = [_AT_ONCE] if self.join_as is AtOnce else []
        twice = self.skipped.get(REPEATED, 0)
        if twice:
            found.append(
                f"{count_of(twice, 'record repeats', 'records repeat')} another one within microseconds: the "
                "bus was recorded through two interfaces; each event is counted once"
            )
        return found

    def waiting(self) -> list[Transfer]:
        """Submissions whose end may be expected and has not come; that of an interrupt may take as long as it likes."""
        return [t for joiner in self.joiners for t in joiner.waiting.values() if t.kind in (BULK, CONTROL)]

    def overdue(self, bus: int, address: int, endpoints: Iterable[int], before_ns: int) -> list[Transfer]:
        """See `Joiner.overdue`."""
        late: list[Transfer] = []
        for joiner in self.joiners:
            if joiner.waiting:
                late += joiner.overdue(bus, address, endpoints, before_ns)
        return late

    def command_before(self, time_ns: int) -> bool:
        """See `Joiner.command_before`."""
        for joiner in self.joiners:  # noqa: SIM110 - asked for each item; a generator takes three times as long
            if joiner.waiting and joiner.command_before(time_ns):
                return True
        return False
