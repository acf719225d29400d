"""A copy of a capture without what is private: file contents, names, serial numbers, strings, other devices' data.

The copy has the same form, the same length, the same records and times; only payload bytes change, in place. Commands,
status, sense, descriptors, FATs and directories stay decodable, so the exchanges and findings stay what they were.
What bytes become is decided in `scramble` and `redact_blocks`; this module decides which bytes.
"""

from __future__ import annotations

import mmap
from array import array
from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sticktrace.bus.requests import Request
from sticktrace.capture.transfer import CONTROL, Piece
from sticktrace.capture.usbmon_text import UsbmonTextReader
from sticktrace.errors import SticktraceError
from sticktrace.transport.exchange import PASSED, Exchange
from sticktrace.volume.medium import Medium
from sticktrace.volume.redact_blocks import BlockRedactor, Keep
from sticktrace.volume.redact_container import blank_words
from sticktrace.volume.scramble import Scrambler
from sticktrace.volume.tracker import READS, WRITES, VolumeTracker

if TYPE_CHECKING:
    from sticktrace.session import Capture

__all__ = ["Keep", "Redacted", "redact"]

_PLAIN = frozenset({
    0x00, 0x03, 0x04, 0x15, 0x1A, 0x1B, 0x1E, 0x23, 0x25, 0x35, 0x42, 0x43, 0x46, 0x4A, 0x4D, 0x51, 0x52, 0x55, 0x5A,
    0x91, 0x9E, 0xA0, 0xA3,
})  # fmt: skip
"""Commands whose data describes the unit and holds nothing private: sense, mode, capacity, log, LUNs, features."""
_INQUIRY, _SERIAL_PAGE, _NAMES_PAGE = 0x12, 0x80, 0x83
_CHUNK = 1 << 24
_SMALL = 4
"""Payload of other devices up to this length stays: hub status bits and the like."""


@dataclass(slots=True)
class Redacted:
    """What was replaced, by kind, and what was left in although it may tell something."""

    counts: Counter[str] = field(default_factory=Counter)
    left: list[str] = field(default_factory=list)

    def in_words(self) -> list[str]:
        """One line for each kind."""
        lines = [f"replaced {count:,} {kind}" for kind, count in sorted(self.counts.items()) if count]
        return [*(lines or ["nothing to replace"]), *(f"left in: {what}" for what in self.left)]


class _Copy:
    """The copy being made: changed in place, so that memory does not grow with the capture."""

    def __init__(self, view: mmap.mmap, text: _TextPlaces | None) -> None:
        self._view, self._text = view, text

    def put(self, at: int, data: bytes) -> None:
        """Payload from ``at`` on becomes ``data``."""
        if self._text is None:
            self._view[at : at + len(data)] = data
        else:
            self._text.write(self._view, at, data)


class _Run:
    """One redaction: collects what is where, decides what it becomes."""

    def __init__(self, capture: Capture, copy: _Copy, keep: Keep, key: bytes | None) -> None:
        self.capture, self.copy, self.keep = capture, copy, keep
        self.scrambler = Scrambler(key)
        self.report = Redacted()
        self._serials: dict[tuple[int, int], int] = {}
        self._covered = array("q")
        self._doubtful: list[tuple[Piece, ...]] = []
        self._reading = capture.reading()
        self._tracker = VolumeTracker(self._reading.read)

    def collect(self) -> None:
        """One pass: follows the media, and redacts what a single item decides."""
        for item in self._reading:
            if isinstance(item, Exchange):
                self._exchange(item)
            elif isinstance(item, Request):
                self._request(item)

    def decide(self) -> None:
        """Redacts what needs knowledge of the whole capture."""
        for pieces in self._doubtful:
            for piece in pieces:
                self._fill(piece, "pieces of data of failed or other commands")
        for medium in self._tracker.media.values():
            self._medium(medium)
            if medium.table.scheme == "GPT":
                self.report.left.append(f"GUIDs of the partition table of {medium.unit.device}")
            if any(volume.kind == "exFAT" for volume in medium.volumes):
                self.report.left.append(f"serial number of an exFAT volume of {medium.unit.device}")
        self._others()

    def _exchange(self, exchange: Exchange) -> None:
        opcode = exchange.opcode
        self._tracker.feed(exchange)
        self._covered.append(exchange.command_at.at)
        self._covered.append(exchange.status_at.at)
        self._covered.extend(piece.at for piece in exchange.pieces)
        if opcode == _INQUIRY:
            self._inquiry(exchange)
        elif opcode in READS or opcode in WRITES:
            if exchange.status != PASSED or not self._kept_whole(exchange):
                self._doubtful.append(exchange.pieces)
        elif opcode not in _PLAIN:
            self._doubtful.append(exchange.pieces)

    def _kept_whole(self, exchange: Exchange) -> bool:
        """Whether the store took all of the data, so that it is redacted block by block."""
        medium = self._tracker.medium_of(exchange)
        if medium is None or medium.store.latest < 0:
            return False
        extent = medium.store.latest
        if medium.store.exchange_of(extent) != exchange.number:
            return False
        taken = sum(count for _, _, count in medium.store.places(extent))
        return taken == sum(piece.captured for piece in exchange.pieces)

    def _bytes(self, at: int, count: int) -> bytes:
        return self._reading.read(Piece(at, count, count))

    def _change(self, at: int, old: bytes, new: bytes, kind: str) -> None:
        if old != new:
            self.copy.put(at, new)
            self.report.counts[kind] += 1

    def _fill(self, piece: Piece, kind: str) -> None:
        if piece.captured > 0 and not self.keep.contents:
            old = self._bytes(piece.at, piece.captured)
            self._change(piece.at, old, self.scrambler.fill(old), kind)

    # single items

    def _inquiry(self, exchange: Exchange) -> None:
        if len(exchange.cdb) < 3 or not exchange.pieces:
            return
        piece = exchange.pieces[0]
        old = self._bytes(piece.at, piece.captured)
        page = exchange.cdb[2] if exchange.cdb[1] & 1 else -1
        if page == -1 and not self.keep.strings:
            # SPC-4 6.4.2: vendor 8-15, product 16-31, revision 32-35, vendor specific 36-55 and from 96 on.
            new = old[:8] + self.scrambler.ascii(old[8:56], b"inquiry") + old[56:96] + bytes(len(old[96:]))
            self._change(piece.at, old, new, "identity strings")
        elif page in (_SERIAL_PAGE, _NAMES_PAGE) and not self.keep.serials:
            new = old[:4] + self.scrambler.ascii(old[4:], b"serial") if page == _SERIAL_PAGE else self._names(old)
            self._change(piece.at, old, new, "serial numbers")

    def _names(self, old: bytes) -> bytes:
        """VPD page 83h (SPC-4 7.8.6): the identifier of each designator, not its head. A binary one keeps its first
        byte, which tells its format."""
        out, at = bytearray(old), 4
        while at + 4 <= len(old):
            end = min(len(old), at + 4 + old[at + 3])
            raw = old[at + 4 : end]
            if old[at] & 15 == 1:
                filler = self.scrambler.digest(raw) * 4
                out[at + 4 : end] = (raw[:1] + filler)[: len(raw)]
            else:
                out[at + 4 : end] = self.scrambler.ascii(raw, b"serial")
            at = max(end, at + 4)
        return bytes(out)

    def _request(self, request: Request) -> None:
        if request.data.captured <= 0:
            return
        self._covered.append(request.data.at)
        old = self._bytes(request.data.at, request.data.captured)
        kind, index = request.value >> 8, request.value & 0xFF
        if request.request == 6 and request.request_type == 0x80:
            if kind == 1 and len(old) >= 17:
                self._serials[request.bus, request.address] = old[16]
            if kind == 3 and index not in (0, 0xEE):
                self._string(request, index, old)
        elif request.request_type & 0x60 == 0x40:
            self._fill(request.data, "vendor requests' data")

    def _string(self, request: Request, index: int, old: bytes) -> None:
        serial = self._serials.get((request.bus, request.address)) == index
        if (serial and self.keep.serials) or (not serial and self.keep.strings):
            return
        new = old[:2] + self.scrambler.utf16(old[2:], b"serial" if serial else b"string")
        self._change(request.data.at, old, new, "serial numbers" if serial else "strings")

    # media

    def _medium(self, medium: Medium) -> None:
        store = medium.store
        blocks = BlockRedactor(medium, self.scrambler, self.keep, self.report.counts)
        for extent, (lba, count, number, _) in enumerate(store.extents()):
            data, wanted = bytearray(), []
            for offset, at, captured in store.places(extent):
                wanted.append((offset, at, captured))
            for index in range(count if wanted else 0):
                raw = store.block(extent, index)
                if raw is None:
                    raw = self._partial(wanted, index * store.block_length, store.block_length)
                    data += blocks.fill(raw)
                else:
                    data += blocks.block(lba + index, raw, partial(store.content, as_of=number))
            self._place(wanted, bytes(data))

    def _partial(self, wanted: list[tuple[int, int, int]], start: int, length: int) -> bytes:
        """A block of which bytes are missing, with zeros for those."""
        out = bytearray(length)
        for offset, at, captured in wanted:
            low, high = max(start, offset), min(start + length, offset + captured)
            if low < high:
                out[low - start : high - start] = self._bytes(at + low - offset, high - low)
        return bytes(out)

    def _place(self, wanted: list[tuple[int, int, int]], data: bytes) -> None:
        """Puts redacted blocks back where their bytes lie; data beyond the blocks, if any, becomes filler."""
        for offset, at, captured in wanted:
            old = self._bytes(at, captured)
            new = data[offset : offset + captured]
            new += self.scrambler.fill(old[len(new) :])
            if old != new:
                self.copy.put(at, new)

    # everything else

    def _others(self) -> None:
        """Payload on other pipes than control, outside every exchange: other devices' data, and storage traffic that
        belongs to no exchange. Wrappers are kept, they hold nothing private and other facts rest on them."""
        import numpy as np

        covered = np.unique(np.frombuffer(self._covered, np.int64)) if len(self._covered) else np.zeros(0, np.int64)
        again = self.capture.reading()
        for source in (again.reader.transfers(), again.reader.finish()):
            for transfer in source:
                if transfer.captured <= _SMALL or transfer.kind == CONTROL:
                    continue
                place = int(covered.searchsorted(transfer.data_at))
                if place < len(covered) and covered[place] == transfer.data_at:
                    continue
                head = self._bytes(transfer.data_at, min(4, transfer.captured))
                if head not in (b"USBC", b"USBS"):
                    self._fill(transfer.piece, "pieces of other traffic")


def redact(
    capture: Capture, target: Path, keep: Keep | None = None, *, overwrite: bool = False, key: bytes | None = None
) -> Redacted:
    """Writes a redacted copy of a capture and says what it replaced. ``key`` is only for tests: without it every run
    makes its own. Raises SticktraceError when the target exists or the form cannot be redacted."""
    if capture.form == "hex text":
        raise SticktraceError(f"{capture.name}: hex text cannot be redacted; its lines have no fixed form")
    if target.exists() and not overwrite:
        raise SticktraceError(f"{target}: exists; not overwritten")
    if target.exists() and Path(capture.name).exists() and target.samefile(capture.name):
        raise SticktraceError(f"{target}: is the capture itself")
    try:
        with target.open("w+b") as out:
            for at in range(0, len(capture.source.data), _CHUNK):
                out.write(capture.source.data[at : at + _CHUNK])
            out.flush()
            with mmap.mmap(out.fileno(), 0) as view:
                return _redacted(capture, view, keep or Keep(), key)
    except BaseException as error:
        # A copy that is not finished still holds what was to be taken out.
        target.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise SticktraceError(f"{target}: cannot be written: {error.strerror or error}") from error
        raise


def _redacted(capture: Capture, view: mmap.mmap, keep: Keep, key: bytes | None) -> Redacted:
    text = _TextPlaces(capture.source.data) if capture.form == UsbmonTextReader.form else None
    run = _Run(capture, _Copy(view, text), keep, key)
    run.collect()
    run.decide()
    if capture.form == "pcapng" and not keep.strings:
        run.report.counts["words in the container"] += blank_words(view)
    return run.report


class _TextPlaces(UsbmonTextReader):
    """Where payload bytes stand in a usbmon text: in which line, as which hex digits."""

    def __init__(self, data: Any) -> None:
        super().__init__(data)
        self._starts: list[int] = []
        self._ends: list[int] = []
        for source in (self.transfers(), self.finish()):
            for _ in source:
                pass

    def _keep(self, words: str) -> tuple[int, int]:
        at, captured = super()._keep(words)
        if captured:
            self._starts.append(at)
            self._ends.append(self.position)
        return at, captured

    def write(self, view: mmap.mmap, place: int, new: bytes) -> None:
        """Replaces payload bytes from ``place`` on; they lie in one line, after its equals sign."""
        index = bisect_right(self._starts, place) - 1
        end = self._ends[index]
        at = view.find(b"=", view.rfind(b"\n", 0, end - 1) + 1, end) + 1
        digits = [position for position in range(at, end) if view[position : position + 1].isalnum()]
        for position, digit in zip(digits[2 * (place - self._starts[index]) :], new.hex().encode(), strict=False):
            view[position] = digit
