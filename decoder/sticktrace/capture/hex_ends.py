"""What a console prints of one transfer in several places becomes one block: that it was begun, its bytes, its end.

Light host stacks print a line when a transfer is queued and one when it ended, and a dump of its bytes behind either,
in front of the end, or not at all. Which of them belong together is told by endpoint and length; a dump belongs to the
nearest line that it fits. That is common practice, not a standard.
"""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.capture import hex_build
from sticktrace.capture.hex_blocks import CBW_SIZE, CSW_SIZE, Block
from sticktrace.capture.hex_build import CBW, CSW, Printed
from sticktrace.capture.hex_lines import CBW_SIGNATURE, CSW_SIGNATURE
from sticktrace.capture.hex_wire import Wire, block_of
from sticktrace.capture.transfer import Transfer

NOBODY = "lines about transfers of no command that is printed"
PATIENCE = 4
"""Lines of other kinds that may stand between the end of a transfer and its bytes."""

Pipe = tuple[int, int, int]


class Ends:
    """Stands in front of the wire."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._begun: dict[Pipe, Block] = {}
        self._bare: Block | None = None
        self._loose: Block | None = None
        self._named: tuple[bytes, Block] | None = None
        self._command: Block | None = None
        self._status: Block | None = None
        self._idle = 0
        self._bytes_first: set[str] = set()

    @property
    def open(self) -> bool:
        """Whether a command is open whose data may follow."""
        loose = self._loose.data[:4] if self._loose is not None else b""
        return self._wire.dialogue.open is not None or self._command is not None or loose == CBW_SIGNATURE

    def _takes_later(self, block: Block) -> bool:
        """Whether the bytes of a transfer may stand below the line that says how it ended; in a text that shows those
        of this direction above it they do not."""
        return block.direction not in self._bytes_first

    def waits_for(self, data: bytes) -> bool:
        """Whether a transfer of just so many bytes lacks them: then even one byte alone on a line is data."""
        return self._bare is not None and self._bare.length == len(data)

    # -- what lines say ----------------------------------------------------------------------------------------------

    def request(self, setup: bytes, block: Block) -> Iterator[Transfer]:
        """A control request by its setup bytes."""
        self._named = None
        yield from self.settle()
        yield from self._wire.request(setup, block)

    def named(self, setup: bytes, block: Block) -> Iterator[Transfer]:
        """A control request by its name. It is taken for one once data or an end of it is printed: the same words may
        stand above or below the setup bytes."""
        control = self._wire.control
        if control is not None and not control.staged and not control.transfer.captured:
            return
        yield from self.settle()
        yield from self._wire.flush()
        self._named = (setup, block)

    def submitted(self, block: Block) -> Iterator[Transfer]:
        """A transfer was begun."""
        yield from self.settle()
        self._wire.places.settle(block)
        pipe = _pipe(block)
        if not pipe[2] & 0x0F:
            return
        yield from self._left(pipe)
        self._begun[pipe] = block

    def ended(self, block: Block) -> Iterator[Transfer]:
        """A transfer ended, its bytes printed on the same line or elsewhere."""
        self._wire.ends_printed = True
        if not (block.endpoint or 0) & 0x0F:
            yield from self._stage(block)
            return
        self._wire.places.settle(block)
        begun = self._begun.pop(_pipe(block), None)
        if begun is not None:
            block.took_ns = max(0, block.time_ns - begun.time_ns)
            block.asked = begun.length
            block.data = block.data or begun.data
        elif block.asked is None:
            block.asked = block.length or 0  # the length is that moved, of a transfer that failed too
        if not block.data and self._loose is not None and _fits(self._loose, block):
            block.data, self._loose = self._loose.data, None
            self._bytes_first.add(block.direction)
        yield from self.settle()
        yield from self._sent_before(block)
        failed_out = block.direction == "out" and block.status
        if block.data or not (block.length or failed_out):
            yield from self._wire.block(block)
        else:
            self._bare = block

    def wrapper(self, printed: Printed, time_ns: int) -> Iterator[Transfer]:
        """A wrapper put together from its fields. How its transfer ended may be printed next to it."""
        status, self._status = self._status, None
        yield from self.settle()
        if printed.kind == CSW and status is not None:
            time_ns = status.time_ns
        if printed.kind != CBW:
            yield from self._wire.known(printed, time_ns)
            return
        if len(printed.data) == hex_build.HEAD_SIZE and self._wire.dialogue.named:
            printed = hex_build.with_block(printed, self._wire.dialogue.take_named())
        self._command = block_of(printed, time_ns)

    def moved(self, block: Block) -> Iterator[Transfer]:
        """So many bytes were moved of so many: by the transfer that is due."""
        control = self._wire.control
        if control is not None and block.asked == control.transfer.requested:
            yield from self.settle()
            block.direction = "in" if control.transfer.incoming else "out"
            yield from self._wire.empty(block)
            return
        if self._command is not None and block.asked == CBW_SIZE:
            self._command.status, self._command.asked, self._command.length = block.status, CBW_SIZE, block.length
            yield from self.settle()
            return
        yield from self.settle()
        yield from self._wire.start(block.time_ns)
        opened = self._wire.dialogue.open
        if opened is None:
            self._wire.owner.skip(NOBODY)
            return
        status_due = block.asked == CSW_SIZE and opened.status_due
        block.direction = "in" if status_due else opened.way
        if status_due and not block.status:
            self._status = block
        elif block.status and not block.length:
            yield from self._wire.empty(block)
        else:
            self._bare = block

    def bytes(self, block: Block) -> Iterator[Transfer]:
        """A dump, or a line that holds bytes and a direction."""
        if block.direction or block.label not in ("", "data"):
            yield from self.settle()
            yield from self._wire.block(block)
            return
        control = self._control_for(block)
        if control:
            yield from self.settle()
            self._wire.control_data(block)
            return
        begun = next((b for b in reversed(self._begun.values()) if not b.data and b.direction == "out"), None)
        if begun is not None and _fits(block, begun):
            begun.data = block.data
        elif self._bare is not None and self._takes_later(self._bare) and _fits(block, self._bare):
            bare, self._bare = self._bare, None
            bare.data = block.data
            yield from self._wire.block(bare)
        else:
            yield from self.settle()
            self._loose = block

    def chatter(self) -> Iterator[Transfer]:
        """A line about something else."""
        if self._bare is not None or self._loose is not None:
            self._idle += 1
            if self._idle > PATIENCE:
                yield from self.settle()

    # -- what follows from it ----------------------------------------------------------------------------------------

    def settle(self) -> Iterator[Transfer]:
        """What waited for another line about the same transfer gets none any more."""
        self._idle = 0
        command, self._command = self._command, None
        if command is not None:
            yield from self._wire.block(command)
        bare, self._bare = self._bare, None
        if bare is not None:
            yield from self._wire.block(bare)
        loose, self._loose = self._loose, None
        if loose is not None:
            yield from self._wire.block(loose)
        status, self._status = self._status, None
        if status is not None:
            yield from self._wire.block(status)

    def end(self) -> Iterator[Transfer]:
        """The text ends."""
        yield from self.settle()
        for pipe in list(self._begun):
            yield from self._left(pipe)
        if self._wire.dialogue.spelt:
            yield from self._wire.start(self._wire.owner.last_ns)

    def _stage(self, block: Block) -> Iterator[Transfer]:
        yield from self.settle()
        yield from self._promote()
        yield from self._wire.stage(block)

    def _promote(self) -> Iterator[Transfer]:
        """The request that was only named is under way."""
        named, self._named = self._named, None
        if named is not None and self._wire.control is None:
            yield from self._wire.request(*named)

    def _control_for(self, block: Block) -> bool:
        """Whether bytes are the data of the control request under way."""
        if self._named is not None and self._wire.control is None and block.label == "data":
            for _ in self._promote():
                pass
        control = self._wire.control
        if control is None or not control.wants_data or not control.fits(len(block.data)):
            return False
        if block.label == "data":
            return True
        wrapper = block.data[:4] in (CBW_SIGNATURE, CSW_SIGNATURE)
        return control.transfer.incoming and not wrapper and self._bare is None and not self._begun

    def _sent_before(self, block: Block) -> Iterator[Transfer]:
        """What went out before something came in: its end was not printed, but the answer shows that it was sent."""
        for pipe, begun in list(self._begun.items()):
            if begun.direction == "out" and pipe[:2] == _pipe(block)[:2] and begun.data:
                del self._begun[pipe]
                begun.status = 0
                yield from self._wire.block(begun)

    def _left(self, pipe: Pipe) -> Iterator[Transfer]:
        """A transfer that was begun and of whose end nothing is printed."""
        begun = self._begun.pop(pipe, None)
        if begun is not None:
            yield from self._wire.left(begun)


def _pipe(block: Block) -> Pipe:
    number = (block.endpoint or 0) & 0x0F | (0x80 if block.direction == "in" else 0)
    return block.bus, block.address or 0, number


def _fits(dump: Block, transfer: Block) -> bool:
    """Whether a dump can be the bytes of a transfer: no more than it moved, and a wrapper only where one may be."""
    size, head, length = len(dump.data), bytes(dump.data[:4]), transfer.length
    if length is None or (transfer.status and transfer.direction == "out"):
        return head != CSW_SIGNATURE or transfer.direction == "in"  # of a failed one, what was submitted is shown
    if size > length:
        return False
    if head == CBW_SIGNATURE and size == CBW_SIZE:
        return transfer.direction == "out" and length == CBW_SIZE
    if head == CSW_SIGNATURE and size == CSW_SIZE:
        return transfer.direction == "in"
    return True
