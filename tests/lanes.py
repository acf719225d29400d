"""Hand-made transfers for tests of the transport machines: bytes go into one buffer, transfers point into it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import BULK, STALL, Transfer
from sticktrace.transport.bot import Lane
from sticktrace.transport.items import Exchange, Stray
from sticktrace.transport.sequence import Sequence
from workshop import wire

BULK_IN, BULK_OUT = 0x81, 0x02
STEP_NS = 100_000


class Bench:
    """Makes transfers one after the other; each takes two records and two steps of the clock."""

    def __init__(self) -> None:
        self.payload = bytearray()
        self.records = 0
        self.overdue: list[Transfer] = []

    def read(self, at: int, length: int) -> bytes:
        """Payload bytes, as a reader gives them."""
        return bytes(self.payload[at : at + length])

    def late(self, _bus: int, _address: int, endpoints: Iterable[int], before_ns: int) -> list[Transfer]:
        """The submissions that wait, see `Joiner.overdue`."""
        found = [t for t in self.overdue if t.endpoint in endpoints and t.submitted_ns < before_ns]
        self.overdue = [transfer for transfer in self.overdue if transfer not in found]
        return found

    def bulk(
        self, endpoint: int, data: bytes = b"", *, asked: int = -1, status: int | None = 0, captured: int | None = None
    ) -> Transfer:
        """One bulk transfer that moved ``data``; ``captured`` cuts what was recorded of it."""
        kept = data if captured is None else data[:captured]
        at = len(self.payload)
        self.payload += kept
        numbers = (self.records + 1, self.records + 2)
        self.records += 2
        return Transfer(
            1, 2, endpoint, BULK, requested=max(asked, len(data)), actual=len(data), data_at=at, captured=len(kept),
            status=status, submitted_ns=STEP_NS * numbers[0], completed_ns=STEP_NS * numbers[1], records=numbers,
        )  # fmt: skip

    def cbw(self, length: int = 0, direction: str = "in", *, tag: int = 1, lun: int = 0, cdb: bytes = b"") -> Transfer:
        """A CBW that announces ``length`` bytes; without ``cdb`` a fitting READ(10), WRITE(10) or TEST UNIT READY."""
        fitting = wire.read10(0, length // 512) if direction == "in" else wire.write10(0, length // 512)
        block = cdb or (fitting if length else wire.test_unit_ready())
        return self.out(wire.cbw(tag, length, 0x80 if direction == "in" and length else 0, lun, block))

    def csw(self, residue: int = 0, status: int = 0, *, tag: int = 1) -> Transfer:
        """A CSW."""
        return self.come(wire.csw(tag, residue, status))

    def come(self, data: bytes = b"", **more: Any) -> Transfer:
        """Data from the device."""
        return self.bulk(BULK_IN, data, **more)

    def out(self, data: bytes = b"", **more: Any) -> Transfer:
        """Data to the device."""
        return self.bulk(BULK_OUT, data, **more)

    def stall(self, endpoint: int = BULK_IN, asked: int = 512, data: bytes = b"") -> Transfer:
        """A transfer that the pipe answered with STALL, after ``data`` if there is any."""
        return self.bulk(endpoint, data, asked=asked, status=STALL)

    def waiting(self, endpoint: int = BULK_IN, asked: int = 512, data: bytes = b"") -> Transfer:
        """A transfer that still waits when the capture ends."""
        transfer = self.bulk(endpoint, data, asked=asked, status=None)
        transfer.completed_ns, transfer.waited_ns = -1, 7 * STEP_NS
        return transfer


Step = Transfer | str
"""A transfer, or a signal from elsewhere: "CLEARED IN", "CLEARED OUT", "RESET", "GAP"."""


class Run:
    """A lane that was fed: everything that came out, in order."""

    def __init__(self, bench: Bench, steps: Iterable[Step], *, end: bool = True) -> None:
        self.sequence = Sequence()
        self.lane = Lane(Device(1, 0), 1, 2, self.sequence, bench.read, bench.late, bulk_in=BULK_IN, bulk_out=BULK_OUT)
        self.items: list[Any] = []
        self.states: list[str] = []
        for step in steps:
            self.step(step)
        if end:
            self.end()

    def step(self, step: Step) -> None:
        """Feed one step and take what is ready."""
        if isinstance(step, str):
            self.lane.control(step)
        else:
            self.lane.feed(step)
        self.states.append(self.lane.state)
        self.items += self.sequence.ready()

    def end(self) -> None:
        """The capture ends."""
        self.lane.end()
        self.items += self.sequence.ready()

    @property
    def exchanges(self) -> list[Exchange]:
        """The exchanges that came out."""
        return [item for item in self.items if isinstance(item, Exchange)]

    @property
    def strays(self) -> list[Stray]:
        """The strays that came out."""
        return [item for item in self.items if isinstance(item, Stray)]

    def only(self) -> Exchange:
        """The one exchange that came out, and nothing else."""
        assert len(self.items) == 1 and len(self.exchanges) == 1, self.items
        return self.exchanges[0]
