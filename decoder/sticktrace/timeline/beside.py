"""Logs beside a capture: both are read once, clocks and devices are compared, and every pass gets what they say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from pathlib import Path

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.events import Happening
from sticktrace.bus.hearsay import Hearsay
from sticktrace.capture import Reader
from sticktrace.capture.line_patterns import STANDARD
from sticktrace.capture.logs import Kind, LogReader, Statement
from sticktrace.errors import CaptureError
from sticktrace.session import Capture, Progress, Reading
from sticktrace.session import open as open_capture
from sticktrace.sticks.sticks import Sticks
from sticktrace.text import count_of, safe
from sticktrace.timeline.clocks import Agreement, InOrder, by_hand, compare, in_order
from sticktrace.timeline.kinship import Key, Life, keys_of, kin
from sticktrace.timeline.landmarks import Kept, Landmark, of_capture, signs_of
from sticktrace.timeline.strand import NEVER, Strand

SECOND = 1_000_000_000


class LogBeside:
    """One log: how its clock differs (``clock``), whose devices are whose (``kin``, by the order in which the log's
    devices are met), and how many lines of it are about no time or no device of the capture (``left_out``)."""

    def __init__(self, log: Capture, own: bool = False) -> None:
        """``own``: the log is what the capture's own text says between its events."""
        self._log, self._own = log, own
        self.short = "this text" if own else safe(Path(log.name).name)
        self.clock: Agreement | InOrder = Agreement()
        self.kin: dict[int, Key] = {}
        self.left_out = self.said = 0
        self._parts: dict[int, int] = {}

    def statements(self) -> Iterator[tuple[Statement, int]]:
        """What the log says, each with how often its system had begun anew."""
        reader, part = self._words(), 0
        for said in chain(reader.transfers(), reader.finish()):
            if isinstance(said, Statement):
                part += said.kind is Kind.BEGINS
                yield said, part

    def _words(self) -> Reader:
        log = self._log
        return LogReader(log.source.data, (log.patterns or STANDARD).logs) if self._own else log.alone().reader

    def placed(self) -> Iterator[Statement]:
        """What it says, in its place by the capture's clock; without what another run of its system said."""
        self.left_out = self.said = 0
        if not self.clock.holds:
            return
        for said, part in self.statements():
            if part == self.clock.part or self.clock.by_hand:
                said.time_ns = self.clock.at(said.time_ns, _order(said))
                self.said += 1
                yield said
            else:
                self.left_out += said.kind is not Kind.NEWS

    def landmarks(self) -> list[Landmark]:
        """What of it a capture of the same run shows as well."""
        kept = Kept()
        for said, part in self.statements():
            for sign in signs_of(said):
                kept.add(Landmark(said.time_ns, sign, _order(said), said.printed_ns, part))
        return kept.all

    def lives(self) -> list[tuple[Device, Life]]:
        """Its devices, and from when to when it speaks of each."""
        bus = Bus()
        hearsay, lives = Hearsay(bus), dict[Device, Life]()
        for said in self.placed():
            device, _, events = hearsay.take(replace(said, time_ns=max(0, said.time_ns)))
            if device is not None:
                known = lives.get(device, Life(said.time_ns, 0, None))
                attached = said.time_ns if any(e.kind is Happening.ATTACHED for e in events) else known.attached_ns
                lives[device] = Life(known.first_ns, said.time_ns, attached)
        return [(device, lives.get(device, _NOWHERE)) for device in bus.devices]

    @property
    def words(self) -> str:
        """What a person is told."""
        more = f"; {count_of(self.left_out, 'line')} of it tell of other times or things" if self.left_out else ""
        return f"{self.short}: {self.clock.words}{more if self.clock.holds else ''}"

    def close(self) -> None:
        """Let go of the file."""
        if not self._own:
            self._log.close()


class Logs:
    """The logs of a capture; it is what `Capture.beside` holds."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self.all: list[LogBeside] = []
        self._marks: list[Landmark] | None = None
        self._lives: list[tuple[Device, Life]] = []
        self._storage: dict[Device, bool] = {}
        self._keys: dict[Device, Key] = {}
        self.end_ns = 0

    @property
    def assumed(self) -> list[str]:
        """How each of them stands to the capture, in sentences."""
        return [log.words for log in self.all]

    def begin(self, reading: Reading) -> Strand:
        """The lines of all of them for one pass."""
        return Strand(reading, [log for log in self.all if log.clock.holds], self.end_ns)

    def add(self, log: LogBeside, offset_ns: int | None) -> None:
        """One more log."""
        marks = self._look()
        mine = log.landmarks()
        first = next((said for said, _ in log.statements() if said.printed_ns >= 0), None)
        if first is None and offset_ns is not None:
            raise CaptureError(f"{log.short}: it prints no times, so that no offset can be given for them")
        if first is None:
            log.clock = in_order(mine, marks)
        elif offset_ns is not None:
            log.clock = by_hand(first.time_ns, first.printed_ns, offset_ns)
        else:
            log.clock = compare(mine, marks)
        log.kin = {at: self._keys[device] for at, device in kin(log.lives(), self._lives, self._storage).items()}
        self.all.append(log)

    def close(self) -> None:
        """Let go of their files."""
        for log in self.all:
            log.close()

    def _look(self) -> list[Landmark]:
        """Read the capture alone, once."""
        if self._marks is None:
            reading = self._capture.alone()
            sticks = Sticks(reading.read)
            self._marks = of_capture(reading, sticks)
            self.end_ns = reading.reader.last_ns
            self._keys = keys_of(reading.bus.devices)
            self._lives = [(d, _life(d, self.end_ns)) for d in reading.bus.devices]
            self._storage = {d: sticks.of(d).is_storage for d in reading.bus.devices}
        return self._marks


_NOWHERE = Life(NEVER, -NEVER, None)


def _order(said: Statement) -> int:
    return said.records[0] if said.records else 0


def _life(device: Device, end_ns: int) -> Life:
    gone = max(device.detached_ns, device.replaced_ns)
    return Life(device.first_ns, end_ns if gone < 0 else gone, device.attached_ns if device.attached_ns >= 0 else None)


def open(path: str | Path, progress: Progress | None = None, patterns: str | Path = "") -> Capture:
    """See `sticktrace.session.open`. Where a kernel's messages stand between, before or behind the events of a text,
    they are put beside these, as any log is."""
    capture = open_capture(path, progress, patterns)
    if capture.log_apart:
        logs = capture.beside = Logs(capture)
        logs.add(LogBeside(capture, own=True), None)
    return capture


def add_log(capture: Capture, path: str | Path, offset_s: float | None = None, patterns: str | Path = "") -> LogBeside:
    """Put a log beside a capture, before the capture is read: every pass then has what the log says in its place.
    ``offset_s`` is what the log's printed times lack of the capture's, in seconds; found out where it is None. Raises
    CaptureError where the file says nothing in words."""
    log = open_capture(path, patterns=patterns)
    if not log.reading().reader.speaks:
        log.close()
        raise CaptureError(f"{safe(str(path))}: holds {log.form} and no words: it is a capture of its own, not a log")
    beside = capture.beside if isinstance(capture.beside, Logs) else Logs(capture)
    found = LogBeside(log)
    beside.add(found, None if offset_s is None else round(offset_s * SECOND))
    capture.beside = beside
    return found
