"""The control pipe of a device: SETUP, data and status stages become one transfer with its 8 setup bytes (USB 2.0
8.5.3).

The setup packet says which way the data goes; the status stage is a packet of no bytes the other way. A request that
was done tells what it does to the other pipes: a new address, configuration or setting starts toggles anew and ends
what was under way there, and descriptors tell the kinds and packet sizes of endpoints."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sticktrace.capture.packets.attempts import REPEATS, UNDER_WAY
from sticktrace.capture.packets.pipe import Pipe
from sticktrace.capture.packets.steps import Step
from sticktrace.capture.packets.transactions import NOT_SPLIT, ODD, START, WAITED
from sticktrace.capture.packets.under_way import UnderWay
from sticktrace.capture.transfer import CONTROL, Transfer
from sticktrace.codes import pids

if TYPE_CHECKING:
    from sticktrace.capture.packets.party import Party

SETUP_SIZE = 8


class ControlPipe(Pipe):
    """Endpoint 0 of a device, both directions."""

    def __init__(self, party: Party, endpoint: int) -> None:
        super().__init__(party, endpoint)
        self.setup = b""
        self.open = False
        self.inward = True
        self.status_token = 0

    def take(self, step: Step) -> None:
        """One step; SETUP begins a request whatever was under way."""
        if step.token == pids.SETUP and step.fate == ODD and step.split in (NOT_SPLIT, START):
            self._setup(step)
        else:
            self.incoming = step.token == pids.IN
            if not self.open:
                self.endpoint = 0x80 if self.incoming else 0
            if self.doubt is not None and step.fate != WAITED and step.token != self.doubt.token:
                self.settle()  # the next stage begins, and its toggle says nothing of the one before
            super().take(step)

    def learn(self) -> None:
        """Its kind is given, and its packet size does not matter: stages end by direction."""

    def _setup(self, step: Step) -> None:
        setup = self.party.read(step.at, SETUP_SIZE) if step.captured == SETUP_SIZE and not step.damaged else b""
        again = self.open and self.now.strikes and setup == self.setup
        if not again:
            self.give_up(step.began_ns)
            self.status_token = 0
        self.wait.is_over(step)
        self._touch(step)
        self.open, self.setup = True, setup
        self.inward = not setup or bool(setup[0] & 0x80)
        self.endpoint = 0x80 if self.inward and setup else 0
        self.toggle, self.sign = pids.DATA0, -1
        if step.split == START:
            self.held = step
            self.party.count(UNDER_WAY, step.packets)
        elif step.answer == pids.ACK:
            self._answered(step)
        elif step.answer in (0, pids.NAK, pids.STALL, pids.NYET):
            self._strike(step, "no answer" if step.answer == 0 else "out of turn")
        else:
            self._strike(step, "damaged")

    def _complete(self, step: Step) -> None:
        held = self.held
        if held is not None and held.token == pids.SETUP:
            self.held = None
            self._answered(step)
            return
        super()._complete(step)

    def _accept(self, step: Step, unseen: int = 0) -> None:
        """Data of the data stage, or the status stage."""
        if not self.open and not self._open_unknown(step):
            return
        if not self.setup and not self.now.count:
            self._direct(step)
        if self._is_status(step):
            self._answered(step)
            self.status_token = step.token
            self.end(0)
            return
        self.full = max(self.full, step.size)
        self.now.unseen += unseen
        self._add(step)
        self.toggle, self.sign = step.last_toggle, step.last_sign

    def _is_status(self, step: Step) -> bool:
        """Whether a token belongs to the status stage: it goes against the data, or there is none."""
        no_data = len(self.setup) == SETUP_SIZE and self.setup[6:8] == b"\0\0"
        return no_data or (step.token == pids.IN) != self.inward

    def _unseen(self, step: Step) -> None:
        """Of a status stage without its packet, the acknowledgement says all there is to say."""
        if self.open and self._is_status(step):
            self.party.report("unseen data", step, self.endpoint)
            self._accept(step)
        else:
            super()._unseen(step)

    def _open_unknown(self, step: Step) -> bool:
        """A stage whose setup packet is not in the recording. A status stage once more is a repeat (8.5.3.3)."""
        if not step.size and step.token == self.status_token:
            self.party.count(REPEATS, step.packets)
            self.party.report("repeat", step, self.endpoint)
            return False
        self.open = True
        self.toggle, self.sign = None, -1
        return True

    def _direct(self, step: Step) -> None:
        """Without its setup packet, the first stage tells the direction: data goes with it, a status stage against."""
        self.inward = (step.token == pids.IN) == (step.size > 0)
        self.endpoint = 0x80 if self.inward else 0

    def _same_toggle(self, step: Step) -> None:
        """Toggles count within the data stage; the status stage is DATA1 whatever came before."""
        if self.open and not self._is_status(step):
            super()._same_toggle(step)
        else:
            self._accept(step)

    def _isochronous(self, step: Step, before: Step | None) -> bool:
        return False

    def _left(self, now: UnderWay) -> int:
        return 0

    def _room(self) -> int:
        """What is left of the length that was asked for (8.5.3)."""
        return int.from_bytes(self.setup[6:8], "little") - self.now.moved if self.setup else self.limit

    def end(self, status: int | None, short: bool = False, waited_ns: int = -1) -> None:
        """Hand the request on, after what it ended on other pipes."""
        self.open = False
        super().end(status, short, waited_ns)
        self.setup = b""

    def _transfer(self, now: UnderWay, status: int | None, short: bool) -> Transfer:
        transfer = super()._transfer(now, status, short=False)
        transfer.kind, transfer.setup = CONTROL, self.setup
        sent = -1 if self.endpoint else now.moved
        transfer.requested = int.from_bytes(self.setup[6:8], "little") if self.setup else sent
        return transfer
