"""The capture as the screen holds it: read by a worker thread into columns, asked by the screen at any time.

Nothing here knows of a screen. Views on the table's columns block its growth while they live, so they are taken
and let go under ``lock``.
"""

from __future__ import annotations

import time
from array import array
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from threading import Event, RLock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sticktrace import Capture, Exchange, ExchangeTable, Following, Item, Reading, Run, SticktraceError, add_log, follow
from sticktrace import open as open_capture
from sticktrace_tui.arrange import Arrangement, Codes, arrange, continues, order_of
from sticktrace_tui.watchers import Watchers
from sticktrace_tui.woven import REQUEST, Woven

OPENING, READING, FOLLOWING = "opening", "reading", "following"
DONE, STOPPED, UNREADABLE = "done", "stopped", "unreadable"
Logs = Iterable[tuple[str, float | None]]
_BATCH, _RUN = 128, 512
_PATIENCE = 5
"""Seconds that `close` waits for the worker."""

_LOOK_AGAIN = 0.1
"""Seconds between two looks at a file that grows."""

_FOLD_COLUMNS = ("name", "bus", "address", "lun", "status", "sense", "direction", "lba", "blocks", "expected")


class Model:
    """Everything known of one capture so far. `run` reads it and returns when all is read or `stop` was called."""

    def __init__(self, path: str | Path, follow: bool = False, grows: Callable[[], bool] = lambda: True,
                 logs: Logs = ()) -> None:  # fmt: skip
        """``grows`` is asked, when following, whether more can come at all: a pipe may have ended. ``logs`` are put
        beside the capture, each with its offset in seconds (None: to be found out)."""
        self.path, self.follow, self._grows, self._logs = str(path), follow, grows, logs
        self.lock = RLock()
        self.table, self.woven = ExchangeTable(), Woven()
        self.attached = array("B")
        """1 for a REQUEST SENSE that fetched the sense of the exchange before it."""
        self.state, self.error = OPENING, ""
        self.done_bytes, self.all_bytes = 0, 0
        self.reading: Reading | None = None
        self.watchers = Watchers()
        self._source: Capture | Following | None = None
        self._passes = 0
        self._stop, self._idle = Event(), Event()
        self._idle.set()
        self._fetching: set[int] = set()
        self._goes_on: NDArray[np.bool_] = np.zeros(0, np.bool_)

    # -- the worker's side -------------------------------------------------------------------------------------

    def run(
        self, grew: Callable[[], None] = lambda: None, swap: Callable[[Callable[[], None]], object] = lambda do: do()
    ) -> None:
        """Read the capture to its end, or for ever when following. ``grew`` is called after each batch. ``swap`` calls
        what it is given at a time at which nobody looks: all that was read gives place to a better reading of it."""
        self._idle.clear()
        try:
            if self.follow:
                self._source = follow(self.path, self._progress)
                self._follow(self._source, grew, swap)
            else:
                self._source = capture = open_capture(self.path, self._progress)
                for path, offset in self._logs:
                    add_log(capture, path, offset)
                self._read(capture, grew)
        except SticktraceError as error:
            self.error = str(error)
            self.state = UNREADABLE if self.reading is None else DONE
        finally:
            if self.busy:
                self.state = STOPPED
            self._idle.set()
        grew()

    def stop(self) -> None:
        """Ask the worker to stop at the next item; what was read stays."""
        self._stop.set()

    def close(self) -> None:
        """Let go of the file, once the worker has stopped."""
        self.stop()
        if self._idle.wait(_PATIENCE) and self._source is not None:
            self._source.close()

    def _progress(self, done: int, total: int) -> None:
        self.done_bytes, self.all_bytes = done, total
        if self._stop.is_set() and self.reading is None:
            raise SticktraceError("stopped while the capture was being opened")

    def _read(self, capture: Capture, grew: Callable[[], None]) -> None:
        reading = self.reading = capture.reading()
        self.watchers.begin(reading)
        self.state = READING
        whole = self._take(reading.parts(), grew)
        if whole:
            self.watchers.end()
        self.state = DONE if whole else STOPPED

    def _follow(self, following: Following, grew: Callable[[], None], swap: Callable[..., object]) -> None:
        size, more_may_come = -1, True
        while more_may_come and not self._stop.is_set():
            more_may_come = self._grows()
            quiet, size = len(following.source.data) == size, len(following.source.data)
            self._take(self._coming(following, following.settle() if quiet else iter(()), swap), grew)
            self._take(self._coming(following, following.take_parts(), swap), grew)
            if following.reading is not None:
                self.state = FOLLOWING
                self.watchers.judge(following)
            grew()
            self._stop.wait(_LOOK_AGAIN)
        if self.reading is None and self._stop.is_set():
            return  # left before there was anything
        self._stop.clear()  # following was ended, reading was not broken off
        self._take(self._coming(following, following.finish(), swap), grew)
        self.watchers.end(following.fresh() if following.settled else None)
        self.state = DONE

    def _coming(
        self, following: Following, items: Iterable[Item | Run], swap: Callable[[Callable[[], None]], object]
    ) -> Iterator[Item | Run]:
        """Items of a capture that is followed; where its form turns out to be another, all is read again."""
        for item in items:
            if following.passes != self._passes:
                self._passes = following.passes
                swap(lambda: self._begin_anew(following))
            yield item

    def _begin_anew(self, following: Following) -> None:
        reading = self.reading = following.reading
        assert reading is not None
        with self.lock:
            self.table, self.woven, self.attached = ExchangeTable(), Woven(), array("B")
            self._goes_on = np.zeros(0, np.bool_)
            self._fetching.clear()
            self.watchers.begin(reading)

    def _take(self, parts: Iterable[Item | Run], grew: Callable[[], None]) -> bool:
        """Take items in; returns whether all of them were taken before `stop`."""
        batch: list[tuple[Any, str]] = []
        due = time.monotonic() + 0.05
        see = self.watchers.see
        for part in _pieces(parts):
            if isinstance(part, Run):
                self._add(batch)
                batch = []
                self._add_run(part, self.watchers.see_run(part))
            else:
                batch.append((part, see(part)))
            if len(batch) >= _BATCH or time.monotonic() > due:
                self._add(batch)
                grew()
                batch = []
                due = time.monotonic() + 0.05
                if self._stop.is_set() and not self.follow:
                    return False
        self._add(batch)
        grew()
        return True

    def _add_run(self, run: Run, labels: list[str]) -> None:
        with self.lock:
            numbers = range(run.number, run.number + len(run))
            self.attached.extend(number in self._fetching for number in numbers)
            self.table.extend(run, labels)

    def _add(self, batch: list[tuple[Any, str]]) -> None:
        with self.lock:
            for item, label in batch:
                if not isinstance(item, Exchange):
                    self.woven.append(item, len(self.table))
                    continue
                self.attached.append(item.number in self._fetching)
                self._fetching.discard(item.number)
                if item.sense is not None and item.sense.exchange == item.number + 1:
                    self._fetching.add(item.sense.exchange)
                self.table.append(item, label)

    # -- the screen's side -------------------------------------------------------------------------------------

    def __len__(self) -> int:
        return len(self.table)

    @property
    def busy(self) -> bool:
        """Whether more may come."""
        return self.state in (OPENING, READING, FOLLOWING)

    def read(self, piece: Any) -> bytes:
        """The captured bytes of a piece; b"" where the capture can no longer give them."""
        if self.reading is None or piece.captured <= 0:
            return b""
        try:
            return self.reading.read(piece)
        except (ValueError, OSError):
            return b""

    def columns(self, *names: str) -> dict[str, NDArray[Any]]:
        """Copies of some of the table's columns, safe to keep."""
        with self.lock:
            return {name: self.table.column(name).copy() for name in names}

    def choose(self, mask: Callable[[ExchangeTable], Any] | None) -> Codes:
        """The rows that a selection chooses; all of them without one."""
        with self.lock:
            if mask is None:
                return np.arange(len(self.table), dtype=np.int64)
            chosen: Codes = np.flatnonzero(mask(self.table))
            return chosen

    def arrange(self, rows: Codes, woven: bool, fold: bool, fold_woven: bool, opened: frozenset[int]) -> Arrangement:
        """Lay chosen rows out as lines; see `arrange.arrange`."""
        with self.lock:
            self._extend()
            attached = np.frombuffer(self.attached, np.uint8) if len(self.attached) else np.zeros(0, np.uint8)
            count = len(self.woven) if woven else 0
            after = np.array(self.woven.after[:count], np.int64)
            requests = np.array(self.woven.kind[:count], np.uint8) == REQUEST
            return arrange(rows, self._goes_on, attached, after, requests, fold, fold_woven, opened)

    def _extend(self) -> None:
        """Bring `_goes_on` up to the length of the table."""
        have, want = len(self._goes_on), len(self.table)
        if have < want:
            columns = {name: self.table.column(name) for name in _FOLD_COLUMNS}
            more = continues(columns, np.frombuffer(self.attached, np.uint8), have)
            self._goes_on = np.concatenate((self._goes_on, more))

    def order(self, code: int) -> int:
        """The place of an item in the capture, as in `Arrangement.order`."""
        with self.lock:
            return int(order_of(np.array([code]), np.array(self.woven.after, np.int64))[0])

    def row_of(self, number: int) -> int | None:
        """The row of an exchange by its number."""
        with self.lock:
            numbers = self.table.column("number")
            row = int(np.searchsorted(numbers, number))
            return row if row < len(numbers) and int(numbers[row]) == number else None

    def code_of_record(self, record: int) -> int | None:
        """The code of the request or event that a record belongs to; None if it is none that has a line."""
        index = self.woven.with_record(record)
        return None if index is None else -1 - index

    def holds(self, code: int) -> bool:
        """Whether the item behind a code has been read."""
        return -len(self.woven) <= code < len(self.table)

    def item(self, code: int) -> Any:
        """The exchange, request, event or stray behind a code."""
        return self.table[code] if code >= 0 else self.woven.items[-1 - code]

    def label(self, row: int) -> str:
        """What an exchange's blocks are on the volume, "" if not known."""
        return self.table.touches(row)

    def faults(self) -> Codes:
        """Codes of all that went wrong, in the order of the capture."""
        with self.lock:
            rows = np.flatnonzero(self.table.column("status")) if len(self.table) else np.zeros(0, np.int64)
            woven = -1 - np.flatnonzero(np.array(self.woven.bad, np.uint8))
            codes: Codes = np.concatenate((rows, woven)).astype(np.int64)
            return codes[np.argsort(order_of(codes, np.array(self.woven.after, np.int64)), kind="stable")]


def _pieces(parts: Iterable[Item | Run]) -> Iterator[Item | Run]:
    """The same with long runs in pieces, so that others have their turn in between."""
    for part in parts:
        if isinstance(part, Run):
            for start in range(0, len(part), _RUN):
                yield part.part(start, min(start + _RUN, len(part)))
        else:
            yield part
