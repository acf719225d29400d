"""Selection words: which exchanges to show, as ``key:value`` pairs in plain words, all of which must hold.

    command:read          by name: read = READ(6), (10), (12), (16); read10 = READ(10); read* = all that begin so
    status:failed         passed, failed, "phase error", "no status", "bad status", "not printed"; bad = all but passed
    lba:2048..4095        touches a block in the range; one number, or open ends (2048.. or ..4095)
    lun:1  number:10..20  device:1.4 (bus.address)  tag:3E7h  case:5
    slower:5ms  faster:1s   by duration
    moved:4096..  asked:..512   bytes in the data phase
    sense:3/11/00  sense:3  by sense key, key/ASC or key/ASC/ASCQ, in hex as the standards print them
    time:1.5..2.0         seconds since the first record
    stalled:data          command, data, status or any
    direction:in          in, out, none
    touches:FAT           what the blocks are on the volume holds this text, in any case

A comma means "or" within one word (``command:read,write``); a leading ``-`` turns a word round (``-command:read``).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from sticktrace.errors import SticktraceError
from sticktrace.storage.commands import names
from sticktrace.storage.table import DIRECTIONS, STATUSES, ExchangeTable
from sticktrace.transport.items import Exchange
from sticktrace.transport.remarks import PHASES

Mask = Any
Test = Callable[[ExchangeTable], Mask]
_UNITS = {"ns": 1, "us": 1_000, "µs": 1_000, "ms": 1_000_000, "s": 1_000_000_000}
_DECIMAL = r"[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15}"
_CHUNK = 8192


class SelectionError(SticktraceError):
    """A selection word that cannot be understood; the text says which and what would be."""


class Selection:
    """Parsed selection words. An empty one selects everything. Raises SelectionError."""

    def __init__(self, words: str | Iterable[str] = ()) -> None:
        pairs = _split(words) if isinstance(words, str) else list(words)
        self.words = tuple(pairs)
        self._tests = [_test(word) for word in pairs]

    def mask(self, table: ExchangeTable) -> Mask:
        """A numpy array of truth values, one per row of the table."""
        import numpy as np

        result = np.ones(len(table), dtype=bool)
        for test in self._tests:
            result &= test(table)
        return result

    def of(self, exchanges: Iterable[tuple[Exchange, str]]) -> Iterator[tuple[Exchange, str]]:
        """The exchanges of a stream that the words select, in order, each with what it touches on the volume."""
        if not self._tests:
            yield from exchanges
            return
        table = ExchangeTable()
        for exchange, touches in exchanges:
            table.append(exchange, touches)
            if len(table) == _CHUNK:
                yield from self._chosen(table)
                table = ExchangeTable()
        yield from self._chosen(table)

    def _chosen(self, table: ExchangeTable) -> Iterator[tuple[Exchange, str]]:
        for row in self.mask(table).nonzero()[0].tolist():
            yield table[row], table.touches(row)


def _split(text: str) -> list[str]:
    """Words apart by spaces; quotes keep a value together: status:"phase error"."""
    return [match.group(0).replace('"', "") for match in re.finditer(r'(?:[^\s"]|"[^"]*"?)+', text)]


def _test(word: str) -> Test:
    negated = word.startswith("-")
    key, colon, value = word.lstrip("-").partition(":")
    maker = _MAKERS.get(key.lower())
    if not colon or maker is None:
        raise SelectionError(f"{word!r} is no selection word; known are " + ", ".join(f"{k}:" for k in _MAKERS))
    if not value:
        raise SelectionError(f"{word!r} lacks a value after the colon")
    try:
        tests = [maker(one.strip()) for one in value.split(",")]
    except SticktraceError as error:
        raise SelectionError(f"{word}: {error}") from error

    def any_of(table: ExchangeTable) -> Mask:
        result = tests[0](table)
        for test in tests[1:]:
            result = result | test(table)
        return ~result if negated else result

    return any_of


def number_of(text: str) -> int:
    """A whole number: decimal, 0x1F or 1Fh."""
    try:
        if text.lower().endswith("h"):
            return int(text[:-1], 16)
        return int(text.replace("_", ""), 0)
    except ValueError:
        raise SelectionError(f"{text!r} is not a number (write 31, 0x1F or 1Fh)") from None


def range_of(text: str, read: Callable[[str], int] = number_of) -> tuple[int, int]:
    """Both ends of ``10..20``, ``10..``, ``..20`` or one number."""
    low, dots, high = text.partition("..")
    if not dots:
        return read(text), read(text)
    first, last = read(low) if low else 0, read(high) if high else (1 << 63) - 1
    if first > last:
        raise SelectionError(f"{text} runs backwards; the smaller end comes first")
    return first, last


def duration_of(text: str) -> int:
    """Nanoseconds of ``5ms``."""
    match = re.fullmatch(rf"({_DECIMAL})\s*(ns|us|µs|ms|s)", text)
    if match is None:
        raise SelectionError(f"{text!r} is not a duration (write 5ms, 200us, 1.5s)")
    return round(float(match[1]) * _UNITS[match[2]])


def seconds_of(text: str) -> int:
    """Nanoseconds of seconds."""
    match = re.fullmatch(rf"({_DECIMAL})s?", text)
    if match is None:
        raise SelectionError(f"{text!r} is not a time in seconds (write 1.5)")
    return round(float(match[1]) * _UNITS["s"])


def _between(column: str, read: Callable[[str], int] = number_of) -> Callable[[str], Test]:
    def make(text: str) -> Test:
        low, high = range_of(text, read)
        return lambda table: (table.column(column) >= low) & (table.column(column) <= high)

    return make


def _lba(text: str) -> Test:
    low, high = range_of(text)

    def test(table: ExchangeTable) -> Mask:
        first, blocks = table.column("lba"), table.column("blocks")
        return (first >= 0) & (first <= high) & (first + blocks.clip(min=1) > low)

    return test


def plain(command: str) -> str:
    """A command name as people type it: ``READ CAPACITY(10)`` -> ``readcapacity10``."""
    return re.sub(r"[^a-z0-9*]", "", command.lower())


def _command(text: str) -> Test:
    wanted = plain(text)
    if not wanted:
        raise SelectionError("names no command")

    def matches(name: str) -> bool:
        if wanted.endswith("*"):
            return plain(name).startswith(wanted[:-1])
        return wanted in (plain(name), plain(re.sub(r"\(\d+\)", "", name)))

    if not any(map(matches, names())) and not wanted.startswith(("opcode", "vendor", "empty")):
        near = difflib.get_close_matches(wanted, [plain(name) for name in names()], 3)
        hint = f"; near it are {', '.join(near)}" if near else ""
        raise SelectionError(f"fits no command known here{hint}")

    def test(table: ExchangeTable) -> Mask:
        import numpy as np

        return np.isin(table.column("name"), [i for i, name in enumerate(table.names) if matches(name)])

    return test


def _one_of(column: str, values: tuple[str, ...]) -> Callable[[str], Test]:
    def make(text: str) -> Test:
        if text.lower() not in values:
            raise SelectionError(f"not known; write one of {', '.join(values)}")
        code = values.index(text.lower())
        return lambda table: table.column(column) == code

    return make


_SHOWN = {"no status": "missing", "bad status": "invalid"}
"""Outcomes as the list shows them, where the data says otherwise."""


def _status(text: str) -> Test:
    said = text.lower()
    if said == "bad":
        return lambda table: table.column("status") != 0
    if said not in (*STATUSES, *_SHOWN):
        raise SelectionError(f"not known; write one of {', '.join((*STATUSES, *_SHOWN))}, bad")
    return _one_of("status", STATUSES)(_SHOWN.get(said, said))


def _stalled(text: str) -> Test:
    if text.lower() == "any":
        return lambda table: table.column("stalled") != 0
    if text.lower() not in PHASES:
        raise SelectionError(f"not known; write one of {', '.join(PHASES)}, any")
    bit = 1 << PHASES.index(text.lower())
    return lambda table: (table.column("stalled") & bit) != 0


def _touches(text: str) -> Test:
    return lambda table: table.labels.holding(text)[table.column("touches")]


def _sense(text: str) -> Test:
    if not re.fullmatch(r"[0-9A-Fa-f]h?(/[0-9A-Fa-f]{1,2}h?){0,2}", text):
        raise SelectionError("not understood; write key, key/ASC or key/ASC/ASCQ in hex")
    parts = bytes(int(part.removesuffix("h"), 16) for part in text.split("/"))
    shift = 8 * (3 - len(parts))
    wanted = int.from_bytes(parts, "big")
    return lambda table: (table.column("sense") >= 0) & (table.column("sense") >> shift == wanted)


def _device(text: str) -> Test:
    bus, dot, address = text.partition(".")
    if not dot:
        raise SelectionError("not understood; write bus.address, as in device:1.4")
    wanted = number_of(bus), number_of(address)
    return lambda table: (table.column("bus") == wanted[0]) & (table.column("address") == wanted[1])


def _limit(slower: bool) -> Callable[[str], Test]:
    def make(text: str) -> Test:
        limit = duration_of(text)

        def test(table: ExchangeTable) -> Mask:
            duration = table.column("end_ns") - table.column("time_ns")
            return duration > limit if slower else duration < limit

        return test

    return make


_MAKERS: dict[str, Callable[[str], Test]] = {
    "command": _command, "status": _status, "lba": _lba, "lun": _between("lun"), "number": _between("number"),
    "device": _device, "tag": _between("tag"), "case": _between("case"), "slower": _limit(True),
    "faster": _limit(False), "moved": _between("moved"), "asked": _between("expected"), "sense": _sense,
    "time": _between("time_ns", seconds_of), "stalled": _stalled, "direction": _one_of("direction", DIRECTIONS),
    "touches": _touches,
}  # fmt: skip
KEYS = tuple(_MAKERS)
USE = {
    "command": "by name: read is READ of every length, read10 is READ(10), read* all that begin so",
    "status": 'passed, failed, "phase error", "no status", "bad status", "not printed"; bad: all but passed',
    "lba": "by blocks touched: 2048, 2048..4095, or with an open end",
    "lun": "by logical unit", "number": "by their number in the list: 10..20", "device": "by bus and address: 1.4",
    "tag": "by dCBWTag: 31, 0x1F or 1Fh", "case": "by the case of BOT 1.0 6.7", "slower": "that took longer than 5ms",
    "faster": "that took less than 1s", "moved": "by bytes that moved: 4096..", "asked": "by bytes asked for: ..512",
    "sense": "by sense key, key/ASC or key/ASC/ASCQ in hex: 3/11/00",
    "time": "by seconds since the first record: 1.5..2", "stalled": "with a STALL in command, data, status or any",
    "direction": "by the way of the data: in, out, none",
    "touches": "by what their blocks are on the volume: FAT",
}  # fmt: skip
"""What each key chooses by."""


def values(key: str) -> tuple[str, ...]:
    """The values of a key that can be listed, for completion."""
    listed: dict[str, tuple[str, ...]] = {
        "status": (*STATUSES, *_SHOWN, "bad"), "direction": DIRECTIONS, "stalled": (*PHASES, "any"),
    }  # fmt: skip
    if key == "command":
        return tuple(
            dict.fromkeys(word for name in names() for word in (plain(re.sub(r"\(\d+\)", "", name)), plain(name)))
        )
    return tuple(value for value in listed.get(key, ()) if " " not in value)
