"""Blocks that cannot be read or written, one by one, and whether they worked later (SPC-3 4.5, SBC-2)."""

from __future__ import annotations

from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.learning import READS, WRITES
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import lba_and_blocks
from sticktrace.text import count_of
from sticktrace.transport.items import FAILED, PASSED, Exchange

LAYER = "medium"
_MEDIUM = 0x3
_MOST_LBAS = 10_000

UNREADABLE = by_slug("unreadable-blocks")
UNWRITABLE = by_slug("unwritable-blocks")
UNREADABLE_ONCE = by_slug("blocks-read-on-retry")


class _Failures:
    """Failed reads or writes of one unit: blocks known to be bad, and ranges in which one must be."""

    def __init__(self, unit: Unit) -> None:
        self.unit, self.tally = unit, Tally()
        self.blocks: dict[int, int] = {}
        self.ranges: dict[tuple[int, int], int] = {}

    def add(self, lba: int, blocks: int, told: int | None) -> None:
        """One failed command; ``told`` is the block that the sense data names."""
        at = told if told is not None else lba if blocks == 1 else None
        if at is not None and (at in self.blocks or len(self.blocks) < _MOST_LBAS):
            self.blocks[at] = self.blocks.get(at, 0) + 1
        elif at is None and ((lba, blocks) in self.ranges or len(self.ranges) < _MOST_LBAS):
            self.ranges[lba, blocks] = self.ranges.get((lba, blocks), 0) + 1

    def heal(self, lba: int, blocks: int) -> list[int]:
        """A command that passed: which failures it takes back, as first blocks."""
        good = [at for at in self.blocks if lba <= at < lba + blocks]
        whole = [r for r in self.ranges if lba <= r[0] and r[0] + r[1] <= lba + blocks]
        for at in good:
            del self.blocks[at]
        for span in whole:
            del self.ranges[span]
        return good + [span[0] for span in whole]

    def words(self) -> str:
        """Where the bad blocks are; a range that holds a block known to be bad needs no other."""
        open_ranges = [r for r in self.ranges if not any(r[0] <= at < r[0] + r[1] for at in self.blocks)]
        parts = [f"LBA {_ranges(sorted(self.blocks))}"] if self.blocks else []
        parts += [f"somewhere in LBA {a}-{a + n - 1}" for a, n in open_ranges[:4]]
        return f"LUN {self.unit.lun}, {', '.join(parts)}: {count_of(self.tally.count, 'failed try', 'failed tries')}"


class Blocks(Rule):
    """Blocks that failed, one by one, and whether they worked later."""

    layer = LAYER
    hears = True
    patterns = (UNREADABLE, UNWRITABLE, UNREADABLE_ONCE)

    def begin(self) -> None:
        self.bad: dict[tuple[int, bool], _Failures] = {}
        self.healed: dict[int, tuple[Unit, list[int], Tally]] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        lba, blocks = lba_and_blocks(exchange.cdb)
        if lba is None or not blocks:
            return
        if exchange.status == PASSED:
            if self.bad and exchange.opcode in READS and (id(unit), False) in self.bad:
                self._passed(exchange, unit, lba, blocks)
        elif exchange.status == FAILED and exchange.sense is not None and exchange.sense.key == _MEDIUM:
            facts = self.scene.sense(exchange)
            told = facts.information if facts and facts.information is not None else None
            case = self.bad.setdefault((id(unit), exchange.opcode in WRITES), _Failures(unit))
            case.tally.add(exchange.time_ns, exchange.number, exchange.records)
            case.add(lba, blocks, told if told is not None and lba <= told < lba + blocks else None)
            self.scene.look_at(unit, 100_000)  # every command of this unit counts now: does the block work later?

    def _passed(self, exchange: Exchange, unit: Unit, lba: int, blocks: int) -> None:
        for at in self.bad[id(unit), False].heal(lba, blocks):
            _, healed, tally = self.healed.setdefault(id(unit), (unit, [], Tally()))
            tally.add(exchange.time_ns, exchange.number, exchange.records)
            if len(healed) < _MOST_LBAS:
                healed.append(at)

    def end(self) -> None:
        for (_, writing), case in self.bad.items():
            if case.blocks or case.ranges:
                self.report(UNWRITABLE if writing else UNREADABLE, case.words(), case.unit.stick, case.tally)
        for unit, healed, tally in self.healed.values():
            text = f"LUN {unit.lun}, LBA {_ranges(sorted(set(healed)))} failed and was read later"
            self.report(UNREADABLE_ONCE, text, unit.stick, tally)


def _ranges(lbas: list[int]) -> str:
    """``5, 8-12, 20`` and how many more there are."""
    runs: list[list[int]] = []
    for lba in lbas:
        if runs and lba == runs[-1][1] + 1:
            runs[-1][1] = lba
        else:
            runs.append([lba, lba])
    shown = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs[:8])
    return shown + (f" and {len(runs) - 8} ranges more" if len(runs) > 8 else "")


RULES = (Blocks,)
