"""Many exchanges held cheaply: one column per fact, rows made when asked for.

A million exchanges take about 200 bytes each here, against four times that as objects. `columns` gives the numbers as
numpy arrays without copying, for selections and plots.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any, overload

from sticktrace.bus.device import Device
from sticktrace.capture.transfer import Piece
from sticktrace.capture.wire import Moved, Wire
from sticktrace.errors import SticktraceError
from sticktrace.grammar.bot import CBW_SIZE, CSW_SIZE
from sticktrace.storage.commands import head, lba_and_blocks, name
from sticktrace.storage.textpool import TextPool
from sticktrace.transport.items import Direction, Exchange, Sense, Status, Transport
from sticktrace.transport.remarks import PHASES, Remark
from sticktrace.transport.run import AGREED, Run

STATUSES, DIRECTIONS, TRANSPORTS = tuple(Status), tuple(Direction), tuple(Transport)
"""What the codes in the columns of that name count in; ``stalled`` holds bits of `PHASES`."""

_HIGHEST = (1 << 63) - 1

# column name: array type code. -1 stands for "none" in the signed ones.
_NUMBERS = {
    "number": "I", "time_ns": "q", "command_ns": "q", "data_ns": "q", "end_ns": "q", "bus": "H", "address": "H",
    "device": "I", "lun": "H", "tag": "q", "name": "H", "lba": "q", "blocks": "q", "direction": "B",
    "expected": "q", "moved": "q", "residue": "q", "status": "B", "sense": "i", "case": "b", "stalled": "B",
    "truncated": "B", "transport": "B",
    "touches": "I", "command_at": "Q", "command_captured": "I", "command_actual": "I",
    "status_at": "Q", "status_captured": "I", "status_actual": "I",
}  # fmt: skip


@lru_cache(maxsize=4096)
def _name_of(first: bytes, device_type: int | None) -> str:
    return name(first, device_type)


_WIRE = len(Wire._fields) - 1
_SHORT = Wire._fields.index("short")


def _largest(numbers: array[int]) -> int:
    """The largest number that a column holds."""
    return (1 << 8 * numbers.itemsize - numbers.typecode.islower()) - 1


class ExchangeTable:
    """Append exchanges; read rows back by index or slice as `Exchange` objects that equal the appended ones."""

    def __init__(self) -> None:
        self._numbers = {column: array(code) for column, code in _NUMBERS.items()}
        self._append = [(numbers.append, _largest(numbers)) for numbers in self._numbers.values()]
        self._cdbs = bytearray()
        self._cdb_sizes = array("B")
        self._records = array("I")
        self._record_starts = array("Q", (0,))
        self._pieces = array("Q")
        self._piece_starts = array("Q", (0,))
        self._remarks: dict[int, tuple[Remark, ...]] = {}
        self._senses: dict[int, Sense] = {}
        self._not_printed: dict[int, tuple[str, ...]] = {}
        self._wires = array("q")
        self._wire_starts = array("Q")
        self.names: list[str] = []
        """Command names in order of first use; the ``name`` column counts in it."""
        self._name_index: dict[str, int] = {}
        self.devices: list[Device] = []
        """Devices in order of first use; the ``device`` column counts in it."""
        self._device_index: dict[Device, int] = {}
        self.labels = TextPool()
        """What exchanges touch on the volume; the ``touches`` column counts in it."""

    def __len__(self) -> int:
        return len(self._cdb_sizes)

    def append(self, exchange: Exchange, touches: str = "") -> None:
        """Add one exchange at the end; ``touches`` is what its blocks are on the volume."""
        row = len(self._cdb_sizes)
        cdb = exchange.cdb
        lba, blocks = lba_and_blocks(cdb)
        sense = exchange.sense
        at, status_at = exchange.command_at, exchange.status_at
        values = (
            exchange.number, exchange.time_ns, exchange.command_ns, exchange.data_ns, exchange.end_ns, exchange.bus,
            exchange.address, self._device(exchange.device), exchange.lun, exchange.tag, self._name(exchange),
            -1 if lba is None else lba, -1 if blocks is None else blocks, DIRECTIONS.index(exchange.direction),
            exchange.expected, exchange.moved,
            -1 if exchange.residue is None else exchange.residue, STATUSES.index(exchange.status),
            -1 if sense is None else sense.key << 16 | sense.asc << 8 | sense.ascq,
            -1 if exchange.case is None else exchange.case,
            sum(1 << PHASES.index(phase) for phase in exchange.stalled), exchange.truncated,
            TRANSPORTS.index(exchange.transport), self.labels.add(touches), *at, *status_at,
        )  # fmt: skip
        for (add, most), value in zip(self._append, values, strict=True):
            try:
                add(value)
            except OverflowError:  # a command may claim any 64-bit address; what is shown is read from its block
                add(most)
        self._cdbs += cdb.ljust(16, b"\0")
        self._cdb_sizes.append(len(cdb))
        self._records.extend(exchange.records)
        self._record_starts.append(len(self._records))
        for piece in exchange.pieces:
            self._pieces.extend(piece)
        self._piece_starts.append(len(self._pieces) // 3)
        if exchange.remarks:
            self._remarks[row] = exchange.remarks
        if sense is not None:
            self._senses[row] = sense
        if exchange.not_printed:
            self._not_printed[row] = exchange.not_printed
        if exchange.wire is not None or self._wire_starts:
            self._add_wire(row, exchange.wire)

    def _add_wire(self, row: int, wire: Wire | None) -> None:
        """Of a capture without packets nothing is kept."""
        while len(self._wire_starts) <= row:
            self._wire_starts.append(len(self._wires))
        if wire is not None:
            self._wires.extend(wire[:-1])
            for moved in wire.moved:
                self._wires.extend(moved)

    def wire(self, row: int) -> Wire | None:
        """What packets add to the exchange of a row; None where there are none."""
        if row >= len(self._wire_starts):
            return None
        last = row + 1 == len(self._wire_starts)
        flat = self._wires[self._wire_starts[row] : None if last else self._wire_starts[row + 1]]
        if not flat:
            return None
        size = len(Moved._fields)
        moved = tuple(Moved(*flat[at : at + size]) for at in range(_WIRE, len(flat), size))
        return Wire._make([*flat[:_WIRE], moved])._replace(short=bool(flat[_SHORT]))

    def extend(self, run: Run, touches: Sequence[str]) -> None:
        """Add the exchanges of a run at the end; ``touches`` has one text for each."""
        import numpy as np

        columns = run.columns
        for numbers, value in zip(self._numbers.values(), self._values(run, touches), strict=True):
            whole = np.broadcast_to(np.asarray(value), len(run))
            numbers.frombytes(whole.astype(numbers.typecode).tobytes())
        sizes = columns.wide[:, 14]
        blocks = np.where(np.arange(16) < sizes[:, None], columns.wide[:, 15:], 0)
        first = run.record + int(columns.first[0])
        pieces = np.stack((columns.piece_at, columns.piece_captured, columns.piece_length), axis=1)
        self._cdbs += blocks.astype(np.uint8).tobytes()
        self._cdb_sizes.frombytes(sizes.tobytes())
        record_ends = columns.last + 1 - columns.first[0] + len(self._records)
        self._record_starts.frombytes(record_ends.astype(np.uint64).tobytes())
        self._records.extend(range(first, first + run.records))
        piece_ends = columns.pieces[1:] + len(self._pieces) // 3
        self._piece_starts.frombytes(piece_ends.astype(np.uint64).tobytes())
        self._pieces.frombytes(pieces.astype(np.uint64).tobytes())

    def _values(self, run: Run, touches: Sequence[str]) -> tuple[Any, ...]:
        """What goes into the columns, in the order of these, for all exchanges of a run."""
        import numpy as np

        columns, cdbs = run.columns, run.cdbs()
        luns = columns.wide[:, 13]
        named: dict[tuple[int, bytes], int] = {}
        names, addresses = [], []
        for place, (cdb, lun) in enumerate(zip(cdbs, luns.tolist(), strict=True)):
            first = (lun, head(cdb))
            if first not in named:
                named[first] = self._name(run.exchange(place))
            names.append(named[first])
            lba, blocks = lba_and_blocks(cdb)
            addresses.append((-1 if lba is None else min(lba, _HIGHEST), -1 if blocks is None else blocks))
        lbas, blocks = np.array(addresses, np.int64).T
        way = np.where(columns.expected == 0, 0, np.where(run.incoming, 1, 2))
        return (
            np.arange(run.number, run.number + len(run)), columns.time_ns, columns.command_ns, columns.data_ns,
            columns.end_ns, run.bus, run.address, self._device(run.device), luns, columns.tag, names, lbas, blocks, way,
            columns.expected, columns.expected, 0, STATUSES.index(Status.PASSED), -1, np.array(AGREED)[way], 0,
            columns.truncated, TRANSPORTS.index(Transport.BOT), [self.labels.add(text) for text in touches],
            columns.command_at, CBW_SIZE, CBW_SIZE, columns.status_at, CSW_SIZE, CSW_SIZE,
        )  # fmt: skip

    def touches(self, row: int) -> str:
        """What the exchange of a row touches on the volume, "" for nothing or not known."""
        return self.labels[self._numbers["touches"][row]]

    def _name(self, exchange: Exchange) -> int:
        words = _name_of(head(exchange.cdb), exchange.device_type)
        index = self._name_index.get(words)
        if index is None:
            index = self._name_index[words] = len(self.names)
            self.names.append(words)
        return index

    def _device(self, device: Device) -> int:
        index = self._device_index.get(device)
        if index is None:
            index = self._device_index[device] = len(self.devices)
            self.devices.append(device)
        return index

    @overload
    def __getitem__(self, index: int) -> Exchange: ...

    @overload
    def __getitem__(self, index: slice) -> list[Exchange]: ...

    def __getitem__(self, index: int | slice) -> Exchange | list[Exchange]:
        if isinstance(index, slice):
            return [self._row(row) for row in range(*index.indices(len(self)))]
        row = index + len(self) if index < 0 else index
        if not 0 <= row < len(self):
            raise IndexError(index)
        return self._row(row)

    def __iter__(self) -> Iterator[Exchange]:
        return (self._row(row) for row in range(len(self)))

    def _row(self, row: int) -> Exchange:
        value = {column: numbers[row] for column, numbers in self._numbers.items()}
        stalled = value["stalled"]
        first, last = self._piece_starts[row], self._piece_starts[row + 1]
        flat = self._pieces[3 * first : 3 * last]
        command_at = Piece(value["command_at"], value["command_captured"], value["command_actual"])
        status_at = Piece(value["status_at"], value["status_captured"], value["status_actual"])
        return Exchange(
            value["number"], value["time_ns"], value["bus"], value["address"], value["lun"], value["tag"],
            bytes(self._cdbs[16 * row : 16 * row + self._cdb_sizes[row]]), DIRECTIONS[value["direction"]],
            value["expected"], self.devices[value["device"]], value["moved"],
            None if value["residue"] < 0 else value["residue"], STATUSES[value["status"]], self._senses.get(row),
            None if value["case"] < 0 else value["case"],
            tuple(phase for bit, phase in enumerate(PHASES) if stalled >> bit & 1), bool(value["truncated"]),
            tuple(self._records[self._record_starts[row] : self._record_starts[row + 1]]),
            self._remarks.get(row, ()), tuple(map(Piece, flat[::3], flat[1::3], flat[2::3])),
            command_at, status_at, value["command_ns"], value["data_ns"], value["end_ns"],
            TRANSPORTS[value["transport"]], self._not_printed.get(row, ()), self.wire(row),
        )  # fmt: skip

    def column(self, name: str) -> Any:
        """One column as a numpy array over the rows so far, without copying. Names are those of `Exchange`, with codes
        for ``name`` (see `names`), ``status`` (STATUSES), ``direction`` (DIRECTIONS), ``stalled`` (bits of PHASES) and
        ``sense`` (key << 16 | asc << 8 | ascq); -1 stands for none.

        A view blocks appending while it is held: take it, use it, let it go. Raises SticktraceError for other names."""
        import numpy as np

        numbers = self._numbers.get(name)
        if numbers is None:
            raise SticktraceError(f"there is no column {name!r}; there are {', '.join(self._numbers)}")
        return np.frombuffer(numbers, dtype=numbers.typecode)
