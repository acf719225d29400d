"""Puts the failure of one command together from the lines that tell of it.

Theory of operation
-------------------
A kernel tells of a failed command over several lines: how its layers name the end, sense key, sense code, command
block, the sector. Lines of other units stand between them, some are missing, and every system has its own order. What
they share is the unit; and none tells the same part twice. So parts are gathered for each unit until a part
comes that is there already, the kernel names the sector (which closes the account), the unit is spoken of otherwise, or
too many lines have passed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sticktrace.capture.logs.statement import About, Kind, Statement
from sticktrace.codes import asc

PATIENCE = 24
"""Statements and lines after which a failure is taken as told."""
PATIENCE_NS = 3_000_000_000

_PARTS = frozenset((Kind.RESULT, Kind.SENSE_KEY, Kind.SENSE_CODE, Kind.CDB))
_MARKS = ("hostbyte", "status", "key", "asc", "ascq", "cdb", "opcode")
"""Values that one failure has once."""
_ASIDE = frozenset((Kind.NEWS, Kind.ABORT, Kind.RESET, Kind.NOT_READY, Kind.TRANSPORT_ERROR, Kind.CONTROLLER_TROUBLE))
"""Statements that may stand in the middle of a failure's lines."""


@dataclass(slots=True, eq=False)
class _Entry:
    """A statement on its way out, or a failure that is still being told."""

    item: Statement
    open: bool = False
    begun: int = 0
    key: str = ""


class Failures:
    """Feed it statements in order with `take`, then `finish`; both yield statements in order, parts put together."""

    def __init__(self) -> None:
        self._queue: deque[_Entry] = deque()
        self._open: dict[str, _Entry] = {}
        self._count = 0
        self._last = ""

    def take(self, item: Statement) -> Iterator[Statement]:
        """One statement."""
        self._count += 1
        self._close_old(item)
        if item.kind in _PARTS:
            self._part(item)
        elif item.kind == Kind.IO_ERROR and self._ends(item):
            pass
        else:
            self._other(item)
            self._queue.append(_Entry(item))
        yield from self._ready()

    def pause(self, lines: int) -> Iterator[Statement]:
        """Lines went by in which nothing was understood."""
        if self._open:
            self._count += lines
            self._close_old(None)
            yield from self._ready()

    def finish(self) -> Iterator[Statement]:
        """No more statements."""
        for entry in list(self._open.values()):
            self._close(entry)
        yield from self._ready()

    def _ready(self) -> Iterator[Statement]:
        queue = self._queue
        while queue and not queue[0].open:
            yield queue.popleft().item

    # -- parts -----------------------------------------------------------------------------------------------------

    def _part(self, item: Statement) -> None:
        key = _unit(item.about) or self._last
        entry = self._open.get(key)
        if entry is not None and self._repeats(entry.item, item):
            self._close(entry)
            entry = None
        if entry is None:
            entry = self._begin(item, key)
        else:
            _merge(entry.item, item)
        self._last = key

    def _begin(self, item: Statement, key: str) -> _Entry:
        whole = Statement(
            Kind.COMMAND_FAILED, item.time_ns, item.records, item.about, dict(item.values), item.line, item.pattern,
            timed=item.timed, end=item.end, owned=item.owned, printed_ns=item.printed_ns,
        )  # fmt: skip
        entry = _Entry(whole, True, self._count, key)
        self._queue.append(entry)
        self._open[key] = entry
        return entry

    @staticmethod
    def _repeats(whole: Statement, item: Statement) -> bool:
        """Whether a part is there already, so that another failure begins."""
        if any(name in whole.values and name in item.values for name in _MARKS):
            return True
        tag, other = whole.values.get("tag"), item.values.get("tag")
        if tag is not None and other is not None and tag != other:
            return True
        opener = item.kind == Kind.RESULT and item.values.get("message", "") and "cdb" in whole.values
        return bool(opener and "key" in whole.values) or _words_twice(whole, item)

    def _ends(self, item: Statement) -> bool:
        """An I/O error on a unit whose failure was just told is its last line, not another failure."""
        entry = self._open.get(_unit(item.about)) or self._by_block(item.about.block)
        if entry is None or "sector" in entry.item.values or item.values.get("buffered") or item.values.get("beyond"):
            return False
        _merge(entry.item, item)
        self._close(entry)
        return True

    def _by_block(self, block: str) -> _Entry | None:
        """The open failure that names this disk, or the last one where none of them names a disk."""
        for entry in self._open.values():
            if block and entry.item.about.block == block:
                return entry
        last = self._open.get(self._last)
        return last if last is not None and not last.item.about.block else None

    def _other(self, item: Statement) -> None:
        """The unit is spoken of otherwise: its failure is told."""
        if item.kind in _ASIDE:
            return
        for entry in list(self._open.values()):
            if _unit(item.about) in ("", entry.key) or item.kind == Kind.BEGINS:
                self._close(entry)

    def _close_old(self, item: Statement | None) -> None:
        for entry in list(self._open.values()):
            late = item is not None and item.time_ns - entry.item.time_ns > PATIENCE_NS
            if late or self._count - entry.begun > PATIENCE:
                self._close(entry)

    def _close(self, entry: _Entry) -> None:
        entry.open = False
        self._open.pop(entry.key, None)
        _judge(entry.item)


def _unit(about: About) -> str:
    """How a unit is told from the others of a text."""
    return about.scsi or about.block or about.unit


def _words_twice(whole: Statement, item: Statement) -> bool:
    return item.kind == Kind.SENSE_CODE and "words" in whole.values and "words" in item.values


def _merge(whole: Statement, item: Statement) -> None:
    for name, value in item.values.items():
        if name == "message" and whole.values.get("message"):
            whole.values["message"] = f"{whole.values['message']}; {value}" if value else whole.values["message"]
        else:
            whole.values.setdefault(name, value)
    whole.records += tuple(record for record in item.records if record not in whole.records)
    whole.owned += item.owned
    whole.line = f"{whole.line} / {item.line}"
    about = {
        name: getattr(whole.about, name) if getattr(whole.about, name) not in ("", -1) else getattr(item.about, name)
        for name in About.__slots__
    }  # fmt: skip
    whole.about = About(**about)


def _judge(item: Statement) -> None:
    """What only the whole can tell: in which base a code was printed, and whether the command failed at all."""
    values: dict[str, Any] = item.values
    for name in ("asc", "ascq"):
        text = values.pop(f"{name}_text", None)
        if text is not None and name == "asc" and "key" in values:
            values["asc"], decimal = asc.as_printed(values["key"], text)
            if decimal:
                values["decimal"] = True
        elif text is not None and name == "ascq" and values.get("decimal") and text.isdigit():
            values["ascq"] = int(text)
    values.pop("part", None)
