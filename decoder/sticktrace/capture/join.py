"""Joining the two halves of a transfer: submissions wait here for their completions.

Ids are addresses of host structures: they are reused, and an emulator's recording gives all control transfers the
id 0 and completes SET_ADDRESS on the new address. So a half is joined to the *latest* waiting submission with the
same id and endpoint, and nothing else is asked of it. A half that finds no partner is kept, marked by what it lacks:
``completed_ns`` -1 and ``status`` None without a completion, ``submitted_ns`` -1 without a submission.

Some recordings hold only the halves that carry payload: what goes out as it is submitted, what comes in as it
completes. `lacks_empty_halves` sees that, and `AtOnce` then hands each transfer on with its only half.

A bus that was recorded through two interfaces of the recorder has every half twice, microseconds apart. A host never
submits an id again that still waits, nor completes one twice, so such a half is told for certain and dropped.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Iterator
from typing import Any

from sticktrace.capture.transfer import BULK, CONTROL, Transfer

_COMMAND_SIZES = (31, 32)
"""Of a CBW (BOT 1.0 5.1) and of a command IU without additional bytes (INCITS 471)."""

MANY = 256
"""With more submissions waiting than any healthy host keeps, searching through them for each answer would be slow."""


REPEATED = "records that repeat another one: the bus was recorded twice"
SAME_NS = 200_000
"""How far apart the two records of one event may be; each recorder reads the clock for itself."""

MOST_ENDED = 1024

MOST_BESIDE = 16
"""So many submissions may wait beside transfers that are taken in bulk: hubs and keyboards are always asked."""


class Joiner:
    """Holds the submissions that wait for a completion. Memory grows only with the number of those. Halves that repeat
    another one are counted in ``skipped``."""

    __slots__ = ("_ended", "_skipped", "_twice", "waiting")

    def __init__(self, skipped: Counter[str]) -> None:
        self.waiting: dict[Hashable, Transfer] = {}
        self._skipped, self._twice = skipped, False
        self._ended: dict[Hashable, Transfer] = {}

    def submit(self, key: Hashable, transfer: Transfer) -> Transfer | None:
        """Keep a submission. Returns the earlier one of the same id that never completed, if there is one."""
        earlier = self.waiting.pop(key, None)
        if earlier is not None and _same(earlier, transfer):
            self._skipped[REPEATED] += 1
            self._twice = True
            self.waiting[key] = earlier
            return None
        self.waiting[key] = transfer
        return earlier

    def repeats(self, key: Hashable, endpoint: int, status: int | None, actual: int, time_ns: int) -> bool:
        """Whether a completion that ends nothing is the last one of its id once more; if so, it is counted. Only a
        recording that has shown repeated submissions is looked at: nothing else tells a repetition from a half that
        merely looks alike."""
        ended = self._ended.get(key) if self._twice else None
        if ended is None or ended.endpoint != endpoint or abs(time_ns - ended.completed_ns) > SAME_NS:
            return False
        if ended.status != status or ended.actual not in (actual, 0, ended.requested):
            return False
        self._skipped[REPEATED] += 1
        return True

    def take(self, key: Hashable, endpoint: int) -> Transfer | None:
        """The submission that a completion on this endpoint ends, or None if that half was not recorded."""
        transfer = self.waiting.get(key)
        if transfer is None or transfer.endpoint != endpoint:
            return None
        del self.waiting[key]
        if self._twice:
            if len(self._ended) > MOST_ENDED:
                self._ended.clear()
            self._ended[key] = transfer
        return transfer

    def alone(self, transfer: Transfer, time_ns: int) -> Transfer:
        """A completion whose submission was not recorded."""
        return transfer

    def rest(self, last_ns: int) -> Iterator[Transfer]:
        """At the end of a capture, ``last_ns`` its last record: the submissions that still wait, in order."""
        left = list(self.waiting.values())
        self.waiting.clear()
        for transfer in left:
            transfer.waited_ns = max(0, last_ns - transfer.submitted_ns)
            yield transfer

    def command_before(self, time_ns: int) -> bool:
        """Whether what may be a command was submitted before a time and still waits: its exchange comes first."""
        if len(self.waiting) > MANY:
            return False
        return any(
            transfer.kind == BULK
            and transfer.submitted_ns < time_ns
            and transfer.requested in _COMMAND_SIZES
            and not transfer.endpoint & 0x80
            for transfer in self.waiting.values()
        )

    def undisturbed(self, bus: int, address: int, idents: Any) -> bool:
        """Whether transfers of a device that come one after the other, halves with these ``idents`` (a numpy array),
        can have nothing to do with what waits now, and no command waits that came before them."""
        if self._twice or self.__class__ is not Joiner or len(self.waiting) > MOST_BESIDE:
            return False
        for key, transfer in self.waiting.items():
            mine = (transfer.bus, transfer.address) == (bus, address)
            command = transfer.requested in _COMMAND_SIZES and not transfer.endpoint & 0x80
            if transfer.kind == BULK and (mine or command):
                return False
            ident = key[0] if isinstance(key, tuple) else key
            if not isinstance(ident, int) or (ident > 0 and (idents == ident).any()):
                return False
        return True

    def overdue(self, bus: int, address: int, endpoints: Iterable[int], before_ns: int) -> list[Transfer]:
        """Submissions to these pipes of a device made before a time, taken out: what came since shows that they ended,
        so their completions were lost from the recording. Where very many wait, none is looked for."""
        if len(self.waiting) > MANY:
            return []
        late = [
            (key, transfer)
            for key, transfer in self.waiting.items()
            if transfer.endpoint in endpoints
            and transfer.address == address
            and transfer.bus == bus
            and transfer.kind == BULK
            and transfer.submitted_ns < before_ns
        ]
        for key, _ in late:
            del self.waiting[key]
        return [transfer for _, transfer in late]


class AtOnce(Joiner):
    """The joiner of a recording without empty halves. The half that is there stands for both: what was submitted counts
    as sent at that time."""

    __slots__ = ()

    def submit(self, key: Hashable, transfer: Transfer) -> Transfer | None:
        if transfer.incoming:  # a control request; its setup packet is payload
            return super().submit(key, transfer)
        transfer.status = 0
        return transfer

    def alone(self, transfer: Transfer, time_ns: int) -> Transfer:
        transfer.submitted_ns = time_ns
        return transfer


def lacks_empty_halves(transfers: Iterable[Transfer]) -> bool:
    """Whether transfers, joined as usual and with the submissions that still wait behind them, have no half without
    payload, though bulk data went both ways: no submission of a read or without its data, no completion of what went
    out, none of a read with nothing in it."""
    sent = came = False
    for transfer in transfers:
        incoming, ended = transfer.incoming, transfer.completed_ns >= 0
        if transfer.kind != CONTROL and transfer.submitted_ns >= 0 and (incoming or not transfer.captured):
            return False
        if ended and not (incoming and transfer.actual):
            return False
        sent = sent or (not incoming and transfer.kind == BULK)
        came = came or (incoming and transfer.kind == BULK)
    return sent and came


def _same(earlier: Transfer, later: Transfer) -> bool:
    """Whether two submissions of one id are one event."""
    return (
        0 <= later.submitted_ns - earlier.submitted_ns <= SAME_NS
        and earlier.endpoint == later.endpoint
        and earlier.address == later.address
        and earlier.bus == later.bus
        and earlier.kind == later.kind
        and earlier.setup == later.setup
        and earlier.requested == later.requested
        and earlier.captured == later.captured
    )
