"""The reader of captures that hold packets: link types 288 and 293 to 295, one record a packet."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterator
from typing import Any

from sticktrace.capture.binary import FrameDecoder, decoder_for
from sticktrace.capture.blocks import Block, BlockWalk, Source, blocks
from sticktrace.capture.packets import SPEEDS
from sticktrace.capture.packets.columns import packets
from sticktrace.capture.packets.counts import Counts
from sticktrace.capture.packets.events import WireEvents
from sticktrace.capture.packets.machine import Machine
from sticktrace.capture.packets.payload import Payload
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.transfer import Transfer
from sticktrace.capture.wire import Told

Column = Any


_COARSEST = 1_000_000_000
"""Nanoseconds between two times of the coarsest clock."""

MOST_SEGMENTS = 64
"""Interfaces told apart; those beyond count as one."""


def _by_source(block: Block, columns: list[Column]) -> Iterator[tuple[Source, list[Column]]]:
    """The records of a block by where they come from."""
    import numpy as np

    if len(block.sources) == 1:
        yield block.sources[0], columns
        return
    kinds = [(link_type, order, min(interface, MOST_SEGMENTS)) for link_type, order, interface in block.sources]
    known = list(dict.fromkeys(kinds))
    index_of = {source: index for index, source in enumerate(known)}
    kind = np.array([index_of[source] for source in kinds])[block.source]
    for index in np.unique(kind).tolist():
        yield known[index], [column[kind == index] for column in columns]


def _last_record(transfer: Transfer) -> int:
    return transfer.records[-1]


class PacketReader(Reader):
    """pcap and pcapng captures in which some interface records packets. Each interface is one bus segment of its own,
    as bus 0, 1 and so on; records of the link types of hosts are read as ever.

    ``wire_events`` holds what no transfer tells."""

    def __init__(self, form: str, data: Any, walk: Any) -> None:
        super().__init__(data)
        self.form = form
        self.walk: BlockWalk = walk
        self.damage: list[Damage] = walk.damage
        self.payload: Payload = Payload(data)
        self._places: Counter[str] = Counter()
        self.wire_events = WireEvents()
        self.tick_ns = _COARSEST
        self._machines: dict[tuple[int, int], Machine] = {}
        self._hosts: dict[int, FrameDecoder | None] = {}

    @property
    def position(self) -> int:
        position: int = self.walk.position  # type: ignore[attr-defined]
        return position

    @property
    def places(self) -> Counter[str]:
        return Counter(self._places)

    def told(self, bus: int, address: int) -> Told | None:
        for (link_type, _), machine in self._machines.items():
            if machine.bus == bus:
                source = f"link type {link_type}" if SPEEDS[link_type] else "deduced from the packets"
                known = Told(machine.speed, source) if machine.speed else None
                return machine.told.get(address) or known
        return None

    def command_before(self, time_ns: int) -> bool:
        waits = any(machine.command_before(time_ns) for machine in self._machines.values())
        return waits or super().command_before(time_ns)

    @property
    def assumed(self) -> list[str]:
        told = []
        for (link_type, _), machine in self._machines.items():
            if machine.deduced and machine.speed:
                what = f"the speed, {machine.speed}, is deduced from the packets"
                told.append(f"{what}: link type {link_type} does not say")
            elif machine.deduced:
                told.append(f"link type {link_type} does not say the speed, and no packet shows it")
        for machine in self._machines.values():
            told += self.wire_events.silent(machine.bus) if machine.parties else []
        return told + list(getattr(self.walk, "assumed", []))

    def transfers(self) -> Iterator[Transfer]:
        import numpy as np

        data = self.payload.data = self.data
        raw = np.frombuffer(data, np.uint8)
        for block in blocks(self.walk, data):
            time_ns = self._times(block)
            number = np.arange(self.records + 1, self.records + 1 + len(block.at))
            self.records, self.last_ns = int(number[-1]), int(time_ns[-1])
            columns = [number, time_ns, block.at, block.captured, block.original]
            ways = [self._of(source, raw, some) for source, some in _by_source(block, columns)]
            yield from heapq.merge(*ways, key=_last_record) if len(ways) > 1 else ways[0]
            if not self.passed():
                return

    def _times(self, block: Block) -> Column:
        """Nanoseconds since the first record; a clock that was set back does not make them negative."""
        import numpy as np

        if self.origin_ns is None:
            self.origin_ns = int(block.time_ns[0])
        while self.tick_ns > 1 and (block.time_ns % self.tick_ns).any():
            self.tick_ns //= 1000
        return np.maximum(block.time_ns - self.origin_ns, 0)

    def _of(self, source: Source, raw: Column, columns: list[Column]) -> Iterator[Transfer]:
        link_type, order, _ = source
        if link_type in SPEEDS:
            yield from self._machine(source).take(raw, packets(raw, *columns), self.tick_ns)
            return
        decoder = self._host(link_type)
        if decoder is None:
            self.skipped[f"link type {link_type} is not a USB capture that sticktrace reads"] += len(columns[0])
            return
        for number, time_ns, at, captured, original in zip(*(column.tolist() for column in columns), strict=True):
            transfer = decoder.feed((time_ns, at, captured, original, link_type, order), number, time_ns, self.data)
            if transfer is not None:
                yield transfer

    @staticmethod
    def is_packets(source: Source) -> bool:
        """Whether the records of a source are packets."""
        return source[0] in SPEEDS

    def _machine(self, source: Source) -> Machine:
        link_type, _, interface = source
        machine = self._machines.get((link_type, interface))
        if machine is None:
            self.link_types.add(link_type)
            bus = len(self._machines)
            counts = Counts(bus, self.wire_events, self._places, self.skipped)
            machine = Machine(SPEEDS[link_type], self.payload, counts)
            self._machines[link_type, interface] = machine
        return machine

    def _host(self, link_type: int) -> FrameDecoder | None:
        if link_type not in self._hosts:
            self.link_types.add(link_type)
            decoder = self._hosts[link_type] = decoder_for(link_type, self)
            if decoder is not None:
                self.joiners.append(decoder.joiner)
        return self._hosts[link_type]

    def finish(self) -> Iterator[Transfer]:
        import numpy as np

        self.walk.finish(self.data)  # type: ignore[attr-defined]
        raw = np.frombuffer(self.data, np.uint8)
        for machine in self._machines.values():
            yield from machine.finish(raw, self.last_ns)
        for joiner in self.joiners:
            yield from joiner.rest(self.last_ns)
