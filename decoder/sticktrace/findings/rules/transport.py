"""Bulk-Only Transport by the letter: wrappers, tags, residues, the thirteen cases (BOT 1.0 5 and 6)."""

from __future__ import annotations

from sticktrace.findings.finding import NOTE, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick
from sticktrace.sticks.learning import READS, WRITES
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import direction, lba_and_blocks
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.counted import residue_lies
from sticktrace.transport.items import FAILED, PASSED, PHASE_ERROR, Direction, Exchange, Stray, StrayKind
from sticktrace.transport.remarks import Said

LAYER = "transport"

CBW_INVALID = by_slug("cbw-not-valid")
CBW_NOT_MEANINGFUL = by_slug("cbw-not-meaningful")
LENGTH_ODD = by_slug("command-length-odd")
CSW_INVALID = by_slug("csw-not-valid")
TAG_WRONG = by_slug("csw-tag-wrong")
LATE_CSW = by_slug("csw-late")
STATUS_RESERVED = by_slug("csw-status-reserved")
RESIDUE_LIES = by_slug("residue-lies")
EMPTY_PACKET = by_slug("empty-packet-before-csw")
CSW_IN_DATA = by_slug("csw-in-place-of-data")
DISAGREES = by_slug("wrapper-disagrees-with-command")
PHASE = by_slug("phase-error")
TOO_MUCH = by_slug("more-data-than-announced")
STRAY = by_slug("traffic-outside-commands")

_BLOCKS = READS | WRITES


class Wrappers(PerStick):
    """Commands and status by the letter, one exchange at a time."""

    layer = LAYER
    patterns = (
        CBW_INVALID, CBW_NOT_MEANINGFUL, LENGTH_ODD, CSW_INVALID, TAG_WRONG, LATE_CSW, STATUS_RESERVED, RESIDUE_LIES,
        EMPTY_PACKET, CSW_IN_DATA, DISAGREES, PHASE, TOO_MUCH, STRAY,
    )  # fmt: skip

    _REMARKS = {
        Said.RESERVED_BITS: CBW_NOT_MEANINGFUL, Said.BLOCK_LENGTH_ILLEGAL: CBW_NOT_MEANINGFUL,
        Said.BLOCK_LENGTH_ODD: LENGTH_ODD, Said.WRAPPER_SIZE: CBW_INVALID, Said.WRAPPER_SIGNATURE: CBW_INVALID,
        Said.STATUS_SIZE: CSW_INVALID, Said.STATUS_SIGNATURE: CSW_INVALID, Said.OTHER_TAG: TAG_WRONG,
        Said.STATUS_LATE: LATE_CSW, Said.LATE_STATUS_HERE: LATE_CSW, Said.STATUS_RESERVED: STATUS_RESERVED,
        Said.RESIDUE_TOO_LARGE: RESIDUE_LIES, Said.EMPTY_BEFORE_STATUS: EMPTY_PACKET, Said.WRONG_WAY: TOO_MUCH,
        Said.BEYOND_LENGTH: TOO_MUCH, Said.MORE_MOVED: TOO_MUCH,
    }  # fmt: skip

    def begin(self) -> None:
        self.said: dict[tuple[int, str], str] = {}
        self.hurt: set[int] = set()

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.transport != "BOT":
            return
        stick = unit.stick
        for remark in exchange.remarks:
            if remark.kind in self._REMARKS:
                self._count(self._REMARKS[remark.kind], stick, exchange, remark.words)
        if exchange.status == PHASE_ERROR:
            case = f" (case {exchange.case})" if exchange.case else ""
            self._count(PHASE, stick, exchange, f"{exchange.command} in exchange {exchange.number}{case}")
        self._data_phase(exchange, unit)

    def _data_phase(self, exchange: Exchange, unit: Unit) -> None:
        stick, expected = unit.stick, exchange.expected
        if exchange.residue and exchange.residue <= expected and residue_lies(exchange, unit.block):
            self._count(RESIDUE_LIES, stick, exchange, f"{exchange.residue} after {expected} bytes")
        skipped = exchange.direction is Direction.IN and expected > 0 and not exchange.pieces and not exchange.stalled
        skipped = skipped and not exchange.truncated
        if skipped and exchange.status in (PASSED, FAILED) and exchange.status_at.actual == 13:
            self._count(CSW_IN_DATA, stick, exchange, exchange.command)
        said = _disagreement(exchange, unit)
        if said:
            self._count(DISAGREES, stick, exchange, said)
            if exchange.status not in (PASSED, FAILED):
                self.hurt.add(id(stick))

    def stray(self, stray: Stray, stick: Stick) -> None:
        if stray.kind is StrayKind.REST:
            return
        pattern = CBW_INVALID if stray.kind is StrayKind.INVALID_COMMAND else STRAY
        self.tally(pattern, stick).add(stray.time_ns, records=stray.records)
        self.said.setdefault((id(stick), pattern.slug), stray.reason)

    def _count(self, pattern: Pattern, stick: Stick, exchange: Exchange, said: str) -> None:
        self.note(pattern, stick, exchange)
        self.said.setdefault((id(stick), pattern.slug), said)

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        first = self.said.get((id(stick), pattern.slug), "")
        count = tally.count
        if pattern is LENGTH_ODD:
            count += self.scene.habits(stick)
        return first if count == 1 else f"{count_of(count, 'time')}, first: {first}"

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        severity = ""
        if pattern is TAG_WRONG and tally.count >= 3 and tally.count * 2 > stick.exchanges:
            severity = RISK
        elif pattern is DISAGREES and id(stick) not in self.hurt:
            severity = NOTE  # the device put up with it, as BOT 6.7 lets it in cases 4, 5, 9 and 11
        elif pattern is STRAY and stick.detached is not None:
            return  # transfers that the host still had waiting when the device went
        self.report(pattern, self.words(pattern, stick, tally), stick, tally, severity=severity)


_NO_WRAPPER = frozenset((Said.WRAPPER_SIZE, Said.WRAPPER_SIGNATURE, Said.WRAPPER_CUT))


def _wanted(exchange: Exchange, unit: Unit) -> int:
    """Bytes that the command block of a READ or WRITE asks for, -1 where the block length is not known."""
    _, blocks = lba_and_blocks(exchange.cdb)
    return blocks * unit.block if blocks is not None and unit.block else -1


def _disagreement(exchange: Exchange, unit: Unit) -> str:
    """How the wrapper contradicts the command block; "" where it does not (BOT 1.0 6.7, by the host's side)."""
    wish, expected = direction(exchange.cdb), exchange.expected
    if expected < 0 or any(r.kind in _NO_WRAPPER for r in exchange.remarks) or exchange.command_at.captured < 15:
        return ""
    called = exchange.command
    if exchange.direction != "none" and wish in ("in", "out") and wish != exchange.direction:
        return f"{called} moves data {wish}, the CBW announces {exchange.direction}"
    wanted = _wanted(exchange, unit) if exchange.opcode in _BLOCKS else -1
    if wanted >= 0 and wanted != expected:
        return f"{called} asks for {bytes_in_words(wanted)}, the CBW announces {bytes_in_words(expected)}"
    if wish == "none" and expected and exchange.opcode in (0x00, 0x1B, 0x1E, 0x35):
        return f"{called} moves no data, the CBW announces {bytes_in_words(expected)}"
    return ""


RULES = (Wrappers,)
