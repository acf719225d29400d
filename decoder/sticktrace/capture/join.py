"""Joining the two halves of a transfer: submissions wait here for their completions.

Ids are addresses of host structures: they are reused, and an emulator's recording gives all control transfers the
id 0 and completes SET_ADDRESS on the new address. So a half is joined to the *latest* waiting submission with the
same id and endpoint, and nothing else is asked of it. A half that finds no partner is kept, marked by what it lacks:
``completed_ns`` -1 and ``status`` None without a completion, ``submitted_ns`` -1 without a submission.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator

from sticktrace.capture.transfer import BULK, Transfer

_COMMAND_SIZES = (31, 32)
"""Of a CBW (BOT 1.0 5.1) and of a command IU without additional bytes (INCITS 471)."""

MANY = 256
"""With more submissions waiting than any healthy host keeps, searching through them for each answer would be slow."""


class Joiner:
    """Holds the submissions that wait for a completion. Memory grows only with the number of those."""

    __slots__ = ("waiting",)

    def __init__(self) -> None:
        self.waiting: dict[Hashable, Transfer] = {}

    def submit(self, key: Hashable, transfer: Transfer) -> Transfer | None:
        """Keep a submission. Returns the earlier one of the same id that never completed, if there is one."""
        earlier = self.waiting.pop(key, None)
        self.waiting[key] = transfer
        return earlier

    def take(self, key: Hashable, endpoint: int) -> Transfer | None:
        """The submission that a completion on this endpoint ends, or None if that half was not recorded."""
        transfer = self.waiting.get(key)
        if transfer is None or transfer.endpoint != endpoint:
            return None
        del self.waiting[key]
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
