"""A copy of a capture without what is private: file contents, names, serial numbers, strings, other devices' data.

The copy has the same form, the same length, the same records and times; only payload bytes change, in place. Commands,
status, sense, descriptors, FATs and directories stay decodable, so the exchanges and findings stay what they were.
What bytes become is decided in `scramble` and `redact_blocks`; this module decides which bytes.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from sticktrace.bus.requests import Request
from sticktrace.capture.hex_text import HexTextReader
from sticktrace.capture.logs import LogReader, Statement
from sticktrace.capture.packets.reader import PacketReader
from sticktrace.capture.transfer import INTERRUPT, Piece, Transfer
from sticktrace.capture.usbmon_text import UsbmonTextReader
from sticktrace.redaction import identity
from sticktrace.redaction.blocks import BlockRedactor
from sticktrace.redaction.container import blank_words
from sticktrace.redaction.filler import Keep, Scrambler
from sticktrace.redaction.log_lines import LogCopy
from sticktrace.redaction.packets import PacketCopy
from sticktrace.redaction.texts import TextPlaces, hex_lines
from sticktrace.transport.items import PASSED, Exchange
from sticktrace.volume.medium import Medium
from sticktrace.volume.tracker import READS, WRITES, VolumeTracker
from sticktrace.writing.outputs import new_file

if TYPE_CHECKING:
    from sticktrace.session import Capture

__all__ = ["Keep", "Redacted", "redact"]

_PLAIN = frozenset({
    0x00, 0x03, 0x04, 0x15, 0x1A, 0x1B, 0x1E, 0x23, 0x25, 0x35, 0x42, 0x43, 0x46, 0x4A, 0x4D, 0x51, 0x52, 0x55, 0x5A,
    0x91, 0x9E, 0xA0, 0xA3,
})  # fmt: skip
"""Commands whose data describes the unit and holds nothing private: sense, mode, capacity, log, LUNs, features."""
_INQUIRY, _GET_CONFIGURATION = 0x12, 0x46
_CHUNK = 1 << 24
_SMALL = 4
"""Payload on interrupt pipes up to this length stays: hub status bits and the like."""
_WRAPPERS = (b"USBC", b"USBS")


@dataclass(slots=True)
class Redacted:
    """What was replaced, by kind, what was left in although it may tell something, and lines of a console taken out."""

    counts: Counter[str] = field(default_factory=Counter)
    left: list[str] = field(default_factory=list)
    console_lines: int = 0

    def in_words(self) -> list[str]:
        """One line for each kind."""
        lines = [f"replaced {count:,} {kind}" for kind, count in sorted(self.counts.items()) if count]
        if self.console_lines:
            lines.append(f"took out {self.console_lines:,} console lines that are no traffic")
        return [*(lines or ["nothing to replace"]), *(f"left in: {what}" for what in self.left)]


Put = Callable[[int, bytes], None]
"""Payload of the copy, from a place on, becomes these bytes."""


class _Run:
    """One redaction: collects what is where, decides what it becomes."""

    def __init__(self, capture: Capture, put: Put, keep: Keep, key: bytes | None) -> None:
        self.capture, self.put, self.keep = capture, put, keep
        self.scrambler = Scrambler(key)
        self.report = Redacted()
        self._serials: dict[tuple[int, int], int] = {}
        self._covered = array("q")
        self._storage: set[tuple[int, int]] = set()
        self._doubtful: list[tuple[Piece, ...]] = []
        self.reading = capture.reading()
        self._tracker = VolumeTracker(self.reading.read)

    def collect(self) -> None:
        """One pass: follows the media, and redacts what a single item decides."""
        for item in self.reading:
            if isinstance(item, Exchange):
                self._exchange(item)
            elif isinstance(item, Request):
                self._request(item)

    def decide(self) -> None:
        """Redacts what needs knowledge of the whole capture."""
        for pieces in self._doubtful:
            for piece in pieces:
                self._fill(piece, "pieces of data of failed or other commands")
        for medium in self._tracker.media:
            self._medium(medium)
            if any(volume.kind == "exFAT" for volume in medium.volumes):
                self.report.left.append(f"serial number of an exFAT volume of {medium.title}")
        self._others()

    def _exchange(self, exchange: Exchange) -> None:
        opcode = exchange.opcode
        self._tracker.feed(exchange)
        self._storage.add((exchange.bus, exchange.address))
        self._covered.append(exchange.command_at.at)
        self._covered.append(exchange.status_at.at)
        self._covered.extend(piece.at for piece in exchange.pieces)
        if opcode == _INQUIRY:
            self._inquiry(exchange)
        elif opcode == _GET_CONFIGURATION and not self.keep.serials:
            self._together(exchange, "serial numbers", lambda old: identity.features(self.scrambler, old))
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
        return self.reading.read(Piece(at, count, count))

    def _change(self, at: int, old: bytes, new: bytes, kind: str) -> None:
        if old != new:
            self.put(at, new)
            self.report.counts[kind] += 1

    def _fill(self, piece: Piece, kind: str) -> None:
        if piece.captured > 0 and not self.keep.contents:
            old = self._bytes(piece.at, piece.captured)
            self._change(piece.at, old, self.scrambler.fill(old), kind)

    # single items

    def _inquiry(self, exchange: Exchange) -> None:
        if len(exchange.cdb) >= 3:
            page = exchange.cdb[2] if exchange.cdb[1] & 1 else -1
            kind, wanted = identity.inquiry_kind(page)
            if (wanted == "strings" and not self.keep.strings) or (wanted == "serials" and not self.keep.serials):
                self._together(exchange, kind, lambda old: identity.inquiry(self.scrambler, page, old))

    def _together(self, exchange: Exchange, kind: str, make: Callable[[bytes], bytes]) -> None:
        """Redacts the data of an exchange as a whole: a host may move it in pieces that divide a field. Bytes that
        were not recorded are taken as zero."""
        pieces = [piece for piece in exchange.pieces if piece.actual > 0]
        old = b"".join(self._bytes(at, captured).ljust(min(actual, 1 << 16), b"\0") for at, captured, actual in pieces)
        new, place = make(old), 0
        for at, captured, actual in pieces:
            self._change(at, old[place : place + captured], new[place : place + captured], kind)
            place += min(actual, 1 << 16)

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
            if kind == 0x0F and not self.keep.serials:
                self._change(request.data.at, old, identity.capabilities(self.scrambler, old), "serial numbers")
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
                self.put(at, new)

    # everything else

    def _others(self) -> None:
        """Payload outside every exchange and control request, and what was submitted of an OUT transfer but did not go
        out. Wrappers are kept, they hold nothing private and other facts rest on them."""
        import numpy as np

        covered = np.unique(np.frombuffer(self._covered, np.int64)) if len(self._covered) else np.zeros(0, np.int64)
        again = self.capture.reading()
        for source in (again.reader.transfers(), again.reader.finish()):
            for transfer in source:
                if isinstance(transfer, Statement):
                    continue
                at, captured = transfer.data_at, transfer.captured
                place = int(covered.searchsorted(at))
                known = place < len(covered) and covered[place] == at
                if known or self._harmless(transfer):
                    at, captured = at + transfer.piece.captured, captured - transfer.piece.captured
                if captured > 0 and self._bytes(transfer.data_at, min(4, transfer.captured)) not in _WRAPPERS:
                    self._fill(Piece(at, captured, captured), "pieces of other traffic")

    def _harmless(self, transfer: Transfer) -> bool:
        """Status bits of a hub, and the READ READY and WRITE READY IUs (UAS 6.2.1) of a storage device."""
        if transfer.captured > _SMALL or transfer.kind == INTERRUPT:
            return transfer.captured <= _SMALL
        data = self._bytes(transfer.data_at, transfer.captured)
        return (transfer.bus, transfer.address) in self._storage and data[:2] in (b"\6\0", b"\7\0")


def redact(
    capture: Capture, target: Path, keep: Keep | None = None, *, overwrite: bool = False, key: bytes | None = None
) -> Redacted:
    """Writes a redacted copy of a capture and says what it replaced. ``key`` is only for tests: without it every run
    makes its own. Raises SticktraceError when the target may not be written or the form cannot be redacted."""
    with new_file(target, [capture.source.identity], overwrite) as out:
        if capture.form == LogReader.form:
            return _logged(capture, out, keep or Keep(), key)
        if capture.form == HexTextReader.form:
            return _rewritten(capture, out, keep or Keep(), key)
        for at in range(0, len(capture.source.data), _CHUNK):
            out.write(capture.source.data[at : at + _CHUNK])
        return _redacted(capture, out, keep or Keep(), key)


def _redacted(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Redacted:
    """Changes a copy in place, so that memory does not grow with the capture. What stands in the copy is looked up in
    the capture itself: both have every byte in the same place."""

    def put(at: int, data: bytes) -> None:
        out.seek(at)
        out.write(data)

    data = capture.source.data
    if isinstance(capture.reading().reader, PacketReader):
        run = _of_packets(capture, out, keep, key)
    else:
        text = TextPlaces(capture, put) if capture.form == UsbmonTextReader.form else None
        run = _Run(capture, text.write if text is not None else put, keep, key)
        run.collect()
        run.decide()
    if capture.form == "pcapng" and not keep.strings:
        run.report.counts["words in the container"] += blank_words(data, put)
    return run.report


def _logged(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Redacted:
    """Of a log only what is understood is written, line by line, without what its logger put in front."""
    copy = LogCopy(Scrambler(key), keep)
    for line in copy.lines(capture.reading().reader):
        out.write(line.encode())
    report = Redacted(copy.counts)
    report.console_lines = copy.left_out
    return report


def _of_packets(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> _Run:
    """A recording of packets: bytes of transfers first, then those of none, and the checks."""
    places: list[PacketCopy] = []
    run = _Run(capture, lambda at, data: places[0].put(at, data), keep, key)
    places.append(PacketCopy(run.reading.reader.payload, out))
    run.collect()
    run.decide()
    outside = places[0].finish(capture, None if keep.contents else run.scrambler)
    run.report.counts["packets whose data counted for nothing"] += outside
    return run


def _rewritten(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Redacted:
    """Hex text is written anew in the preferred form; what else a console printed could be anything and is left out."""
    capture.skim()
    payload = capture.text_payload()
    run = _Run(capture, payload.put, keep, key)
    run.collect()
    run.decide()
    for line in hex_lines(capture, payload):
        out.write(line.encode())
    reader = run.reading.reader
    run.report.console_lines = reader.lines_of_words if isinstance(reader, HexTextReader) else 0
    return run.report
