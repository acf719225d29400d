"""What a pipe is in the middle of, how that ends, and attempts that fail (USB 2.0 8.7, 10.2.6).

A transaction in which the other side was not heard is an attempt that failed: the host controller makes it again, up to
three times in a row. Data that was sent in it may have gone over all the same, its acknowledgement alone being lost: it
is kept in ``doubt`` until the next transaction tells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sticktrace.capture.packets.steps import Step
from sticktrace.capture.packets.under_way import STRIKES, UnderWay, Wait
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, STALL, Transfer
from sticktrace.codes import pids

if TYPE_CHECKING:
    from sticktrace.capture.packets.party import Party

NO_ANSWER, BABBLE, BAD_CRC, GAVE_UP, FAILED = -62, -75, -84, -110, -71
"""How a transfer ends that went wrong, in the numbers of the Linux header (`codes.status`)."""

STATUS_OF = {
    "no answer": NO_ANSWER, "damaged": BAD_CRC, "no handshake": FAILED, "babble": BABBLE, "split error": FAILED,
    "out of turn": FAILED,
}  # fmt: skip
"""Cause of the last failed attempt -> status."""

QUIET_NS = 5_000_000
"""A host that still waits asks again within a frame or a few. A longer pause, with something else at its end, means
that it took the transfer back."""

ISOCHRONOUS_TRAFFIC, FAILED_ATTEMPTS = "isochronous traffic", "attempts that failed"
REPEATS, UNDER_WAY, WAITING = "repeats that the receiver discards", "split transactions under way", "NAK'd tokens"

_NOTHING_YET = -1


class Attempts:
    """An endpoint (bit 7 for IN) of the device at one address, as far as it has no data to judge. ``kind`` is its
    transfer type, ``full`` the size of a full packet, 0 as long as nothing tells, ``limit`` the largest that is
    allowed. ``fresh``: its toggle was set back to DATA0, and no data went over since."""

    def __init__(self, party: Party, endpoint: int) -> None:
        self.party, self.endpoint = party, endpoint
        self.incoming = bool(endpoint & 0x80)
        self.kind, self.full, self.limit = party.known_of(endpoint)
        self.toggle: int | None = None
        self.sign = _NOTHING_YET
        self.fresh = False
        self.doubt: Step | None = None
        self.sure = (_NOTHING_YET, _NOTHING_YET)
        self.held: Step | None = None
        self.wait = Wait()
        self.now = UnderWay()

    @property
    def begun(self) -> bool:
        """Whether a transfer is under way."""
        return self.now.first_ns >= 0 or self.wait.count > 0

    @property
    def began_ns(self) -> int:
        """When a transfer under way was first seen."""
        return self.now.first_ns if self.now.first_ns >= 0 else self.wait.began_ns

    @property
    def latest_ns(self) -> int:
        """When anything of a transfer under way was last seen."""
        return max(self.now.last_ns, self.wait.ended_ns)

    def learn(self) -> None:
        """Descriptors or a choice of the host changed what is known of the endpoint."""
        self.kind, full, self.limit = self.party.known_of(self.endpoint)
        self.full = full or self.full

    def forget_toggle(self) -> None:
        """The toggle starts anew (9.1.1.5, 9.4.5, 9.4.10)."""
        self.toggle, self.sign, self.fresh = None, _NOTHING_YET, True

    def _touch(self, step: Step) -> None:
        """A transaction belongs to the transfer under way, or begins it, and so does the waiting before it."""
        self._take_wait()
        self.now.touch(step)

    def _take_wait(self) -> None:
        wait, self.wait = self.wait, Wait()
        self.now.waited(wait)

    def _answered(self, step: Step) -> None:
        """A transaction that the other side answered, and that counts for the transfer."""
        self._touch(step)
        self.now.passed(step)
        self.now.recovered()

    def _accept(self, step: Step, unseen: int = 0) -> None:
        """Data that counts. ``unseen`` packets before it, or its own contents, are not in the recording."""
        raise NotImplementedError

    # -- attempts ---------------------------------------------------------------------------------------------------

    def _doubtful(self, step: Step) -> None:
        """Data without a handshake."""
        if self.now.unsure and self.incoming:
            self.now.recovered()
        before, self.doubt = self.doubt, None
        if self._isochronous(step, before):
            return
        if before is not None:
            if before.toggle != step.toggle:
                self._accept(before)
            else:
                self.party.count(FAILED_ATTEMPTS, before.packets)
        too_long = self._too_long(step)
        if not too_long:
            self.doubt, self.sure = step, (self.now.last_ns, self.now.last_number)
            self.party.doubting.append(self)
        self._strike(step, "babble" if too_long else "no handshake", kept=not too_long)

    def _isochronous(self, step: Step, before: Step | None) -> bool:
        """Isochronous data is never acknowledged (5.6.4). Without a descriptor it shows by that and by changing
        contents behind an unchanging toggle."""
        alike = before is not None and before.toggle == step.toggle and before.sign != step.sign
        if not alike or self.toggle is not None or self.now.moved:
            return False
        for one in (before, step):
            if one is not None:
                self.party.count(ISOCHRONOUS_TRAFFIC, one.packets)
        self.kind, self.now = ISOCHRONOUS, UnderWay()
        return True

    def _too_long(self, step: Step) -> bool:
        return self.incoming and step.size > self._room()

    def _room(self) -> int:
        """The most bytes that the host can take in one packet."""
        return self.limit

    def _strike(self, step: Step, cause: str, kept: bool = False) -> None:
        """An attempt failed. ``kept``: its data may turn out to have gone over."""
        self._touch(step)
        self.now.strikes += 1
        self.now.cause = cause
        self._offer(step)
        if not kept:
            self.party.count(FAILED_ATTEMPTS, step.packets)
        if cause != "damaged":
            self.party.report(cause, step, self.endpoint)
        if cause == "babble" or (self.now.strikes >= STRIKES and not self._may_be_nak(step, cause)):
            self._struck_out(step)

    def _may_be_nak(self, step: Step, cause: str) -> bool:
        """Some recorders leave NAK out: as long as none was seen, a question without an answer may have had that one.
        More than three in a row must have."""
        refused = "no handshake" if step.token == pids.OUT else "no answer"
        asks = step.token != pids.SETUP and cause == refused
        self.now.unsure = asks and step.began_ns < self.party.machine.naks_from
        return self.now.unsure

    def _struck_out(self, step: Step) -> None:
        """The host controller gives up."""
        if self.now.strikes >= STRIKES:
            self.party.report("three strikes", step, self.endpoint)
        self._drop_doubt()
        self.end(self._status())

    def _status(self) -> int:
        """How attempts that failed end a transfer. Data that a device does not acknowledge is no answer; data that a
        host does not acknowledge is an error that it saw."""
        if self.now.cause == "no handshake" and not self.incoming:
            return NO_ANSWER
        return STATUS_OF[self.now.cause]

    def _drop_doubt(self) -> None:
        doubt, self.doubt = self.doubt, None
        if doubt is not None and self.now.strikes:
            self.party.count(FAILED_ATTEMPTS, doubt.packets)

    def _offer(self, step: Step) -> None:
        if step.size >= 0 and not step.damaged:
            self.now.offered = step

    def _stalled(self, step: Step) -> None:
        self.settle()
        self._answered(step)
        self._offer(step)
        self.end(STALL)

    def settle(self) -> None:
        """Data that nobody was heard to acknowledge counts, as the host went on."""
        doubt, self.doubt = self.doubt, None
        if doubt is not None:
            self.now.recovered()
            self._accept(doubt)

    # -- ends ------------------------------------------------------------------------------------------------------

    def give_up(self, by_ns: int) -> None:
        """Something that ended at this time shows that the host waits no longer for what began before."""
        self.settle()
        if not self.begun or self.began_ns > by_ns:
            return
        waited = self.wait.since_ns >= 0
        self._take_wait()
        if self.now.strikes and not self.now.waited_unseen:
            self.end(self._status())
        elif waited or self.now.waited_unseen:
            self.end(GAVE_UP)
        else:
            self.end(None if self.now.gap else 0)

    def rest(self, last_ns: int) -> None:
        """The recording ends at this time: whatever is under way stays open. Where nothing moved, it still waits,
        unless the host has not asked for long."""
        self.settle()
        waits = self.kind == BULK and self.wait.since_ns >= 0
        if (waits or (self.now.strikes and self.kind != INTERRUPT)) and last_ns - self.latest_ns > QUIET_NS:
            self.give_up(last_ns)
        if self.begun:
            self._take_wait()
            self.end(None, waited_ns=-1 if self.now.moved else max(0, last_ns - self.now.first_ns))

    def end(self, status: int | None, short: bool = False, waited_ns: int = -1) -> None:
        """Hand the transfer on. ``waited_ns`` is `Transfer.waited_ns`. Data still in doubt is of the next one."""
        now, self.now = self.now, UnderWay()
        if self.doubt is not None and self.doubt.last_number == now.last_number and self.sure[1] >= now.first_number:
            now.last_ns, now.last_number = self.sure
        if now.gap and status == 0 and not now.moved and self.kind != CONTROL:
            status = None  # all that there was of it is an acknowledgement
        transfer = self._transfer(now, status, short)
        transfer.waited_ns = waited_ns
        self.party.ended(self, transfer)

    def _transfer(self, now: UnderWay, status: int | None, short: bool) -> Transfer:
        asked = -1 if self.incoming else now.moved + self._left(now)
        transfer = Transfer(
            self.party.bus, self.party.address, self.endpoint, self.kind, b"", asked,
            now.moved, self.party.join(now.runs, now.captured), now.captured, status, now.first_ns,
            -1 if status is None else now.last_ns, now.records,
        )  # fmt: skip
        transfer.wire = now.wire(short, self.endpoint, self.party.pace)
        return transfer

    def _left(self, now: UnderWay) -> int:
        """What was sent to the device and not taken stays readable behind what was (`Transfer.captured`). Returns how
        many bytes it has."""
        offered = now.offered
        if offered is None or self.incoming or now.holed:
            return 0
        if offered.captured:
            now.runs.append((self.party.places(offered), offered.captured))
            now.captured += offered.captured
        return offered.size
