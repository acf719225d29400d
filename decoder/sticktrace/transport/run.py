"""Exchanges in a row in which everything agreed, held as columns; iterate for the same as `Exchange` objects.

Rooms that count or measure take the columns; for all others a run is just its exchanges.
"""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.bus.device import Device
from sticktrace.capture.blocks import Column
from sticktrace.capture.transfer import Piece
from sticktrace.grammar.bot import CBW_SIZE, CSW_SIZE
from sticktrace.transport.agreeing import Agreed
from sticktrace.transport.items import PASSED, Direction, Exchange

_NONE, _IN, _OUT = Direction
_AT_ONCE = 2048
AGREED = (1, 6, 12)
"""Cases of BOT 1.0 6.7 in which host and device agree: without data, in, out."""
_CASES = dict(zip(Direction, AGREED, strict=True))
_new = tuple.__new__  # see transport/bot.py


class Run:
    """Exchanges of one lane, nothing between them; all of them passed without residue, stall, remark or sense.

    ``number`` is that of the first, ``record`` the number of the first record of the capture's block that ``columns``
    count in.
    """

    __slots__ = ("address", "bus", "columns", "device", "number", "record")

    def __init__(self, device: Device, columns: Agreed, number: int, record: int) -> None:
        pipe = int(columns.pipe_out[0])
        self.device, self.bus, self.address = device, pipe >> 16, pipe >> 8 & 0xFF
        self.columns, self.number, self.record = columns, number, record

    def __len__(self) -> int:
        return len(self.columns.first)

    @property
    def records(self) -> int:
        """How many records its exchanges account for."""
        return int(self.columns.last[-1]) - int(self.columns.first[0]) + 1

    @property
    def opcodes(self) -> Column:
        """The operation code of each."""
        return self.columns.wide[:, 15]

    @property
    def incoming(self) -> Column:
        """Whether each asked for data, where it moved any."""
        return self.columns.wide[:, 12] >= 0x80

    @property
    def times(self) -> tuple[Column, Column, Column]:
        """``command_ns``, ``data_ns`` and ``end_ns`` of each."""
        return self.columns.command_ns, self.columns.data_ns, self.columns.end_ns

    @property
    def lun(self) -> int:
        """The LUN that all of them went to, -1 for several."""
        luns = self.columns.wide[:, 13]
        return int(luns[0]) if (luns == luns[0]).all() else -1

    def cdbs(self) -> list[bytes]:
        """The command block of each."""
        blocks = self.columns.wide[:, 15:].tobytes()
        sizes = enumerate(self.columns.wide[:, 14].tolist())
        return [blocks[16 * at : 16 * at + size] for at, size in sizes]

    def exchange(self, index: int) -> Exchange:
        """One of them."""
        return next(iter(self.part(index, index + 1)))

    def part(self, start: int, stop: int) -> Run:
        """Some of its exchanges."""
        return Run(self.device, self.columns.part(start, stop), self.number + start, self.record)

    def __iter__(self) -> Iterator[Exchange]:
        for start in range(0, len(self), _AT_ONCE):
            yield from self.part(start, min(start + _AT_ONCE, len(self)))._exchanges()

    def _exchanges(self) -> Iterator[Exchange]:
        columns, device, bus, address, record = self.columns, self.device, self.bus, self.address, self.record
        triples = zip(*(column.tolist() for column in columns[-3:]), strict=True)
        pieces = [_new(Piece, triple) for triple in triples]
        edges = columns.pieces.tolist()
        wide = columns.wide
        directions = [_IN if flags & 0x80 else _OUT for flags in wide[:, 12].tolist()]
        plain = (columns.first, columns.last, columns.tag, columns.expected, columns.time_ns, columns.command_ns,
                 columns.data_ns, columns.end_ns, columns.command_at, columns.status_at, columns.truncated)  # fmt: skip
        given = (*(column.tolist() for column in plain), self.cdbs(), wide[:, 13].tolist(), directions)
        for at, row in enumerate(zip(*given, edges, edges[1:], strict=False)):
            (first, last, tag, expected, time_ns, command_ns, data_ns, end_ns, command_at, status_at, truncated, cdb,
             lun, direction, low, high) = row  # fmt: skip
            if not expected:
                direction = _NONE
            yield Exchange(
                self.number + at, time_ns, bus, address, lun, tag, cdb, direction,
                expected, device, expected, 0, PASSED, None, _CASES[direction], (), truncated,
                tuple(range(record + first, record + last + 1)), (), tuple(pieces[low:high]),
                _new(Piece, (command_at, CBW_SIZE, CBW_SIZE)), _new(Piece, (status_at, CSW_SIZE, CSW_SIZE)),
                command_ns, data_ns, end_ns,
            )  # fmt: skip
