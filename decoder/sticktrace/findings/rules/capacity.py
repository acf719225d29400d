"""Capacity and addresses: off by one, beyond 32 bits, odd block lengths, reads past the end (SBC-2 5.10, 5.11)."""

from __future__ import annotations

from sticktrace.codes import scsi
from sticktrace.findings.finding import Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.learning import READ_CAPACITY_10, SERVICE_ACTION_IN
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import lba_and_blocks
from sticktrace.storage.words import Capacity
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.items import PASSED, Exchange

LAYER = "capacity"

OFF_BY_ONE = by_slug("capacity-off-by-one")
PAST_END = by_slug("access-past-end")
SIGN_ERROR = by_slug("address-overflow")
NEEDS_16 = by_slug("capacity-beyond-32-bit")
BIG_BLOCKS = by_slug("block-length-not-512")
ODD_BLOCKS = by_slug("capacity-nonsense")
CHANGES = by_slug("capacity-changes")

_OUT_OF_RANGE = (0x5, 0x21)


class CapacityAnswers(Rule):
    """What READ CAPACITY says."""

    layer = LAYER
    patterns = (NEEDS_16, BIG_BLOCKS, ODD_BLOCKS, CHANGES)

    def begin(self) -> None:
        self.last: dict[int, tuple[Capacity, Exchange]] = {}
        self.beyond: dict[int, tuple[Unit, Exchange]] = {}
        self.asked_16: set[int] = set()
        self.told: set[tuple[int, str]] = set()
        self.large: dict[int, tuple[Unit, Exchange, str]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.sense is not None and exchange.sense.key in (2, 6):
            self.last.pop(id(unit), None)
        long = exchange.opcode == SERVICE_ACTION_IN and exchange.cdb[1:2] == b"\x10"
        if not long and exchange.opcode != READ_CAPACITY_10:
            return
        if long:
            self.asked_16.add(id(unit))
        found = Capacity.from_data(self.scene.data(exchange, 32), long) if exchange.status == PASSED else None
        if found is None:
            return
        if found.beyond:
            self.beyond.setdefault(id(unit), (unit, exchange))
        else:
            self._judge(found, exchange, unit)

    def _judge(self, found: Capacity, exchange: Exchange, unit: Unit) -> None:
        length = found.block_length
        if length not in (512, 1024, 2048, 4096) or not found.last_lba:
            self._once(ODD_BLOCKS, f"last LBA {found.last_lba}, block length {length}", exchange, unit)
        elif length != 512 and unit.device_type != scsi.CD_DVD:
            text = f"blocks of {length} bytes, {bytes_in_words(found.bytes)} in all"
            self.large.setdefault(id(unit), (unit, exchange, text))
        before, earlier = self.last.get(id(unit), (None, exchange))
        if before is not None and (before.last_lba, before.block_length) != (found.last_lba, length):
            text = f"last LBA {before.last_lba} in exchange {earlier.number}, "
            text += f"{found.last_lba} in exchange {exchange.number}"
            self._once(CHANGES, text, exchange, unit)
        self.last[id(unit)] = (found, exchange)

    def _once(self, pattern: Pattern, text: str, exchange: Exchange, unit: Unit) -> None:
        if (id(unit), pattern.slug) not in self.told:
            self.told.add((id(unit), pattern.slug))
            self.report(pattern, f"LUN {unit.lun}: {text}", unit.stick, exchanges=(exchange.number,),
                        records=exchange.records, time_ns=exchange.time_ns)  # fmt: skip

    def end(self) -> None:
        for unit, exchange, text in self.large.values():
            after = "" if unit.reads else "; no block was read after that"
            self.report(BIG_BLOCKS, f"LUN {unit.lun}: {text}{after}", unit.stick, exchanges=(exchange.number,),
                        records=exchange.records, time_ns=exchange.time_ns, ends=not unit.reads)  # fmt: skip
        for key, (unit, exchange) in self.beyond.items():
            if key not in self.asked_16:
                self._once(NEEDS_16, "READ CAPACITY(10) says FFFFFFFFh, READ CAPACITY(16) never came", exchange, unit)


class Addresses(Rule):
    """Addresses that were refused."""

    layer = LAYER
    hears = True
    patterns = (OFF_BY_ONE, PAST_END, SIGN_ERROR)

    def begin(self) -> None:
        self.cases: dict[tuple[int, str], tuple[Stick, Pattern, Tally, str]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        sense = exchange.sense
        if sense is None or (sense.key, sense.asc) != _OUT_OF_RANGE:
            return
        lba, blocks = lba_and_blocks(exchange.cdb)
        if lba is None:
            return
        last = unit.capacity.last_lba if unit.capacity else None
        pattern = PAST_END
        if last is not None and lba <= last == lba + (blocks or 1) - 1:
            pattern = OFF_BY_ONE
        elif last is not None and last < 0x7FFFFFFF and (lba >> 31 == 1 or lba >> 31 == (1 << 33) - 1):
            pattern = SIGN_ERROR
        told = f"the last block is {last} by READ CAPACITY" if last is not None else "the capacity is not seen"
        text = f"{exchange.command} of LBA {lba}, {count_of(blocks or 0, 'block')}, was refused; {told}"
        case = self.cases.setdefault((id(unit), pattern.slug), (unit.stick, pattern, Tally(), text))
        case[2].add(exchange.time_ns, exchange.number, exchange.records)

    def end(self) -> None:
        for stick, pattern, tally, text in self.cases.values():
            more = f" (and {tally.count - 1} more)" if tally.count > 1 else ""
            self.report(pattern, text + more, stick, tally)


RULES = (CapacityAnswers, Addresses)
