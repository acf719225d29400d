"""Everything that commands did to media, from a stream of exchanges in time order.

    tracker = VolumeTracker(capture.read)
    for exchange in capture.exchanges():
        print(exchange.number, tracker.feed(exchange))
    for volume in tracker.volumes():
        ...

A logical unit gets a new medium when its sense data say that the medium changed or is gone (6/28, 2/3A), when READ
CAPACITY reports another size, or when it is formatted.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from sticktrace.storage.commands import lba_and_blocks
from sticktrace.storage.words import Capacity
from sticktrace.transport.exchange import PASSED, Exchange
from sticktrace.volume.changes import Change
from sticktrace.volume.findings import Fact, facts
from sticktrace.volume.medium import Medium, Unit, Volume
from sticktrace.volume.store import Read, SectorStore

READS = frozenset({0x08, 0x28, 0xA8, 0x88})
"""READ (6), (10), (12), (16)."""
WRITES = frozenset({0x0A, 0x2A, 0xAA, 0x8A, 0x2E, 0xAE, 0x8E})
"""WRITE (6), (10), (12), (16) and WRITE AND VERIFY (10), (12), (16)."""
_WRITE_SAME = frozenset({0x41, 0x93})
_FORMAT_UNIT, _UNMAP, _CAPACITY_10, _SERVICE_IN_16, _SYNCHRONIZE = 0x04, 0x42, 0x25, 0x9E, frozenset({0x35, 0x91})
_OTHERS = _WRITE_SAME | _SYNCHRONIZE | {_FORMAT_UNIT, _UNMAP, _CAPACITY_10, _SERVICE_IN_16}


class VolumeTracker:
    """Follows every medium of a capture. ``read`` gives payload; ``device_of`` names the device of an exchange, by
    default "bus.address"."""

    def __init__(self, read: Read, device_of: Callable[[Exchange], str] | None = None) -> None:
        self._read = read
        self._device_of = device_of
        self._names: dict[tuple[int, int], str] = {}
        self._current: dict[tuple[str, int], Medium] = {}
        self._changed: set[tuple[str, int]] = set()
        self._counts: dict[tuple[str, int], int] = {}
        self.media: dict[Unit, Medium] = {}

    @property
    def stores(self) -> dict[Unit, SectorStore]:
        """The sectors of every medium."""
        return {unit: medium.store for unit, medium in self.media.items()}

    def feed(self, exchange: Exchange) -> str:
        """Takes the next exchange; returns what its blocks are for, or "" for a command without any."""
        opcode = exchange.opcode
        if exchange.sense is not None:
            self._sense(exchange)
        write = opcode in WRITES
        if write or opcode in READS:
            lba, blocks = lba_and_blocks(exchange.cdb)
            if lba is None or not blocks:
                return ""
            return self._medium(exchange).take(exchange, lba, blocks, write)
        if opcode in _OTHERS and exchange.status == PASSED:
            self._other(exchange, opcode)
        return ""

    def _key(self, exchange: Exchange) -> tuple[str, int]:
        if self._device_of is not None:
            return self._device_of(exchange), exchange.lun
        place = exchange.bus, exchange.address
        name = self._names.get(place)
        if name is None:
            name = self._names[place] = f"{exchange.bus}.{exchange.address}"
        return name, exchange.lun

    def medium_of(self, exchange: Exchange) -> Medium | None:
        """The medium that is now in the unit of an exchange, if any of its blocks have been seen."""
        return self._current.get(self._key(exchange))

    def _medium(self, exchange: Exchange) -> Medium:
        key = self._key(exchange)
        medium = self._current.get(key)
        if medium is None or (key in self._changed and len(medium.store)):
            count = self._counts[key] = self._counts.get(key, 0) + 1
            medium = Medium(Unit(*key, count), self._read)
            self._current[key] = self.media[medium.unit] = medium
        self._changed.discard(key)
        return medium

    def _sense(self, exchange: Exchange) -> None:
        sense = exchange.sense
        if sense is not None and ((sense.key == 6 and sense.asc == 0x28) or (sense.key == 2 and sense.asc == 0x3A)):
            key = self._key(exchange)
            if key in self._current and len(self._current[key].store):
                self._changed.add(key)

    def _other(self, exchange: Exchange, opcode: int) -> None:
        if opcode in _SYNCHRONIZE:
            medium = self._current.get(self._key(exchange))
            if medium is not None:
                medium.flushes.append(exchange.number)
        elif opcode == _FORMAT_UNIT:
            self._changed.add(self._key(exchange))
        elif opcode in _WRITE_SAME:
            lba, blocks = lba_and_blocks(exchange.cdb)
            if lba is not None and blocks:
                self._medium(exchange).store.forget(lba, blocks, exchange.number)
        elif opcode == _UNMAP:
            self._unmap(exchange)
        elif opcode == _CAPACITY_10 or exchange.cdb[1] & 0x1F == 0x10:
            self._capacity(exchange, opcode == _SERVICE_IN_16)

    def _payload(self, exchange: Exchange, most: int) -> bytes:
        return b"".join(self._read(piece) for piece in exchange.pieces[:64])[:most]

    def _capacity(self, exchange: Exchange, long: bool) -> None:
        data = self._payload(exchange, 32)
        found = Capacity.from_data(data, long)
        if found is None or found.beyond or not 128 <= found.block_length <= 1 << 16:
            return
        key = self._key(exchange)
        medium = self._medium(exchange)
        store = medium.store
        before = store.last_lba
        if len(store) and (store.block_length != found.block_length or before not in (None, found.last_lba)):
            self._changed.add(key)
            medium = self._medium(exchange)
        medium.store.set_capacity(found.last_lba, found.block_length, exchange.number)
        if long and len(data) >= 16:
            # SBC-3 5.16.2: exponent of logical blocks in a physical block, lowest aligned logical block address.
            medium.physical = 1 << (data[13] & 15), int.from_bytes(data[14:16], "big") & 0x3FFF

    def _unmap(self, exchange: Exchange) -> None:
        """Blocks that UNMAP gave back have no certain content (SBC-3 5.28: 8 bytes of header, 16 for each range)."""
        data = self._payload(exchange, 65536)
        medium = self._medium(exchange)
        for at in range(8, len(data) - 15, 16):
            lba, blocks = struct.unpack_from(">QI", data, at)
            medium.store.forget(lba, blocks, exchange.number)

    def volumes(self) -> list[Volume]:
        """Every volume of every medium, as of the last exchange taken."""
        return [volume for medium in self.media.values() for volume in medium.volumes]

    def findings(self) -> list[Fact]:
        """What is wrong with media, tables and volumes, as of the last exchange taken."""
        return [fact for medium in self.media.values() for fact in facts(medium)]

    def changes(self) -> list[Change]:
        """The file operations seen, medium by medium in order of time."""
        return [change for medium in self.media.values() for change in medium.journal.story()]
