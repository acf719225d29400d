"""A redacted copy held against its original: nothing private of the one stands in the other, and both tell the same
story.

What is private is told by decoding the original (`secrets`); it is looked for in the copy as it lies on the disk, in
what it decodes to, and as UTF-16, whatever the case of letters.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from sticktrace.bus.requests import Request
from sticktrace.findings import diagnose
from sticktrace.redaction.promise import LEFT_IN
from sticktrace.redaction.secrets import MOST, Secret, secrets
from sticktrace.text import count_of
from sticktrace.transport.items import Exchange, Stray

if TYPE_CHECKING:
    from sticktrace.session import Capture

_CHUNK = 1 << 20
_ANCHOR = 4
"""Bytes by which a secret is found first; then the whole of it is compared."""
_HEX = frozenset(b"0123456789abcdef")
_MOST_TOLD = 20


@dataclass(slots=True)
class Verified:
    """``looked_for`` secrets; ``found`` says what each of those is that stand in the copy; ``differences`` are
    sentences on what the copy tells otherwise."""

    looked_for: int = 0
    found: list[str] = field(default_factory=list)
    differences: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Whether the copy keeps what was promised."""
        return not self.found and not self.differences

    def in_words(self) -> Iterator[str]:
        """Line by line: what was found, else that nothing was."""
        yield from (f"still in the copy: {what}" for what in self.found[:_MOST_TOLD])
        if len(self.found) > _MOST_TOLD:
            yield f"and {count_of(len(self.found) - _MOST_TOLD, 'more thing')}"
        yield from self.differences
        more = "; there are more, which were not looked for" if self.looked_for >= MOST else ""
        yield f"looked for {count_of(self.looked_for, 'word')} and stretches of data of the original{more}"
        if self.good:
            yield "none of them is in the copy; exchanges, requests, times, findings and stages are the same"
        yield from (f"left in by design: {what}" for what in LEFT_IN)


def verify(copy: Capture, original: Capture) -> Verified:
    """Holds a copy against its original. Raises CaptureError when one of them cannot be read."""
    words: dict[bytes, str] = {}
    for what, raw in secrets(original):
        if len(words) >= MOST:
            break
        words.setdefault(raw.lower(), what)
    report = Verified(len(words))
    report.found = list(_Search(words).of(copy))
    report.differences = list(_differences(copy, original))
    return report


class _Search:
    """Finds secrets in data, all of them at once."""

    def __init__(self, words: dict[bytes, str]) -> None:
        import numpy as np

        self._by_anchor: dict[int, list[tuple[int, bytes, str]]] = {}
        for raw, what in words.items():
            for form in {raw, raw.decode("latin-1").encode("utf-16-le")}:
                place = _anchor(form)
                key = int.from_bytes(form[place : place + _ANCHOR], "little")
                self._by_anchor.setdefault(key, []).append((place, form, what))
        self._longest = max((len(raw) for raw in words), default=0) * 2
        self._keys = np.array(sorted(self._by_anchor), np.uint32)

    def of(self, copy: Capture) -> Iterator[str]:
        """What each secret is that stands in a copy, once each."""
        told: set[str] = set()
        for data in _faces(copy, self._longest):
            for what in self._in(data.lower()):
                if what not in told:
                    told.add(what)
                    yield what

    def _in(self, data: bytes) -> Iterator[str]:
        import numpy as np

        if len(data) < _ANCHOR or not len(self._keys):
            return
        raw = np.frombuffer(data, np.uint8)
        windows = np.lib.stride_tricks.sliding_window_view(raw, _ANCHOR).copy().view("<u4").ravel()
        index = np.minimum(self._keys.searchsorted(windows), len(self._keys) - 1)
        for at in np.flatnonzero(self._keys[index] == windows).tolist():
            for place, form, what in self._by_anchor[int(windows[at])]:
                if at >= place and data[at - place : at - place + len(form)] == form:
                    yield what


def _anchor(form: bytes) -> int:
    """Where the four bytes begin that are the least like filler, which is made of hexadecimal digits."""
    places = range(len(form) - _ANCHOR + 1)
    return max(places, key=lambda at: len(set(form[at : at + _ANCHOR]) - _HEX), default=0)


def _faces(copy: Capture, overlap: int) -> Iterator[bytes]:
    """The copy as it lies there, piece by piece, and where its form is not plain what it decodes to."""
    data = copy.source.data
    for at in range(0, len(data), _CHUNK):
        yield bytes(data[at : at + _CHUNK + overlap])
    if copy.form in ("pcap", "pcapng") and not _is_packets(copy):
        return
    reading = copy.reading()
    for item in reading:
        if isinstance(item, Exchange):
            yield copy.data(item)
        elif isinstance(item, Request):
            yield copy.read(item.data)
        elif isinstance(item, Stray):
            yield copy.read(item.piece)


def _is_packets(copy: Capture) -> bool:
    from sticktrace.capture.packets.reader import PacketReader

    return isinstance(copy.reading().reader, PacketReader)


def _differences(copy: Capture, original: Capture) -> Iterator[str]:
    for number, (one, other) in enumerate(zip_longest(_told(original), _told(copy)), 1):
        if one != other:
            yield f"item {number} of the story differs: {_name(one)} in the original, {_name(other)} in the copy"
            break
    before, after = diagnose(original.reading()), diagnose(copy.reading())
    if _verdict(before) != _verdict(after):
        yield "the diagnosis differs: stages or findings are not the same"


def _told(capture: Capture) -> Iterator[tuple[Any, ...]]:
    """What each item of a capture tells, without what is private."""
    for item in capture.items():
        if isinstance(item, Exchange):
            yield (
                f"exchange {item.number}", item.time_ns, item.end_ns, item.bus, item.address, item.lun, item.tag,
                item.cdb, item.expected, item.moved, item.residue, item.status, item.case, item.sense,
            )  # fmt: skip
        elif isinstance(item, Request):
            yield "request", item.time_ns, item.end_ns, item.setup, item.result, item.requested, item.actual
        else:
            yield type(item).__name__, item.time_ns


def _name(facts: tuple[Any, ...] | None) -> str:
    return "nothing" if facts is None else f"{facts[0]} at {facts[1] / 1e9:.6f} s"


def _verdict(found: Any) -> list[Any]:
    stages = [(rung.stage, rung.state) for report in found.reports for rung in report.rungs]
    return [*stages, *((f.pattern, f.severity, f.exchanges, f.time_ns) for f in found.findings)]


__all__ = ["Secret", "Verified", "verify"]
