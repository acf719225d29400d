"""One pipe: the transactions of an endpoint in one direction become transfers.

Where a transfer ends is not written on the wire. It ends

* at a packet shorter than the endpoint's largest, or of no bytes (USB 2.0 5.8.3);
* at STALL, and after three failed attempts in a row (10.2.6);
* where the bytes announced by a command have all gone over: a CBW (31 bytes, its signature) says how many go which way
  (Bulk-Only Transport 1.0 5.1). This is what parts data that fills its last packet from the CSW behind it;
* before a packet that begins as a CSW or CBW does, for a recording in which the command itself is missing;
* when another bulk pipe of the device moves data, or a request resets, halts or unhalts the pipe (`control`).

Whether data counts is told by toggle and handshake together (8.6): the same toggle and the same contents again is a
repeat that the receiver discards; the same toggle with other contents means that the recording lacks a packet. Data
that nobody was heard to acknowledge waits for the next transaction: with the other toggle it had gone over, with the
same one it is being sent again. Where the recording lacks bytes, or has them garbled, a transfer ends as well: what
follows, handed on by itself, stands where it belongs.
"""

from __future__ import annotations

from sticktrace.capture.packets import told
from sticktrace.capture.packets.attempts import (
    FAILED_ATTEMPTS,
    ISOCHRONOUS_TRAFFIC,
    REPEATS,
    UNDER_WAY,
    WAITING,
    Attempts,
)
from sticktrace.capture.packets.steps import COMMAND, Step
from sticktrace.capture.packets.transactions import COMPLETE, MOVED, START, WAITED
from sticktrace.capture.transfer import INTERRUPT, ISOCHRONOUS
from sticktrace.codes import pids

_OTHER_TOGGLE = pids.DATA0 ^ pids.DATA1
_TOGGLES = (pids.DATA0, pids.DATA1)
_NOTHING_YET = -1


class Pipe(Attempts):
    """An endpoint of the device at one address: give it steps with `take`."""

    def take(self, step: Step) -> None:
        """One step."""
        if step.fate == WAITED:
            self.wait.goes_on(step)
            self.now.recovered()
            self.party.asks(self)
            return
        if step.waits and step.wait_began_ns >= 0:
            self.now.recovered()
        self._same_as_refused(step)
        self.wait.is_over(step)
        if step.fate == MOVED:
            self._data(step)
        elif step.split == START:
            self.held = step
            self.party.count(UNDER_WAY, step.packets)
        else:
            self._odd(step)

    def _same_as_refused(self, step: Step) -> None:
        """What the device refused with NAK is sent again unchanged, toggle and all (8.5.2, 8.6). A command in its place
        is a new beginning."""
        offered = self.wait.offered
        refused = step.refused if step.refused >= 0 or offered is None else offered.whole_sign
        changed = 0 <= refused != step.whole_sign >= 0
        if changed and not self.incoming and step.size != COMMAND and step.token == pids.OUT:
            self.party.report("changed after NAK", step, self.endpoint)

    def _odd(self, step: Step) -> None:
        """A transaction in which something was missing, wrong, or final."""
        answer, has_data = step.answer, step.size >= 0
        if self.kind == ISOCHRONOUS:
            self.party.count(ISOCHRONOUS_TRAFFIC, step.packets)
        elif answer == pids.STALL:
            self._stalled(step)
        elif step.split == COMPLETE and not self.incoming and answer == pids.ACK:
            self._complete(step)
        elif answer == pids.ERR:
            self._strike(step, "split error")
        elif answer in (pids.ACK, pids.NYET):
            if has_data:
                self._garbled(step)
            else:
                self._unseen(step)
        elif answer == pids.NAK and not self.incoming:
            self.wait.goes_on(step._replace(waits=1))
            self.party.count(WAITING, step.packets)
        elif step.damaged:
            self._strike(step, "babble" if self._too_long(step) else "damaged")
        elif has_data:
            self._doubtful(step)
        else:
            self._strike(step, "no answer" if answer == 0 else "out of turn")

    def _data(self, step: Step) -> None:
        """Data that was acknowledged."""
        self.party.settle(self)  # that may be a request which starts this toggle anew
        doubt, self.doubt = self.doubt, None
        if doubt is not None:
            if doubt.toggle != step.toggle:
                self._accept(doubt)
            else:
                self.party.count(FAILED_ATTEMPTS, doubt.packets)
        if step.toggle == self.toggle and step.toggle in _TOGGLES:
            if step.length > 1:
                first, rest = self.party.parts(step, 1)
                self._same_toggle(first)
                self._accept(rest)
            else:
                self._same_toggle(step)
        else:
            self._accept(step)

    def _same_toggle(self, step: Step) -> None:
        if step.sign == self.sign:
            self.now.repeats += 1
            self.now.recovered()
            if self.now.first_ns >= 0:
                self.now.touch(step)
            self.party.count(REPEATS, step.packets)
            self.party.report("repeat", step, self.endpoint)
            return
        self.party.report("toggle", step, self.endpoint)
        self.now.gap += self.now.moved > 0
        self._accept(step, unseen=1)

    # -- what goes over --------------------------------------------------------------------------------------------

    def _accept(self, step: Step, unseen: int = 0) -> None:
        """Data that counts. ``unseen`` packets before it, or its own contents, are not in the recording."""
        self.party.settle(self)
        self._look_at(step)
        left = self.party.announced_left(self)
        if step.length > 1 and left is not None:
            whole = max(1, -(-left // step.size))
            if whole < step.length:
                first, rest = self.party.parts(step, whole)
                self._accept(first, unseen)
                self._accept(rest)
                return
        self.party.turn_to(self)
        if self.now.gap:
            self._pass_gap()
        elif self.now.holed and step.captured:
            self._part()
        self.now.unseen += unseen
        self._add(step)
        if step.toggle == pids.MDATA:
            return  # the rest of a packet that crossed a frame of the slower bus comes next (11.20)
        self.toggle, self.sign = step.last_toggle, step.last_sign
        left = self.party.announced_left(self)
        if step.size < self.full or self.kind == INTERRUPT:
            self.end(0, short=step.size < self.full)
        elif left is not None and left <= 0:
            self.end(0)

    def _look_at(self, step: Step) -> None:
        """What a packet tells of its pipe before it is taken in, and of the one before it."""
        if self.fresh and step.toggle == pids.DATA1:
            self.party.report("first toggle", step, self.endpoint)
        self.fresh = False
        if step.size > self.full or not self.full:
            self._grow(step.size)
        if self._begins_wrapper(step):
            self.party.wrapped(self)
            if self.now.moved:
                self.end(0)

    def _pass_gap(self) -> None:
        """Packets that were not seen, with more behind them: they were full, less would have ended the transfer."""
        self.now.moved += self.now.gap * self.full
        self.now.gap = 0
        self._part()

    def _part(self) -> None:
        """Readable bytes end here. What follows is a transfer of its own, so that it stands where it belongs."""
        self.party.part_of(self)
        self.end(0)
        self.party.turn_to(self)

    def _grow(self, size: int) -> None:
        """A packet larger than a full one was taken for: so those before it were short."""
        if self.now.moved:
            self.end(0, short=True)
        self.full = next((legal for legal in told.SIZES if legal >= size), size)

    def _begins_wrapper(self, step: Step) -> bool:
        """Whether the packet is, or begins, a CSW or CBW (BOT 1.0 5.1, 5.2)."""
        wrapper, size = (b"USBS", 13) if self.incoming else (b"USBC", 31)
        if step.size != size and not (step.size == self.full < size):
            return False
        return step.captured >= 4 and self.party.read(step.at, 4) == wrapper

    def _add(self, step: Step) -> None:
        self._touch(step)
        self.now.recovered()
        self.now.add(step, self.party.places(step), self.full)

    def _complete(self, step: Step) -> None:
        """A slower device behind a hub acknowledged what was sent to the hub before (8.4.2.2)."""
        held, self.held = self.held, None
        if held is None or held.size < 0:
            self._unseen(step)
            return
        done = held._replace(ended_ns=step.ended_ns, last_number=step.last_number, packets=step.packets,
                             bytes=step.bytes)  # fmt: skip
        if held.damaged:
            self._garbled(done)
        else:
            self._data(done)

    def _garbled(self, step: Step) -> None:
        """Data that is damaged in the recording, yet was acknowledged: it went over, and is not readable here."""
        self.party.report("damage taken", step, self.endpoint)
        self._accept(step._replace(captured=0), unseen=1)

    def _unseen(self, step: Step) -> None:
        """An acknowledgement whose data packet is not in the recording."""
        self.party.report("unseen data", step, self.endpoint)
        self._answered(step)
        self.now.unseen += 1
        self.now.gap += 1
        self.fresh = False
        if self.toggle in _TOGGLES and self.toggle is not None:
            self.toggle ^= _OTHER_TOGGLE
        self.sign = _NOTHING_YET
