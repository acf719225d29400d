"""From packets to transfers, for one bus segment: stretches of packets in, transfers out in the order in which they
end.

    columns        what each packet is, and whether its check holds
    transactions   token, data, handshake; NAK and SOF are counted here and go no further
    steps          what is left, runs of full packets taken together
    pipe, control  one endpoint's steps become transfers
    party          the device at an address: what its requests and commands do to its pipes

Every packet ends in one place: in a transfer (`Wire.packets`) or in `counts`, in words.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sticktrace.capture.packets import columns, told
from sticktrace.capture.packets.attempts import Attempts
from sticktrace.capture.packets.columns import Packets
from sticktrace.capture.packets.counts import FRAMES, PRECEDED, Counts
from sticktrace.capture.packets.events import LISTENED_FOR, WireEvent
from sticktrace.capture.packets.frames import SILENCE_NS, Frames
from sticktrace.capture.packets.party import Party
from sticktrace.capture.packets.payload import Payload
from sticktrace.capture.packets.pipe import Pipe
from sticktrace.capture.packets.steps import KEYS, Step, Steps
from sticktrace.capture.packets.transactions import MOVED, settle_kinds, transactions, whole
from sticktrace.capture.packets.turns import Turns
from sticktrace.capture.transfer import BULK, Transfer
from sticktrace.capture.wire import Told
from sticktrace.codes import pids

Column = Any


NEVER = 1 << 62
"""Later than any time."""


class Machine:
    """One bus segment. ``speed`` is "low", "full", "high" or "" as long as nothing tells. ``counts`` has the packets
    that belong to no transfer, ``told`` what tokens tell of a device. ``given`` is the
    address that was given last, 0 since a reset that may have taken it back, ``naks_from`` when the first NAK was
    recorded. ``out`` holds transfers that are ready."""

    def __init__(self, speed: str, payload: Payload, counts: Counts) -> None:
        self.bus, self.speed, self.payload, self.counts = counts.bus, speed, payload, counts
        self.count = counts.count
        self.frames, self.turns = Frames(counts), Turns()
        self.parties: dict[int, Party] = {}
        self.told: dict[int, Told] = {}
        self.out: list[Transfer] = []
        self.asking: set[Attempts] = set()
        self.deduced = not speed
        self.given = 0
        self.naks_from = NEVER
        self._last_ns = 0
        self._tick_ns = 0
        self._pipes: dict[int, Pipe] = {}
        self._kept: Packets | None = None
        self._steps: Steps | None = None

    # -- packets -------------------------------------------------------------------------------------------------

    def take(self, raw: Column, packets: Packets, tick_ns: int) -> Iterator[Transfer]:
        """A stretch of packets, timed as finely as this; a transaction that its end cuts waits for the next one."""
        self._tick_ns = tick_ns
        frame = (packets.kind == columns.FRAME) & (packets.fault == columns.GOOD)
        self.frames.take(packets, frame)
        self.count(FRAMES, int(frame.sum()))
        if self.deduced:
            self._deduce(packets)
        packets = packets.only(~frame)
        if self._kept is not None:
            packets = self._kept.then(packets)
        before = len(packets.at)
        packets = settle_kinds(packets)
        self.count(PRECEDED, before - len(packets.at))
        count = whole(packets)
        self._kept = packets.only(slice(count, None))
        if count:
            yield from self._group(raw, packets.only(slice(count)))

    def finish(self, raw: Column, last_ns: int) -> Iterator[Transfer]:
        """No more packets will come, the last one at this time: what waits is taken as it is, and what is under way
        stays open."""
        kept, self._kept = self._kept, None
        if kept is not None and len(kept.at):
            yield from self._group(raw, kept)
        for party in list(self.parties.values()):
            party.rest(last_ns)
        for event in self.turns.late():
            self.counts.report(event)
        yield from self._ready()

    def _group(self, raw: Column, packets: Packets) -> Iterator[Transfer]:
        found = transactions(packets)
        moved = found.data[(found.fate == MOVED) & (found.data >= 0)]
        if self.deduced and not self.speed and told.beyond_full(packets.size[moved] - 3):
            self._learn_speed(told.HIGH)
        self.counts.faults(packets, found)
        self.counts.strays(packets, found)
        self.counts.aside(found)
        self._listen(packets)
        self.turns.take(packets, found, told.PACES.get(self.speed), self._tick_ns)
        self._steps = Steps(packets, found, raw, self._full())
        for step in self._steps:
            self._step(step)
            if self.out:
                yield from self._ready()

    def _listen(self, packets: Packets) -> None:
        """Which packets does the recording hold at all?"""
        for pid in LISTENED_FOR:
            if (self.bus, pid) in self.counts.events.heard or not (rows := (packets.pid == pid).nonzero()[0]).size:
                continue
            self.counts.events.heard.add((self.bus, pid))
            if pid == pids.NAK:
                self.naks_from = int(packets.time_ns[rows[0]])

    def _ready(self) -> Iterator[Transfer]:
        ready, self.out = self.out, []
        yield from ready

    def _step(self, step: Step) -> None:
        pipe = self._pipes.get(step.key) or self._meet(step.key)
        if self.given or self.frames.silences:
            self._after_silence(pipe.party.address, step)
        if step.low or step.split:
            self._told(pipe.party, step)
        pipe.take(step)

    def _after_silence(self, address: int, step: Step) -> None:
        """A step that may be the first after silence: if that was a reset, the address is taken back. Without frames,
        any silence may have been one (7.1.7.5)."""
        quiet = self.frames.followed_by(address, step.began_ns) if self.frames.silences else 0
        if quiet or (not self.frames.count and step.began_ns - self._last_ns > SILENCE_NS):
            self.given = 0
        waited = step.wait_began_ns >= 0 and step.began_ns - step.wait_began_ns > quiet
        at_work = waited or any(pipe.kind == BULK and pipe.begun for pipe in self._pipes.values())
        if quiet and address and at_work:
            self.report("silent at work", step, address, -1, quiet)
        self._last_ns = step.ended_ns
        if self.given and not address and step.token == pids.SETUP and step.answer == pids.ACK:
            self.report("old address", step, 0, 0, self.given)

    def _meet(self, key: int) -> Pipe:
        address, endpoint = key >> 5, key >> 1 & 0x0F | (key & 1) << 7
        party = self.parties.get(address)
        if party is None:
            party = self.parties[address] = Party(self, address)
        pipe = self._pipes[key] = party.pipe(endpoint)
        return pipe

    def _full(self) -> Column:
        """The size of a full packet, by pipe."""
        import numpy as np

        table = np.zeros(KEYS, np.int64)
        for key, pipe in self._pipes.items():
            if pipe.kind == BULK:
                table[key] = pipe.full
        return table

    def command_before(self, time_ns: int) -> bool:
        """Whether what may be a command was asked to be taken before a time, and has not been."""
        if not self.asking:
            return False
        self.asking = {pipe for pipe in self.asking if pipe.wait.count and pipe.now.first_ns < 0}
        return any(pipe.wait.began_ns < time_ns for pipe in self.asking)

    # -- what is told ----------------------------------------------------------------------------------------------

    def _deduce(self, packets: Packets) -> None:
        """The link type leaves the speed open: frames tell it, or what kinds of packets there are."""
        speed = self.frames.speed or told.speed_by_pids(packets.pid[packets.fault == columns.GOOD], self.speed)
        self._learn_speed(speed)

    def _learn_speed(self, speed: str) -> None:
        if speed and speed != self.speed:
            self.speed = speed
            for party in self.parties.values():
                for pipe in party.pipes.values():
                    pipe.learn()

    def _told(self, party: Party, step: Step) -> None:
        """SPLIT tells hub, port and speed of the device behind it (8.4.2.1), PRE that it is a low-speed one (8.6.5)."""
        if step.split:
            speed = told.LOW if step.word >> 15 & 1 else told.FULL
            place = f"port {step.word >> 8 & 0x7F} of the hub at address {step.word & 0x7F}"
            what = Told(speed, "SPLIT tokens", place)
        else:
            what = Told(told.LOW, "PRE before its packets")
        if self.told.get(party.address) != what:
            self.told[party.address] = what
            party.slower = what.speed
            for pipe in party.pipes.values():
                pipe.learn()

    def addressed(self, party: Party, address: int, time_ns: int) -> None:
        """The device at address 0 is at another address from now on; whoever was there is there no longer."""
        self.given, self._last_ns = address, time_ns
        before = self.parties.get(address)
        if before is not None and before is not party:
            before.gone(time_ns)
        fresh = self.parties[address] = Party(self, address, party.endpoints)
        fresh.slower = party.slower
        if party.address in self.told:
            self.told[address] = self.told[party.address]
        party.endpoints, party.slower = told.Endpoints(), ""
        self.told.pop(party.address, None)
        for key in [key for key in self._pipes if key >> 5 == address]:
            del self._pipes[key]

    # -- what parties and pipes ask --------------------------------------------------------------------------------

    def report(self, kind: str, step: Step, address: int, endpoint: int, value: int = 0) -> None:
        """An event that a step shows."""
        at = step.at - 1 if step.size >= 0 else -1
        size = max(0, step.size)
        self.counts.report(WireEvent(kind, step.began_ns, step.number, at, address, endpoint, size, value))

    def read(self, at: int, count: int) -> bytes:
        """Payload."""
        return self.payload[at : at + count]

    def join(self, runs: list[tuple[Column, int]], captured: int) -> int:
        """A place for the payload of a transfer."""
        import numpy as np

        if not runs:
            return 0
        if len(runs) == 1 and len(runs[0][0]) == 1:
            return int(runs[0][0][0])
        together: list[tuple[list[Column], int]] = []
        for offsets, size in runs:
            if together and together[-1][1] == size:
                together[-1][0].append(offsets)
            else:
                together.append(([offsets], size))
        return self.payload.join([(np.concatenate(parts), size) for parts, size in together], captured)

    def places_of(self, step: Step) -> Column:
        """Offsets of the data fields of a step. One that waited for what follows may be of an earlier stretch; runs
        never wait."""
        import numpy as np

        if step.length == 1 or self._steps is None:
            return np.array([step.at])
        return self._steps.places(step)

    def parts(self, step: Step, first: int) -> Iterator[Step]:
        """A run in two."""
        assert self._steps is not None
        return self._steps.parts(step, first)
