"""What a log tells of units, media, volumes and files, where no exchange shows it; and two refusals that are no fault.

Sense without its command, capacities that no medium has, volumes that a host does not mount, codes of a FAT layer.
"""

from __future__ import annotations

from collections import Counter

from sticktrace.capture.logs import Kind
from sticktrace.capture.logs.fat_results import RESULTS as FAT
from sticktrace.findings.finding import FAULT, NOTE, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.blocks import UNREADABLE
from sticktrace.findings.rules.capacity import ODD_BLOCKS
from sticktrace.findings.rules.medium import HARDWARE, REFUSED, WRITE_PROTECTED
from sticktrace.findings.rules.readiness import NEVER_READY
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.findings.rules.units import MEDIUM_GONE, NO_MEDIUM
from sticktrace.findings.rules.volume import DAMAGED, UNCLEAN
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import name
from sticktrace.storage.sense import in_words
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.items import FAILED, Exchange, Saying

LAYER = "medium"

LOCKED = by_slug("unit-locked")
COPY = by_slug("copy-protected")
NOT_RECOGNISED = by_slug("volume-not-recognised")
FILE_LAYER = by_slug("file-layer-failed")
FILE_CALL = by_slug("file-layer-refused")
BEYOND = by_slug("partition-beyond-end")

_SECURITY, _COPY = 0x74, 0x6F
_LARGEST = 1 << 48
"""Bytes: 256 TiB. No medium behind a USB bridge comes near (common practice)."""
_BELOW = frozenset(("DISK_ERR", "INT_ERR", "NOT_READY", "TIMEOUT"))
_NO_MEDIUM = (0x2, 0x3A)
_REFUSAL_KEYS = {0x3: UNREADABLE, 0x4: HARDWARE, 0x5: REFUSED, 0x7: WRITE_PROTECTED}


class Refusals(PerStick):
    """Refusals that say what they are: a locked drive, a protected disc; and sense whose command is not told."""

    layer = LAYER
    hears = True
    patterns = (LOCKED, COPY)

    def begin(self) -> None:
        self.said: dict[tuple[int, str], Counter[str]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.sense is None or exchange.status is not FAILED:
            return
        pattern = _special(exchange.sense.key, exchange.sense.asc)
        if pattern is not None:
            self.note(pattern, unit.stick, exchange)
            self._count(pattern, unit.stick, f"{name(exchange.cdb)}: {in_words(*exchange.sense[:3])}")

    def saying(self, item: Saying, stick: Stick) -> None:
        said = item.statement
        key, asc = said.get("key"), said.get("asc", 0)
        if said.kind is not Kind.COMMAND_FAILED or item.in_exchange or key is None or said.end != "host":
            return
        pattern = _special(key, asc) or _REFUSAL_KEYS.get(key)
        unit = stick.units.get(item.lun)
        if (key, asc) == _NO_MEDIUM and unit is not None and unit.ready_ns >= 0:
            pattern = MEDIUM_GONE
        if pattern is not None:
            self.tally(pattern, stick).add(item.time_ns, records=item.records)
            at = f", sector {said.get('sector')}" if "sector" in said.values else "; its command is not told"
            self._count(pattern, stick, in_words(key, asc, said.get("ascq", 0)) + at)

    def _count(self, pattern: Pattern, stick: Stick, words: str) -> None:
        said = self.said.setdefault((id(stick), pattern.slug), Counter())
        if words in said or len(said) < 12:
            said[words] += 1

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        rows = self.said[id(stick), pattern.slug].most_common(3)
        return "; ".join(text + (f" ({count} times)" if count > 1 else "") for text, count in rows)


def _special(key: int, asc: int) -> Pattern | None:
    if asc == _SECURITY and key in (0x5, 0x7):
        return LOCKED
    return COPY if (key, asc) == (0x5, _COPY) else None


class Told(Rule):
    """Readiness, capacity and protection as a log tells them."""

    layer = LAYER
    patterns = (BEYOND,)

    def begin(self) -> None:
        self.waits: dict[Unit, tuple[Tally, bool]] = {}
        self.odd: dict[Unit, Saying] = {}
        self.beyond: dict[Stick, Saying] = {}
        self.empty: dict[Unit, Tally] = {}

    def saying(self, item: Saying, stick: Stick) -> None:
        said, unit = item.statement, stick.units.get(item.lun)
        if unit is None:
            return
        if said.kind is Kind.NOT_READY:
            tally, gave_up = self.waits.get(unit, (Tally(), False))
            tally.add(item.time_ns, records=item.records)
            self.waits[unit] = (tally, gave_up or bool(said.get("gave_up")) or bool(said.fails))
        elif said.kind is Kind.NO_MEDIUM:
            self.empty.setdefault(unit, Tally()).add(item.time_ns, records=item.records)
        elif said.kind is Kind.CAPACITY:
            if said.get("beyond"):
                self.beyond.setdefault(stick, item)
            elif said.get("odd") or _absurd(unit):
                self.odd.setdefault(unit, item)

    def end(self) -> None:
        for unit, (tally, gave_up) in self.waits.items():
            ready = unit.ready_ns >= 0
            if unit.empty and not ready:
                self.empty.setdefault(unit, tally)
            elif gave_up and not ready:
                many = count_of(tally.count, "line")
                self.report(NEVER_READY, f"LUN {unit.lun}: {many} of the log say so", unit.stick, tally, ends=True)
        for unit, tally in self.empty.items():
            if unit.ready_ns < 0:
                self.report(NO_MEDIUM, f"LUN {unit.lun}: the log says so", unit.stick, tally, ends=True)
        for unit, item in self.odd.items():
            self._capacity(unit, item)
        for stick, item in self.beyond.items():
            self.report(BEYOND, f"the log says: {item.statement.line}", stick, records=item.records,
                        time_ns=item.time_ns)  # fmt: skip

    def _capacity(self, unit: Unit, item: Saying) -> None:
        size = unit.capacity
        told = f"the log says: {item.statement.line}"
        if size is not None and _absurd(unit):
            told = f"{size.blocks:,} blocks of {size.block_length} bytes, {bytes_in_words(max(0, size.bytes))}"
        self.report(ODD_BLOCKS, f"LUN {unit.lun}: {told}", unit.stick, records=item.records, time_ns=item.time_ns,
                    severity=FAULT if _absurd(unit) or item.statement.fails else RISK)  # fmt: skip


def _absurd(unit: Unit) -> bool:
    size = unit.capacity
    return size is not None and (size.blocks <= 1 or size.bytes >= _LARGEST)


class Files(Rule):
    """Volumes and files as hosts and FAT layers tell of them."""

    layer = "volume"
    patterns = (NOT_RECOGNISED, FILE_LAYER, FILE_CALL)

    def begin(self) -> None:
        self.cases: dict[tuple[Stick, str], tuple[Pattern, Tally, Counter[str]]] = {}
        self.mounted: set[Stick] = set()
        self.used: set[Stick] = set()

    def saying(self, item: Saying, stick: Stick) -> None:
        said = item.statement
        if said.kind is Kind.FILE_SYSTEM:
            self._volume(item, stick, said.get("state", ""))
        elif said.kind is Kind.NO_PARTITIONS:
            self._add(NOT_RECOGNISED, item, stick, said.line)
        elif said.kind is Kind.FILE_RESULT:
            self._result(item, stick, said.get("code", ""))

    def _volume(self, item: Saying, stick: Stick, state: str) -> None:
        if state == "mounted":
            self.mounted.add(stick)
        elif state in ("not recognised", "not mounted"):
            self._add(NOT_RECOGNISED, item, stick, item.statement.line)
        elif state == "unclean":
            self._add(UNCLEAN, item, stick, item.statement.line)
        elif state in ("corrupt", "read-only"):
            self._add(DAMAGED, item, stick, item.statement.line)

    def _result(self, item: Saying, stick: Stick, code: str) -> None:
        result = FAT.get(code)
        if result is None or code == "OK":
            if code == "OK":
                self.mounted.add(stick)
                if item.statement.get("function") not in ("", None, "mount"):
                    self.used.add(stick)
            return
        words = f"FR_{code}: {result.says}"
        if code in _BELOW:
            self._add(FILE_LAYER, item, stick, words)
        elif code == "NO_FILESYSTEM":
            if stick not in self.used:
                self.mounted.discard(stick)  # what was mounted had not been looked at
            self._add(NOT_RECOGNISED, item, stick, words)
        elif code == "WRITE_PROTECTED":
            self._add(WRITE_PROTECTED, item, stick, words)
        else:
            self._add(FILE_CALL, item, stick, words)

    def _add(self, pattern: Pattern, item: Saying, stick: Stick, words: str) -> None:
        _, tally, said = self.cases.setdefault((stick, pattern.slug), (pattern, Tally(), Counter()))
        tally.add(item.time_ns, records=item.records)
        if words in said or len(said) < 12:
            said[words] += 1

    def end(self) -> None:
        for (stick, _), (pattern, tally, said) in self.cases.items():
            text = "; ".join(words + (f" ({n} times)" if n > 1 else "") for words, n in said.most_common(3))
            lost = stick.detached is not None and tally.first_ns >= stick.detached.time_ns
            harmless = pattern is NOT_RECOGNISED and stick in self.mounted
            # A host that is seen to read no block found nothing because of what kept it from reading.
            unread = pattern is NOT_RECOGNISED and not stick.by_hearsay and stick.exchanges and not _read(stick)
            severity = NOTE if lost or harmless else RISK if unread else ""
            self.report(pattern, text, stick, tally, severity=severity)


def _read(stick: Stick) -> bool:
    return any(unit.reads for unit in stick.units.values())


RULES = (Refusals, Told, Files)
