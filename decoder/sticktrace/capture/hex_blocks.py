"""Lines of hex text become blocks: one per directed line or per dump that goes on over several lines."""

from __future__ import annotations

from dataclasses import dataclass, field

from sticktrace.capture.hex_lines import CBW_SIGNATURE, CSW_SIGNATURE, LOOSE, PLAIN, SIGNED, Line

LARGEST_BLOCK = 1 << 20
"""A block ends here at the latest; no firmware prints more at a time."""

MOST_REPEATED = 16 << 20
"""Bytes that the mark for repeated lines may stand for in one capture: a few characters must not fill the memory."""

CBW_SIZE, CSW_SIZE, SETUP_SIZE = 31, 13, 8


@dataclass(slots=True)
class Block:
    """Bytes that belong together, and what the text says of them, by the names of `Line`."""

    time_ns: int
    direction: str = ""
    label: str = ""
    length: int | None = None
    endpoint: int | None = None
    address: int | None = None
    status: int | None = None
    bus: int = 0
    asked: int | None = None
    kept: int | None = None
    took_ns: int = 0
    unknown: str = ""
    not_printed: tuple[str, ...] = ()
    data: bytearray = field(default_factory=bytearray)


class BlockBuilder:
    """Collects the lines of one block. ``announced`` is a heading that waits for its bytes."""

    def __init__(self) -> None:
        self.announced: Block | None = None
        self._block: Block | None = None
        self._next_offset: int | None = None
        self._closed_offset: int | None = None
        self._last = b""
        self._star = False
        self._lead = ""
        self._repeatable = MOST_REPEATED

    def goes_on(self, line: Line) -> bool:
        """Whether a block is open and this line looks like the one before, or holds bytes alone."""
        return self._block is not None and (line.bare or line.lead == self._lead)

    @property
    def complete(self) -> bool:
        """Whether the block has all it can have: the stated length, or a whole wrapper."""
        block = self._block
        if block is None:
            return False
        size, head = len(block.data), bytes(block.data[:4])
        if block.kept is not None:
            return True
        if block.length is not None and block.length >= size:
            return size == block.length
        wrapper = (head == CBW_SIGNATURE and size == CBW_SIZE) or (head == CSW_SIGNATURE and size == CSW_SIZE)
        return size >= LARGEST_BLOCK or wrapper or (block.label == "setup" and size >= SETUP_SIZE)

    def heading(self, line: Line, time_ns: int) -> Block:
        """What a line says of bytes that follow on other lines, or of a transfer that moved none."""
        return Block(
            time_ns, line.direction, line.label, line.length, line.endpoint, line.address, line.status, line.bus,
            line.asked, line.kept, line.took_ns, line.unknown,
        )  # fmt: skip

    def foreign(self, line: Line) -> bool:
        """Whether the line begins with a wrapper that cannot be what the waiting heading announces."""
        heading, head = self.announced, line.data[:4]
        if heading is None or line.worth != SIGNED:
            return False
        way, size = ("out", CBW_SIZE) if head == CBW_SIGNATURE else ("in", CSW_SIZE)
        asked = heading.length if heading.asked is None else heading.asked
        return heading.direction not in ("", way) or asked not in (None, size)

    def continues(self, line: Line) -> bool:
        """Whether the bytes of this line go on with the open block."""
        block = self._block
        if block is None or line.label not in ("", block.label) or line.status is not None:
            return False
        if line.offset is not None and self._next_offset is not None:
            ahead = line.offset - self._next_offset
            fits = ahead == 0 or (self._star and 0 < ahead <= LARGEST_BLOCK - len(block.data))
            return fits and line.direction in ("", block.direction)
        if line.direction or line.label or line.worth not in (PLAIN, LOOSE, SIGNED):
            return False
        # Without offsets a signature at the start of a line begins something new, unless bytes are still owed.
        owed = block.length is not None and len(block.data) < block.length
        return owed or line.worth != SIGNED

    def add(self, line: Line, time_ns: int) -> None:
        """Takes the bytes of a line, into the open block or a new one."""
        if self._block is None:
            self._block = self._begin(line, time_ns)
            self._next_offset = line.offset
        self._repeat_to(line.offset)
        self._block.data += line.data
        if line.offset is not None:
            self._next_offset = line.offset + len(line.data)
        elif self._next_offset is not None:
            self._next_offset += len(line.data)
        self._last, self._star, self._lead = line.data, False, line.lead

    def _begin(self, line: Line, time_ns: int) -> Block:
        block = self.heading(line, time_ns)
        heading, self.announced = self.announced, None
        if heading is None or (line.direction and line.direction != heading.direction):
            return block
        block.time_ns, block.took_ns, block.unknown = heading.time_ns, heading.took_ns, heading.unknown
        block.bus = block.bus or heading.bus
        block.direction = block.direction or heading.direction
        block.label = block.label or heading.label
        for name in ("length", "endpoint", "address", "status", "asked"):
            if getattr(block, name) is None:
                setattr(block, name, getattr(heading, name))
        return block

    def repeats(self, line: Line) -> bool:
        """Whether the line is the mark "*" that a dump puts for lines equal to the one before."""
        if self._block is not None and line.text == "*" and self._next_offset is not None:
            self._star = True
        return self._star and line.text == "*"

    def _repeat_to(self, offset: int | None) -> None:
        block, last = self._block, self._last
        if not self._star or block is None or offset is None or self._next_offset is None or not last:
            return
        missing = max(0, min(offset - self._next_offset, LARGEST_BLOCK - len(block.data), self._repeatable))
        self._repeatable -= missing
        block.data += (last * (missing // len(last) + 1))[:missing]

    def more(self, count: int) -> bool:
        """So many bytes of the open block are not printed. Returns whether there is one."""
        if self._block is not None:
            self._block.length = len(self._block.data) + count
        return self._block is not None

    def ends_at(self, line: Line) -> bool:
        """Whether the line is the closing offset of a dump: alone on its line, and where the next byte would be. The
        block itself may have ended before, when its stated length was reached."""
        expected = self._closed_offset if self._block is None else self._next_offset
        if expected is None or not line.bare or line.offset is not None or " " in line.text:
            return False
        number = int.from_bytes(line.data, "big")
        if self._star and 0 < number - expected <= LARGEST_BLOCK:
            self._repeat_to(number)
            return True
        return number == expected

    def ends_at_blank(self) -> bool:
        """Whether an empty line ends the open block: it does unless bytes are still owed."""
        block = self._block
        return block is not None and (block.length is None or len(block.data) >= block.length)

    def take(self) -> Block | None:
        """Hands the open block on."""
        block, self._block = self._block, None
        if block is not None:
            self._closed_offset = self._next_offset
        self._next_offset, self._last, self._star = None, b"", False
        return block
