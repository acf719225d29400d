"""Many exchanges held cheaply: one column per fact, rows made when asked for.

An ordinary exchange takes some 90 bytes here, against ten times that as an object. `column` gives the numbers as numpy
arrays, for selections and plots.
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
from sticktrace.storage.columns import Column, Narrow, Plain, Scattered, Streaks
from sticktrace.storage.commands import head, lba_and_blocks, name
from sticktrace.storage.textpool import TextPool
from sticktrace.transport.items import Direction, Exchange, Sense, Status, Transport
from sticktrace.transport.remarks import PHASES, Remark
from sticktrace.transport.run import AGREED, Run

STATUSES, DIRECTIONS, TRANSPORTS = tuple(Status), tuple(Direction), tuple(Transport)
"""What the codes in the columns of that name count in; ``stalled`` holds bits of `PHASES`."""

_HIGHEST = (1 << 63) - 1

_OFFSETS = ("command_ns", "data_ns", "end_ns")
"""Kept as time after ``time_ns``; see `_after`."""


def _columns() -> dict[str, Column]:
    """-1 stands for "none" in those that are signed. ``number`` is kept as what it is more than its row, ``moved`` as
    what it is less than ``expected``."""
    return {
        "number": Streaks(), "time_ns": Plain("q"), "command_ns": Narrow(), "data_ns": Narrow(), "end_ns": Narrow(),
        "bus": Streaks(), "address": Streaks(), "device": Streaks(), "lun": Streaks(), "tag": Narrow(),
        "name": Plain("H"), "lba": Plain("q"), "blocks": Narrow(), "direction": Plain("B"), "expected": Narrow(),
        "moved": Streaks(), "residue": Streaks(), "status": Streaks(), "sense": Streaks(), "case": Plain("b"),
        "stalled": Streaks(), "truncated": Streaks(), "transport": Streaks(), "touches": Plain("I"),
        "command_at": Plain("Q"), "command_captured": Streaks(), "command_actual": Streaks(), "status_at": Plain("Q"),
        "status_captured": Streaks(), "status_actual": Streaks(),
        "first_record": Plain("I"), "records": Streaks(), "piece_at": Plain("Q"),
    }  # fmt: skip


def _after(value: int, time_ns: int) -> int:
    """A time as its distance from another: -1 for none; an earlier one is one less, so that it cannot be that."""
    if value < 0:
        return -1
    return value - time_ns if value >= time_ns else value - time_ns - 1


def _back(distance: int, time_ns: int) -> int:
    """The same turned round."""
    return -1 if distance == -1 else time_ns + distance + (distance < 0)


@lru_cache(maxsize=4096)
def _name_of(first: bytes, device_type: int | None) -> str:
    return name(first, device_type)


_WIRE = len(Wire._fields) - 1
_SHORT = Wire._fields.index("short")


class ExchangeTable:
    """Append exchanges; read rows back by index or slice as `Exchange` objects that equal the appended ones."""

    def __init__(self) -> None:
        self._numbers = _columns()
        self._append = [numbers.append for numbers in self._numbers.values()]
        self._cdbs = bytearray()
        self._cdb_ends = array("I")
        self._records, self._pieces = Scattered(), Scattered()
        """Of exchanges whose records do not follow each other, or whose data did not come in one whole transfer."""
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
        return len(self._cdb_ends)

    def append(self, exchange: Exchange, touches: str = "") -> None:
        """Add one exchange at the end; ``touches`` is what its blocks are on the volume."""
        row = len(self)
        cdb, time_ns, records = exchange.cdb, exchange.time_ns, exchange.records
        lba, blocks = lba_and_blocks(cdb)
        sense = exchange.sense
        at, status_at = exchange.command_at, exchange.status_at
        values = (
            exchange.number - row, time_ns, *(_after(getattr(exchange, name), time_ns) for name in _OFFSETS),
            exchange.bus, exchange.address, self._device(exchange.device), exchange.lun, exchange.tag,
            self._name(exchange), -1 if lba is None else lba, -1 if blocks is None else blocks,
            DIRECTIONS.index(exchange.direction), exchange.expected, exchange.expected - exchange.moved,
            -1 if exchange.residue is None else exchange.residue, STATUSES.index(exchange.status),
            -1 if sense is None else sense.key << 16 | sense.asc << 8 | sense.ascq,
            -1 if exchange.case is None else exchange.case,
            sum(1 << PHASES.index(phase) for phase in exchange.stalled), exchange.truncated,
            TRANSPORTS.index(exchange.transport), self.labels.add(touches), *at, *status_at,
            records[0] if records else 0, len(records), self._piece(row, exchange),
        )  # fmt: skip
        for add, value in zip(self._append, values, strict=True):
            add(value)  # a command may claim any 64-bit address; what is shown is read from its block
        self._cdbs += cdb
        self._cdb_ends.append(len(self._cdbs))
        if records and records != tuple(range(records[0], records[0] + len(records))):
            self._records.add(row, records)
        if exchange.remarks:
            self._remarks[row] = exchange.remarks
        if sense is not None:
            self._senses[row] = sense
        if exchange.not_printed:
            self._not_printed[row] = exchange.not_printed
        if exchange.wire is not None or self._wire_starts:
            self._add_wire(row, exchange.wire)

    def _piece(self, row: int, exchange: Exchange) -> int:
        """Where the data lie that came whole in one transfer; 0 for none, and for others, which are kept beside."""
        pieces = exchange.pieces
        if len(pieces) == 1 and pieces[0].captured == pieces[0].actual == exchange.moved and pieces[0].at:
            return pieces[0].at
        if pieces:
            self._pieces.add(row, [number for piece in pieces for number in piece])
        return 0

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

        columns, row = run.columns, len(self)
        for numbers, value in zip(self._numbers.values(), self._values(run, touches), strict=True):
            numbers.extend(np.broadcast_to(np.asarray(value), len(run)))
        sizes = columns.wide[:, 14]
        self._cdb_ends.frombytes((np.cumsum(sizes, dtype=np.uint32) + np.uint32(len(self._cdbs))).tobytes())
        self._cdbs += columns.wide[:, 15:][np.arange(16) < sizes[:, None]].tobytes()
        for place in np.flatnonzero(~_in_one_piece(run) & (columns.expected > 0)).tolist():
            low, high = columns.pieces[place : place + 2].tolist()
            triples = np.stack([column[low:high] for column in columns[-3:]], axis=1)
            self._pieces.add(row + place, triples.ravel().tolist())

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
            run.number - len(self), columns.time_ns, *(_all_after(times, columns.time_ns) for times in run.times),
            run.bus, run.address, self._device(run.device), luns, columns.tag, names, lbas, blocks, way,
            columns.expected, 0, 0, STATUSES.index(Status.PASSED), -1, np.array(AGREED)[way], 0,
            columns.truncated, TRANSPORTS.index(Transport.BOT), [self.labels.add(text) for text in touches],
            columns.command_at, CBW_SIZE, CBW_SIZE, columns.status_at, CSW_SIZE, CSW_SIZE,
            run.record + columns.first, columns.last + 1 - columns.first,
            np.where(_in_one_piece(run), _first_at(run), 0),
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
        command_ns, data_ns, end_ns = (_back(value[column], value["time_ns"]) for column in _OFFSETS)
        stalled, time_ns, moved = value["stalled"], value["time_ns"], value["expected"] - value["moved"]
        command_at = Piece(value["command_at"], value["command_captured"], value["command_actual"])
        status_at = Piece(value["status_at"], value["status_captured"], value["status_actual"])
        return Exchange(
            value["number"] + row, time_ns, value["bus"], value["address"], value["lun"], value["tag"],
            bytes(self._cdbs[self._cdb_ends[row - 1] if row else 0 : self._cdb_ends[row]]),
            DIRECTIONS[value["direction"]],
            value["expected"], self.devices[value["device"]], moved,
            None if value["residue"] < 0 else value["residue"], STATUSES[value["status"]], self._senses.get(row),
            None if value["case"] < 0 else value["case"],
            tuple(phase for bit, phase in enumerate(PHASES) if stalled >> bit & 1), bool(value["truncated"]),
            self._records_of(row, value["first_record"], value["records"]), self._remarks.get(row, ()),
            self._pieces_of(row, value["piece_at"], moved), command_at, status_at,
            command_ns, data_ns, end_ns,
            TRANSPORTS[value["transport"]], self._not_printed.get(row, ()), self.wire(row),
        )  # fmt: skip

    def _records_of(self, row: int, first: int, count: int) -> tuple[int, ...]:
        found = self._records.of(row)
        return tuple(range(first, first + count)) if found is None else tuple(found)

    def _pieces_of(self, row: int, at: int, moved: int) -> tuple[Piece, ...]:
        if at:
            return (Piece(at, moved, moved),)
        flat = self._pieces.of(row)
        return () if flat is None else tuple(map(Piece, flat[::3], flat[1::3], flat[2::3]))

    def column(self, name: str) -> Any:
        """One column as a numpy array over the rows so far. Names are those of `Exchange`, with codes
        for ``name`` (see `names`), ``status`` (STATUSES), ``direction`` (DIRECTIONS), ``stalled`` (bits of PHASES) and
        ``sense`` (key << 16 | asc << 8 | ascq); -1 stands for none.

        Some block appending while they are held: take one, use it, let it go. Raises SticktraceError for other
        names."""
        import numpy as np

        numbers = self._numbers.get(name)
        if numbers is None:
            raise SticktraceError(f"there is no column {name!r}; there are {', '.join(self._numbers)}")
        found = numbers.whole()
        if name == "number":
            return found + np.arange(len(self))
        if name == "moved":
            return self._numbers["expected"].whole() - found
        if name in _OFFSETS:
            times = self._numbers["time_ns"].whole()
            return np.where(found == -1, -1, times + found + (found < 0))
        return found


def _all_after(values: Any, times_ns: Any) -> Any:
    """`_after` of many."""
    import numpy as np

    return np.where(values < 0, -1, values - times_ns - (values < times_ns))


def _in_one_piece(run: Run) -> Any:
    """Which exchanges of a run got their data whole in one transfer, away from the beginning of the capture."""
    import numpy as np

    return (np.diff(run.columns.pieces) == 1) & ~run.columns.truncated & (_first_at(run) > 0)


def _first_at(run: Run) -> Any:
    """Where the first data transfer of each lies, 0 without any."""
    import numpy as np

    places = np.append(run.columns.piece_at, 0)[run.columns.pieces[:-1]]
    return np.where(np.diff(run.columns.pieces) > 0, places, 0)
