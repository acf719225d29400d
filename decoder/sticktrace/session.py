"""A capture as Python sees it: open it, and take exchanges, requests and devices out of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol, overload

from sticktrace.bus.requests import Request
from sticktrace.capture import Damage, Payload, Piece, Reader, Transfer, reader_of
from sticktrace.capture.binary import BinaryReader
from sticktrace.capture.blocks import Block, BlockWalk, frames
from sticktrace.capture.reader import SAID
from sticktrace.capture.source import Source, open_source
from sticktrace.errors import CaptureError
from sticktrace.transport.agreeing import find, stretches
from sticktrace.transport.blame import Blame
from sticktrace.transport.items import PASSED, Exchange, Item, Saying, Stray
from sticktrace.transport.router import BEYOND, Router
from sticktrace.transport.run import Run

if TYPE_CHECKING:
    from sticktrace.capture.line_patterns import LinePatterns
    from sticktrace.storage.table import ExchangeTable

Progress = Callable[[int, int], None]
Label = Callable[[Exchange], str]
_STEP = 256
"""Transfers between two looks at how far the reading is, for progress and for giving pages back."""

_SMALL, _FEW = 1 << 20, 8
"""Captures of fewer bytes, and exchanges in a row that are fewer, are read one by one: blocks would take longer."""


class Strand(Protocol):
    """What else was written down at the time, for one pass: `until` puts what it says up to a time among the items of
    the pass, None for all of it. ``due_ns`` is when it has something to say next."""

    due_ns: int

    def until(self, time_ns: int | None) -> None:
        """See above."""


class Beside(Protocol):
    """What else was written down at the time; ``assumed`` says what was taken for granted of it."""

    @property
    def assumed(self) -> list[str]:
        """In sentences."""

    def begin(self, reading: Reading) -> Strand:
        """For one pass."""

    def close(self) -> None:
        """No pass more."""


class Reading:
    """One pass over a capture, from its first record to its last, in time order.

    Iterate it to get `Exchange`, `Request`, `BusEvent` and `Stray` items in the order in which they began. During and
    after that, ``bus`` holds the devices, ``records`` the number of records so far, ``damage`` what was broken, and
    `places` where the records ended.
    """

    def __init__(
        self,
        source: Source,
        progress: Progress | None = None,
        patterns: LinePatterns | None = None,
        store: Payload | None = None,
        in_blocks: bool | None = None,
        beside: Beside | None = None,
    ) -> None:
        source.check(len(source.data))  # what is gone can no longer be touched
        self._source = source
        self._in_blocks = in_blocks
        self._progress = progress
        self._released = 0
        data, kept = source.data, store or Payload()
        self.reader: Reader = reader_of(source.name, data, patterns, kept, source.known, source.live)
        self.reader.passed = self._report
        self.router = Router(self._read, self.reader.overdue)
        self.bus = self.router.bus
        self.bus.told = self.reader.told
        self._seen: Counter[str] = Counter()
        self._in_exchanges = 0
        self._blame = Blame()
        self._beside = beside
        self._strand = beside.begin(self) if beside is not None else None

    def _read(self, at: int, length: int) -> bytes:
        try:
            found: bytes = self.reader.payload[at : at + length]
        except ValueError as error:  # a map that was closed meanwhile
            self._source.check()
            raise error
        return found if found.__class__ is bytes else bytes(found)

    def read(self, piece: Piece) -> bytes:
        """The captured bytes of a piece. Raises CaptureError where they can no longer be read."""
        if self.reader.payload is self.reader.data:
            self._source.check(piece.at + piece.captured)
        return self._read(piece.at, piece.captured)

    @property
    def records(self) -> int:
        """Records taken in so far."""
        return self.reader.records

    @property
    def damage(self) -> list[Damage]:
        """What is broken in the capture itself."""
        return self._source.damage + self.reader.damage

    @property
    def assumed(self) -> list[str]:
        """What the capture does not say and was taken for granted, in sentences; complete after the pass."""
        told = "the storage pipes of device {}.{} are told by the signatures of the traffic; no descriptor shows them"
        places = sorted({(device.bus, device.address) for device in self.router.inferred})
        unread = "" if self.router.out.numbered else self.reader.unread.words
        inferred = [told.format(*place) for place in places]
        if beyond := self.router.elsewhere.get(BEYOND):
            inferred.append(f"{beyond:,} {BEYOND} are left out")
        return self.logs + self.reader.assumed + inferred + ([unread] if unread else [])

    @property
    def logs(self) -> list[str]:
        """How each log beside the capture stands to it, in sentences; complete after the pass."""
        return self._beside.assumed if self._beside is not None else []

    def __iter__(self) -> Iterator[Item]:
        yield from self.more()
        yield from self.finish()

    def parts(self) -> Iterator[Item | Run]:
        """The same as iterating, with exchanges of which nothing is to say but columns of numbers left together."""
        yield from self.more_parts()
        yield from self.finish()

    def more(self) -> Iterator[Item]:
        """Items from what the source holds now. May be called again when a capture that is still being written has
        grown; see `Capture.refresh`. What another program cut off meanwhile is damage, and ends them."""
        if self._block_walk() is None:
            yield from self.more_parts()  # type: ignore[misc] # there are no runs
            return
        for part in self.more_parts():
            if part.__class__ is Run:
                yield from part
            else:
                yield part  # type: ignore[misc]

    def settle(self) -> Iterator[Item]:
        """Nothing has come for a while: items from what waits only for a line that might go on."""
        yield from self._one_by_one(self.reader.settle())

    def more_parts(self) -> Iterator[Item | Run]:
        """What `parts` is to iterating, `more_parts` is to `more`."""
        reader, walk = self.reader, self._block_walk()
        reader.data = self._source.data
        try:
            if walk is not None and isinstance(reader, BinaryReader):
                yield from self._steps(reader, walk)
            else:
                yield from self._one_by_one(reader.transfers())
        except ValueError as error:
            self._source.check()  # a map that was closed meanwhile
            raise error

    def _block_walk(self) -> BlockWalk | None:
        """What gives records in blocks; None where they are to be taken one by one."""
        wanted = len(self._source.data) > _SMALL if self._in_blocks is None else self._in_blocks
        reader = self.reader
        if not wanted or self._strand is not None or not isinstance(reader, BinaryReader):
            return None
        return reader.block_walk

    def _steps(self, reader: BinaryReader, walk: BlockWalk) -> Iterator[Item | Run]:
        for step in reader.steps(walk):
            if not self._report():
                return
            if isinstance(step, Block):
                whole = yield from self._block(reader, step)
            else:
                whole = yield from self._one_by_one(reader.transfers_of((step,)))
            if not whole:
                return

    def _block(self, reader: BinaryReader, block: Block) -> Generator[Item | Run, None, bool]:
        """Exchanges that agree as runs, wherever nothing else is open; all other records one by one."""
        halves = reader.halves(block) if len(block.at) >= _FEW else None
        found = None if halves is None else find(halves, reader.data)
        number, done = reader.records + 1, 0
        if halves is not None and found is not None:
            for low, high in stretches(found):
                refused = 0
                while high - low >= _FEW:
                    start = int(found.first[low])
                    if not (yield from self._one_by_one(reader.transfers_of(frames(block, done, start)))):
                        return False
                    done = start
                    some = found.part(low, high)
                    stop = int(some.last[-1]) + 1
                    calm = reader.undisturbed(int(some.pipe_out[0]), halves.ident[start:stop])
                    run = self.router.take_all(some, number) if calm else None
                    if run is None:
                        low += 1 << refused
                        refused += 1
                        continue
                    reader.pass_over(run.records, int(run.columns.end_ns[-1]))
                    self._in_exchanges += run.records
                    yield run
                    if not self._report():
                        return False
                    done += run.records
                    low, refused = low + len(run), 0
        rest = frames(block, done, len(block.at))
        return (yield from self._one_by_one(reader.transfers_of(rest)))

    def _one_by_one(self, transfers: Iterable[Any]) -> Generator[Item, None, bool]:
        """The items that come of these transfers; returns whether the rest of the file is still there."""
        out, take = self.router.out, self.router.out.take
        feed = self.router.hear if self.reader.speaks else self.router.feed
        command_before, strand = self.reader.command_before, self._strand
        for count, transfer in enumerate(transfers, 1):
            if strand is not None and strand.due_ns <= _time_of(transfer):
                strand.until(_time_of(transfer))
            feed(transfer)
            while out.waits and not (command_before(out.first_ns) and out.may_hold):
                item = take()
                if item.__class__ is Exchange and item.status is PASSED and item.wire is None:
                    self._in_exchanges += len(item.records)
                else:
                    self._account(item)
                yield item
            if not count % _STEP and not self._report():
                return False
        return True

    def finish(self) -> Iterator[Item]:
        """The last items: nothing more will come."""
        feed = self.router.hear if self.reader.speaks else self.router.feed
        if self._source.is_whole():
            for transfer in self.reader.finish():
                feed(transfer)
        if self._strand is not None:
            self._strand.until(None)
        self.router.end()
        for item in self.router.out.ready():
            self._account(item)
            yield item
        self._report()

    def _account(self, item: Item) -> None:
        if isinstance(item, Exchange):
            self._in_exchanges += _weight(item)
            self._blame.failed(item)
        elif isinstance(item, Request):
            if not item.done:
                self._blame.failed(item)
            if not item.in_exchange:
                self._seen["control requests"] += _weight(item)
        elif isinstance(item, Saying):
            item.blames = self._blame.of(item)
            if not item.in_exchange:
                self._seen[SAID] += len(item.records)
        elif isinstance(item, Stray):
            self._seen[f"not understood: {item.kind}"] += _weight(item)

    def _report(self) -> bool:
        """Tells how far the reading is; returns whether the rest of the file is still there."""
        position = self.reader.position
        self._released = self._source.release(self._released, position)
        if self._progress is not None:
            self._progress(position, len(self._source.data))
        return self._source.is_whole()

    def not_understood(self) -> int:
        """Records on storage pipes that belong to no exchange."""
        return sum(count for place, count in self._seen.items() if place.startswith("not understood"))

    def places(self) -> Counter[str]:
        """Where each record ended, in words; the sum is the number of records."""
        places = self._seen + self.router.elsewhere + self.reader.places
        if self._in_exchanges:
            places["storage exchanges"] = self._in_exchanges
        for reason, count in self.reader.skipped.items():
            places[f"not understood: {reason}"] += count
        return places


def _time_of(item: Any) -> int:
    """When a transfer ended, or a statement was made."""
    return int(item.end_ns if isinstance(item, Transfer) else item.time_ns)


def _weight(item: Exchange | Request | Stray) -> int:
    """Records of the capture that an item accounts for: of packets there are more than it names."""
    return len(item.records) if item.wire is None else item.wire.packets


class Exchanges:
    """The storage exchanges of a capture. Iterating streams them in one pass and keeps none; the first index, slice or
    `len` reads the capture into an `ExchangeTable` of some 200 bytes an exchange."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._table: ExchangeTable | None = None

    @property
    def table(self) -> ExchangeTable:
        """All of them as columns."""
        if self._table is None:
            from sticktrace.storage.table import ExchangeTable

            table = ExchangeTable()
            for exchange in self:
                table.append(exchange)
            self._table = table
        return self._table

    def to_arrow(self, label: Label | None = None) -> Any:
        """All of them as a `pyarrow.Table` (`sticktrace.storage.arrow.COLUMNS` says what the columns are). ``label``
        gives the column ``touches``: what the blocks of an exchange are on the volume. Raises SticktraceError where
        pyarrow is not installed."""
        from sticktrace.storage.arrow import table

        return table((exchange, label(exchange) if label else "") for exchange in self)

    def to_pandas(self, label: Label | None = None) -> Any:
        """The same as a `pandas.DataFrame`. Needs pandas as well."""
        from sticktrace.storage.arrow import frame

        return frame((exchange, label(exchange) if label else "") for exchange in self)

    def __iter__(self) -> Iterator[Exchange]:
        if self._table is not None:
            return iter(self._table)
        return (item for item in self._capture.items() if isinstance(item, Exchange))

    def __len__(self) -> int:
        return len(self.table)

    @overload
    def __getitem__(self, index: int) -> Exchange: ...

    @overload
    def __getitem__(self, index: slice) -> list[Exchange]: ...

    def __getitem__(self, index: int | slice) -> Exchange | list[Exchange]:
        return self.table[index]


class Capture:
    """An opened capture. Each call that iterates makes one pass over it; nothing but the file, and the payload of a
    text, is kept in between. `read` and `data` take what any pass gave, in any order, in any thread.

    >>> with sticktrace.open("capture.pcap") as capture:            # doctest: +SKIP
    ...     for exchange in capture.exchanges():
    ...         print(exchange.number, exchange.command, exchange.status)
    """

    def __init__(self, source: Source, progress: Progress | None = None, patterns: LinePatterns | None = None) -> None:
        self.source = source
        self.name = source.name
        self._progress = progress
        self.patterns = patterns
        self._store = Payload()
        self.beside: Beside | None = None
        """Logs that stand beside the capture, see `sticktrace.timeline`."""
        reader = reader_of(source.name, source.data, patterns, self._store, source.known, source.live)
        self.form, self.log_apart = reader.form, reader.log_apart
        self._payload: Any = reader.payload
        self._plain = reader.payload is source.data

    def reading(self, in_blocks: bool | None = None, tell: bool = True) -> Reading:
        """A new pass over the capture, not begun. What it gives is the same whether records are taken in blocks or one
        by one; left alone, a long capture is read in blocks. ``tell`` False leaves the progress to another pass."""
        progress = self._progress if tell else None
        return Reading(self.source, progress, self.patterns, self._store, in_blocks, self.beside)

    def alone(self) -> Reading:
        """A new pass over the capture without the logs beside it, not begun."""
        return Reading(self.source, self._progress, self.patterns, self._store)

    def skim(self) -> Reading:
        """A pass that only counts records and looks for damage, finished; it pairs nothing."""
        reading = self.reading()
        for _ in reading.reader.transfers():
            pass
        for _ in reading.reader.finish():
            pass
        return reading

    def read_through(self) -> Reading:
        """A pass over all of it, finished, for what a reading tells only then."""
        reading = self.reading()
        for _ in reading.parts():
            pass
        return reading

    def items(self) -> Iterator[Item]:
        """Everything in the order in which it began: `Exchange`, `Request`, `BusEvent`, `Stray`."""
        return iter(self.reading())

    def exchanges(self) -> Exchanges:
        """The storage exchanges in time order: iterate, index or slice."""
        return Exchanges(self)

    def requests(self) -> Iterator[Request]:
        """The control requests in time order."""
        return (item for item in self.items() if isinstance(item, Request))

    def read(self, piece: Piece) -> bytes:
        """The captured bytes of a piece of an exchange or request that this capture gave, in whatever pass. Raises
        CaptureError where they can no longer be read."""
        if piece.captured <= 0:
            return b""
        if self._plain:
            found = self.source.read(piece.at, piece.captured)
        else:
            self.source.check()
            found = self._payload[piece.at : piece.at + piece.captured]
            if len(found) < piece.captured:
                self._payload = self.skim().reader.payload
                found = self._payload[piece.at : piece.at + piece.captured]
        if len(found) < piece.captured:
            raise CaptureError(f"{self.name}: has no {piece.captured} bytes at place {piece.at}; is the piece its own?")
        return found

    def data(self, exchange: Exchange) -> bytes:
        """The captured data of an exchange, transfer after transfer. It can be large; bytes that the capture lacks are
        left out, see ``exchange.truncated``."""
        return b"".join(self.read(piece) for piece in exchange.pieces)

    def text_payload(self) -> Payload:
        """A copy of what the passes so far decoded of a text, to be changed."""
        return self._store.copy()

    def refresh(self) -> bool:
        """Look whether the file has grown since. Returns whether it has."""
        return self.source.refresh()

    def close(self) -> None:
        """Let go of the file."""
        self.source.close()
        if self.beside is not None:
            self.beside.close()

    def __enter__(self) -> Capture:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open(path: str | Path, progress: Progress | None = None, patterns: str | Path = "") -> Capture:
    """Open a capture of any accepted form; "-" reads standard input.

    ``progress`` is called now and then with (bytes done, bytes in all). ``patterns`` is a file of patterns of your own
    for lines of text (docs/hex-text.md). Raises CaptureError with one line that says
    what is wrong, where, and what is accepted.
    """
    own = None
    if patterns:
        from sticktrace.capture.line_patterns import LinePatterns

        own = LinePatterns(patterns)
    source = open_source(path, progress)
    try:
        return Capture(source, progress, own)
    except CaptureError:
        source.close()
        raise
