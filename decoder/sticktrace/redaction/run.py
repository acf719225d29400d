"""One redaction: which bytes of exchanges, requests and other traffic become what.

A first pass follows the media and collects what is where; then, with all of it known, each piece of payload is looked
at once. What bytes become is decided in `parameters`, `requests`, `identity` and `blocks`.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from sticktrace.bus.requests import Request
from sticktrace.capture.logs import Statement
from sticktrace.capture.transfer import CONTROL, INTERRUPT, Piece, Transfer
from sticktrace.redaction import identity, parameters, requests
from sticktrace.redaction.blocks import BlockRedactor
from sticktrace.redaction.filler import Keep, Scrambler
from sticktrace.redaction.parameters import CBW_SIZE, wrapper
from sticktrace.transport.items import PASSED, Exchange
from sticktrace.volume.medium import Medium
from sticktrace.volume.tracker import READS, WRITES, VolumeTracker

if TYPE_CHECKING:
    from sticktrace.session import Capture

_INQUIRY = 0x12
_SMALL = 4
"""Payload on interrupt pipes up to this length stays: hub status bits and the like."""
_WRAPPERS = (b"USBC", b"USBS")
_SENSE_UNIT, _REQUEST_SENSE = 3, b"\x03"


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


class Run:
    """One redaction: collects what is where, decides what it becomes."""

    def __init__(self, capture: Capture, put: Put, keep: Keep, key: bytes | None) -> None:
        self.capture, self.put, self.keep = capture, put, keep
        self.scrambler = Scrambler(key)
        self.report = Redacted()
        self._serials: dict[tuple[int, int], int] = {}
        self._requests: list[tuple[tuple[int, int], tuple[int, int, int], Piece]] = []
        self._covered = array("q")
        self._storage: set[tuple[int, int]] = set()
        self._doubtful: list[tuple[Piece, ...]] = []
        self.places, self.sizes = array("q"), array("q")
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
        self._requested()
        for pieces in self._doubtful:
            for piece in pieces:
                self._fill(piece, "pieces of data of failed or other commands")
        for medium in self._tracker.media:
            self._medium(medium)
        self._others()

    def _exchange(self, exchange: Exchange) -> None:
        opcode = exchange.opcode
        self._tracker.feed(exchange)
        self._storage.add((exchange.bus, exchange.address))
        self._covered.extend(piece.at for piece in exchange.pieces)
        for piece in (exchange.command_at, exchange.status_at):
            if piece.captured > 0 and self._bytes(piece.at, min(4, piece.captured)) not in _WRAPPERS:
                self._covered.append(piece.at)
                self._unit(piece)
        if opcode == _INQUIRY:
            self._inquiry(exchange)
        elif parameters.describes(exchange.cdb):
            self._parameters(exchange)
        elif opcode not in READS | WRITES or exchange.status != PASSED or not self._kept_whole(exchange):
            self._doubtful.append(exchange.pieces)

    def _unit(self, piece: Piece) -> None:
        """A command or its status without a wrapper. A SENSE IU holds sense data (UAS 6.2.4), a part of which is a
        vendor's own."""
        old = self._bytes(piece.at, piece.captured)
        if old[0] == _SENSE_UNIT and len(old) > 16 and not self.keep.contents:
            new = old[:16] + parameters.redacted(self.scrambler, _REQUEST_SENSE, old[16:], False)
            self._change(piece.at, old, new, "answers with more than the standards describe")

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
        if exchange.direction != "out":
            page = exchange.cdb[2] if exchange.cdb[1:2] and exchange.cdb[1] & 1 and len(exchange.cdb) > 2 else -1
            kind, wanted = identity.inquiry_kind(page)
            if not getattr(self.keep, wanted):
                self._together(exchange, kind, lambda old: identity.inquiry(self.scrambler, page, old))

    def _parameters(self, exchange: Exchange) -> None:
        cdb, out = exchange.cdb, exchange.direction == "out"

        def made(old: bytes) -> bytes:
            new = old if self.keep.serials else parameters.serials(self.scrambler, cdb, old)
            return new if self.keep.contents else parameters.redacted(self.scrambler, cdb, new, out)

        self._together(exchange, "answers with more than the standards describe", made)

    def _together(self, exchange: Exchange, kind: str, make: Callable[[bytes], bytes]) -> None:
        """Redacts the data of an exchange as a whole: a host may move it in pieces that divide a field. Bytes that
        were not recorded are taken as zero."""
        pieces = [piece for piece in exchange.pieces if piece.actual > 0 or piece.captured > 0]
        sizes = [max(piece.captured, min(piece.actual, 1 << 16)) for piece in pieces]
        old = b"".join(self._bytes(at, captured).ljust(size, b"\0")
                       for (at, captured, _), size in zip(pieces, sizes, strict=True))  # fmt: skip
        new, place = make(old), 0
        for (at, captured, _), size in zip(pieces, sizes, strict=True):
            self._change(at, old[place : place + captured], new[place : place + captured], kind)
            place += size

    def _request(self, request: Request) -> None:
        """Takes note of a request; what its data becomes is decided when all that devices said of themselves is
        known, and which requests carry a command (CBI 2.1)."""
        if request.data.captured <= 0:
            return
        where, setup = (request.bus, request.address), (request.request_type, request.request, request.value)
        if setup[:2] == (0x80, 6) and request.value >> 8 == 1 and request.data.captured >= 17:
            self._serials[where] = self._bytes(request.data.at + 16, 1)[0]
        self._requests.append((where, setup, request.data))

    def _requested(self) -> None:
        commands = set(self._covered)
        for where, setup, piece in self._requests:
            if piece.at not in commands:
                old = self._bytes(piece.at, piece.captured)
                new, kind = requests.redacted(self.scrambler, self.keep, setup, old, self._serials.get(where))
                self._change(piece.at, old, new, kind)
        self._covered.extend(piece.at for _, _, piece in self._requests)

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
        """Payload outside every exchange and control request, what was submitted of an OUT transfer but did not go
        out, and what lies behind a wrapper. Of the wrappers themselves all that has a meaning is kept: they hold
        nothing private and other facts rest on them."""
        import numpy as np

        covered = np.unique(np.frombuffer(self._covered, np.int64)) if len(self._covered) else np.zeros(0, np.int64)
        again = self.capture.reading()
        for source in (again.reader.transfers(), again.reader.finish()):
            for transfer in source:
                if isinstance(transfer, Statement):
                    continue
                at, captured = transfer.data_at, transfer.captured
                if captured > 0:
                    self.places.append(at)
                    self.sizes.append(captured)
                place = int(covered.searchsorted(at))
                known = place < len(covered) and covered[place] == at
                if known or self._harmless(transfer):
                    skip = transfer.piece.captured
                else:
                    skip = 0 if transfer.kind == CONTROL else wrapper(self._bytes(at, min(CBW_SIZE, captured)))
                if captured > skip:
                    self._fill(Piece(at + skip, captured - skip, captured - skip), "pieces of other traffic")

    def _harmless(self, transfer: Transfer) -> bool:
        """Status bits of a hub, and the READ READY and WRITE READY IUs (UAS 6.2.1) of a storage device."""
        if transfer.captured > _SMALL or transfer.kind == INTERRUPT:
            return transfer.captured <= _SMALL
        data = self._bytes(transfer.data_at, transfer.captured)
        return (transfer.bus, transfer.address) in self._storage and data[:2] in (b"\6\0", b"\7\0")
