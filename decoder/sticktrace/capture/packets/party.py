"""The device at an address as its packets show it: its pipes, what a command announced, what requests do to the
pipes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from sticktrace.capture.packets import told
from sticktrace.capture.packets.attempts import QUIET_NS, Attempts
from sticktrace.capture.packets.control import ControlPipe
from sticktrace.capture.packets.pipe import Pipe
from sticktrace.capture.packets.steps import Step
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, Transfer

if TYPE_CHECKING:
    from sticktrace.capture.packets.machine import Machine

_CBW_SIZE, _CBW_MAGIC = 31, b"USBC"

_LONG_NS = 100_000_000
"""The same where the request goes to another device."""

_TIMES = 4
"""A pipe without a descriptor may be an interrupt pipe, which is asked rarely."""

_MOST_READ = 4096
"""Bytes looked at of an answer; no descriptor chain of a storage device is longer."""

_SET_ADDRESS, _SET_CONFIGURATION, _SET_INTERFACE = b"\x00\x05", b"\x00\x09", b"\x01\x0b"
_GET_DESCRIPTOR, _CLEAR_ENDPOINT, _CLASS_RESET = b"\x80\x06", b"\x02\x01", b"\x21\xff"
"""bmRequestType and bRequest (USB 2.0 Table 9-3; BOT 1.0 3.1)."""

_SET_PORT, _PORT_RESET, _PORT_POWER = b"\x23\x03", 4, 8
"""SET_FEATURE to a port of a hub, and features (Tables 11-16, 11-17)."""


class Party:
    """The device at ``address`` of ``bus``. ``speed`` is the bus's own unless tokens told another one. ``doubting``
    are pipes that had data which nobody acknowledged, ``configured``: SET_CONFIGURATION was seen,
    ``wraps``: a pipe without a descriptor carried a CBW or CSW."""

    def __init__(self, machine: Machine, address: int, endpoints: told.Endpoints | None = None) -> None:
        self.machine, self.bus, self.address = machine, machine.bus, address
        self.endpoints = endpoints or told.Endpoints()
        self.slower = ""
        self.pipes: dict[int, Pipe] = {}
        self.doubting: list[Attempts] = []
        self.configured = self.wraps = False
        self._open: Attempts | None = None
        self._announced: tuple[bool, int] | None = None
        self._after: int | None = None
        self.read, self.join, self.count = machine.read, machine.join, machine.count
        self.places, self.parts = machine.places_of, machine.parts

    def pipe(self, endpoint: int) -> Pipe:
        """The pipe of an endpoint, made when it is first met."""
        pipe = self.pipes.get(endpoint)
        if pipe is None:
            make = Pipe if endpoint & 0x0F else ControlPipe
            pipe = self.pipes[endpoint] = make(self, endpoint)
            pipe.fresh = self.configured and endpoint & 0x0F != 0
        return pipe

    @property
    def speed(self) -> str:
        """Its speed, "" where nothing tells."""
        return self.slower or self.machine.speed

    @property
    def pace(self) -> told.Pace | None:
        """How fast its packets go on this bus: through a hub that splits transactions, at the hub's speed (8.4.2)."""
        behind_pre = self.slower == told.LOW and self.machine.speed == told.FULL
        return told.PACES.get(told.LOW if behind_pre else self.machine.speed)

    def known_of(self, endpoint: int) -> tuple[int, int, int]:
        """Transfer type of an endpoint, size of a full packet (0: not known), and the largest that is allowed. Without
        a descriptor it is taken for bulk; at low speed for interrupt, as that has no bulk (5.8.3), unless wrappers of
        storage were seen."""
        known = self.endpoints.known.get(endpoint)
        if not endpoint & 0x0F:
            kind = CONTROL
        elif known is not None:
            kind = known.kind
        else:
            kind = INTERRUPT if self.speed == told.LOW and not self.wraps else BULK
        limit = told.LARGEST.get((self.speed, kind), told.SIZES[-1])
        if known is not None and known.size:
            return kind, min(known.size, limit), limit
        # Whether it is bulk at all is not known: then only a size that no other type shares tells anything.
        return kind, limit if (self.speed, kind) == (told.HIGH, BULK) else 0, told.SIZES[-1]

    def report(self, kind: str, step: Step, endpoint: int) -> None:
        """An event on one of its pipes."""
        self.machine.report(kind, step, self.address, endpoint)

    # -- what pipes ask ----------------------------------------------------------------------------------------------

    def turn_to(self, pipe: Attempts) -> None:
        """A pipe moves data: what moved on another bulk pipe before has ended."""
        self.settle(pipe)
        if pipe.kind == BULK:
            before, self._open = self._open, pipe
            if before is not None and before is not pipe and before.now.moved:
                before.end(0)
                self._open = pipe

    def settle(self, pipe: Attempts) -> None:
        """Data in doubt on other pipes counts, as the host went on to this one."""
        while self.doubting:
            doubting = self.doubting.pop()
            if doubting is not pipe:
                doubting.settle()

    def announced_left(self, pipe: Attempts) -> int | None:
        """Bytes that the command announced for this direction and that have not gone over; None if none did."""
        if self._announced is None or self._announced[0] != pipe.incoming:
            return None
        return self._announced[1] - pipe.now.moved - pipe.now.gap * pipe.full

    def asks(self, pipe: Attempts) -> None:
        """A pipe waits. To the device, and not for data that a command announced, it may be for a command."""
        if pipe.kind == BULK and not pipe.incoming and pipe.now.first_ns < 0 and self.announced_left(pipe) is None:
            self.machine.asking.add(pipe)

    def part_of(self, pipe: Attempts) -> None:
        """What a pipe hands on next is a part: what its command announced goes on."""
        self._after = self.announced_left(pipe)

    def ended(self, pipe: Attempts, transfer: Transfer) -> None:
        """A pipe hands on a transfer."""
        if self._open is pipe:
            self._open = None
        if transfer.kind == CONTROL:
            self._request(transfer)
        elif transfer.kind == BULK:
            if self._announced is not None and self._announced[0] == pipe.incoming:
                self._announced = None if self._after is None else (pipe.incoming, self._after)
            self._after = None
            if transfer.actual == _CBW_SIZE and not pipe.incoming:
                self._command(transfer)
        self.machine.out.append(transfer)

    def _command(self, transfer: Transfer) -> None:
        """A CBW: a read that the device still answered with NAK was taken back, and data are announced (BOT 1.0
        5.1)."""
        head = self.read(transfer.data_at, min(15, transfer.captured))
        if len(head) < 15 or head[:4] != _CBW_MAGIC:
            return
        for pipe in list(self.pipes.values()):
            if pipe.kind == BULK and pipe.incoming:
                pipe.give_up(transfer.end_ns)
        length = int.from_bytes(head[8:12], "little")
        self._announced = (bool(head[12] & 0x80), length) if length else None

    # -- what requests do --------------------------------------------------------------------------------------------

    def _request(self, transfer: Transfer) -> None:
        """A control transfer ended: what does that end on other pipes, and what does it tell?"""
        for party in list(self.machine.parties.values()):
            concerned = party is self or self.address == 0
            party.taken_back(transfer.submitted_ns, QUIET_NS if concerned else _LONG_NS)
        if transfer.status != 0 or len(transfer.setup) != 8:
            return
        setup, value = transfer.setup, int.from_bytes(transfer.setup[2:4], "little")
        index = int.from_bytes(transfer.setup[4:6], "little")
        what = setup[:2]
        if what == _GET_DESCRIPTOR and value >> 8 == 2:
            self.endpoints.learn(self.read(transfer.data_at, min(transfer.captured, _MOST_READ)))
            self._learned()
        elif what == _SET_ADDRESS and self.address == 0:
            self.machine.addressed(self, value & 0x7F, transfer.end_ns)
        elif what == _SET_CONFIGURATION:
            self.configured = True
            self._restart(self.pipes, transfer.end_ns)
        elif what == _SET_INTERFACE:
            self._restart(self.endpoints.choose(index & 0xFF, value & 0xFF), transfer.end_ns)
            self._learned()
        elif what == _CLEAR_ENDPOINT and not value:
            self._restart([index & 0x8F], transfer.end_ns)
        elif what == _SET_PORT and value in (_PORT_RESET, _PORT_POWER):
            self.machine.given = 0  # whoever is at that port may answer at address 0 from now on
        elif what == _CLASS_RESET:
            self.give_up(transfer.end_ns)

    def wrapped(self, pipe: Attempts) -> None:
        """A CBW or CSW went over this pipe: it is storage."""
        if not self.wraps and pipe.endpoint not in self.endpoints.known:
            self.wraps = True
            self._learned()

    def _learned(self) -> None:
        for pipe in self.pipes.values():
            pipe.learn()

    def _restart(self, endpoints: Iterable[int], by_ns: int) -> None:
        """Transfers end and toggles start anew (9.1.1.5, 9.4.5, 9.4.10)."""
        for endpoint in list(endpoints):
            pipe = self.pipes.get(endpoint)
            if pipe is not None and endpoint & 0x0F:
                pipe.give_up(by_ns)
                pipe.forget_toggle()

    def give_up(self, by_ns: int) -> None:
        """The host waits for nothing of what began before, but for the request itself."""
        self._announced = None
        for pipe in list(self.pipes.values()):
            if pipe.endpoint & 0x0F:
                pipe.give_up(by_ns)

    def gone(self, by_ns: int) -> None:
        """Another device has the address: whatever was under way here, requests included, ends."""
        self.give_up(by_ns)
        self.rest(by_ns)

    def taken_back(self, now_ns: int, quiet_ns: int) -> None:
        """End bulk transfers that the host has not asked for in so long, nor in some times the interval in which it
        did."""
        for pipe in list(self.pipes.values()):
            quiet = max(quiet_ns, _TIMES * pipe.wait.interval_ns)
            if pipe.kind == BULK and pipe.begun and pipe.latest_ns + quiet < now_ns:
                pipe.give_up(now_ns)

    def rest(self, last_ns: int) -> None:
        """The recording ends at this time."""
        for pipe in list(self.pipes.values()):
            pipe.rest(last_ns)
