"""What a console's lines say of a storage command, where they do not show its bytes: which command is open, what is due
next, and what of it was not printed.

Bulk-Only Transport has one command open at a time: a CBW of 31 bytes, data, a CSW of 13 bytes (BOT 1.0 5), and sense is
fetched by a command of its own, REQUEST SENSE. So what a transfer without printed bytes was can be told from its place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sticktrace.capture import hex_build
from sticktrace.capture.hex_blocks import CBW_SIZE, CSW_SIZE, Block
from sticktrace.capture.hex_build import Printed
from sticktrace.capture.transfer import Transfer

REQUEST_SENSE = 0x03


@dataclass(slots=True)
class OpenCommand:
    """The command whose CSW has not been seen: the way of its data, how much was announced, its tag, its opcode (-1
    where it is not printed), and how much has been moved."""

    way: str
    expected: int
    tag: int
    opcode: int
    moved: int = 0
    told: bool = True

    @property
    def status_due(self) -> bool:
        """Whether 13 bytes from the device are its CSW: its data is there, or there is none."""
        return self.way == "out" or self.moved > 0 or self.expected != CSW_SIZE


class Dialogue:
    """``open`` is the command under way. ``named`` is a command block, or only its opcode, that was printed apart from
    its wrapper, ``spelt`` whether its bytes were, ``size`` how many it has, 0 where that is not printed."""

    def __init__(self) -> None:
        self.open: OpenCommand | None = None
        self.named = b""
        self.spelt = False
        self.size = 0

    def name(self, block: bytes, *, spelt: bool, size: int = 0) -> None:
        """A command was named, or its block printed by itself."""
        self.named, self.spelt, self.size = block, spelt, size

    def begin(self, data: bytes, not_printed: tuple[str, ...]) -> None:
        """A CBW went out."""
        length = int.from_bytes(data[8:12], "little")
        way = "in" if data[12] & 0x80 else "out"
        opcode = data[15] if len(data) > 15 else -1
        told = "dCBWDataTransferLength" not in not_printed
        self.open = OpenCommand(way, length, int.from_bytes(data[4:8], "little"), opcode, told=told)
        self.name(b"", spelt=False)

    def take_named(self) -> bytes:
        """The command that was named, for the wrapper that is met now."""
        named = self.named
        self.name(b"", spelt=False)
        return named

    def unprinted(self, block: Block) -> Printed | None:
        """What a transfer that moved bytes of which none are printed must have been: a CBW, a CSW, or None for data."""
        if block.direction == "out" and block.length == CBW_SIZE and self.open is None:
            return hex_build.cbw({}, self.take_named())
        if block.direction == "in" and block.length == CSW_SIZE and self.open is not None and self.open.status_due:
            return hex_build.csw({}, self.open.tag)
        return None


class SenseWait:
    """Holds back the end of a REQUEST SENSE whose data is not printed where it came: key and codes may be printed
    below, when the driver has read them."""

    def __init__(self) -> None:
        self._data: Transfer | None = None
        self._held: list[Transfer] = []

    def through(self, transfer: Transfer, opcode: int) -> Iterator[Transfer]:
        """A transfer of the command with this opcode."""
        bare = transfer.endpoint & 0x80 and transfer.actual and not transfer.captured and not transfer.status
        if self._data is None and opcode == REQUEST_SENSE and bare:
            self._data = transfer
        if self._data is not None:
            self._held.append(transfer)
        else:
            yield transfer

    @property
    def waits(self) -> bool:
        """Whether there is such a command."""
        return self._data is not None

    def fill(self, at: int, printed: Printed) -> None:
        """The sense was printed, and lies there."""
        if self._data is not None:
            self._data.data_at, self._data.captured = at, min(len(printed.data), self._data.actual)
            self._data.not_printed = printed.not_printed

    def release(self) -> Iterator[Transfer]:
        """Nothing more will be printed of it."""
        held, self._held, self._data = self._held, [], None
        yield from held
