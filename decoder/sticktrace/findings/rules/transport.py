"""Bulk-Only Transport by the letter: wrappers, tags, residues, the thirteen cases (BOT 1.0 5 and 6)."""

from __future__ import annotations

from sticktrace.findings.finding import NOTE, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble
from sticktrace.findings.rules.rule import PerSubject
from sticktrace.sticks.learning import READS, WRITES
from sticktrace.sticks.subject import Subject, Unit
from sticktrace.sticks.tally import Tally
from sticktrace.storage.commands import lba_and_blocks, name
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.cases import intent
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import FAILED, PASSED, PHASE_ERROR, Exchange

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


class Wrappers(PerSubject):
    """Commands and status by the letter, one exchange at a time."""

    layer = LAYER
    patterns = (
        CBW_INVALID, CBW_NOT_MEANINGFUL, LENGTH_ODD, CSW_INVALID, TAG_WRONG, LATE_CSW, STATUS_RESERVED, RESIDUE_LIES,
        EMPTY_PACKET, CSW_IN_DATA, DISAGREES, PHASE, TOO_MUCH, STRAY,
    )  # fmt: skip

    _NOTES = (
        ("reserved bits of the CBW", CBW_NOT_MEANINGFUL), ("legal are 1 to 16", CBW_NOT_MEANINGFUL),
        ("the opcode's group has", LENGTH_ODD), ("the CBW is not valid", CBW_INVALID),
        ("what came as CSW is not valid", CSW_INVALID), ("h was due (BOT 6.3.1)", TAG_WRONG),
        ("its CSW came late", LATE_CSW),
        ("the late CSW of", LATE_CSW), ("is reserved (BOT Table 5.3)", STATUS_RESERVED),
        ("dCSWDataResidue is larger", RESIDUE_LIES), ("a zero-length packet came", EMPTY_PACKET),
        ("went against the announced direction", TOO_MUCH), ("beyond dCBWDataTransferLength", TOO_MUCH),
        ("more than announced were moved", TOO_MUCH),
    )  # fmt: skip

    def begin(self) -> None:
        self.said: dict[tuple[int, str], str] = {}
        self.hurt: set[int] = set()

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        if exchange.transport != "BOT":
            return
        subject = unit.subject
        for note in exchange.notes:
            for phrase, pattern in self._NOTES:
                if phrase in note:
                    self._count(pattern, subject, exchange, note)
        if exchange.status == PHASE_ERROR:
            case = f" (case {exchange.case})" if exchange.case else ""
            self._count(PHASE, subject, exchange, f"{name(exchange.cdb)} in exchange {exchange.number}{case}")
        self._data_phase(exchange, unit)

    def _data_phase(self, exchange: Exchange, unit: Unit) -> None:
        subject, expected = unit.subject, exchange.expected
        if exchange.status == PASSED and exchange.residue and expected and exchange.opcode in _BLOCKS:
            wanted = _wanted(exchange, unit)
            if exchange.moved == expected == wanted and exchange.residue <= expected:
                self._count(RESIDUE_LIES, subject, exchange, f"{exchange.residue} after {expected} bytes")
        skipped = exchange.direction == "in" and expected > 0 and not exchange.moved and not exchange.stalled
        if skipped and exchange.status in (PASSED, FAILED) and exchange.status_at.actual == 13:
            self._count(CSW_IN_DATA, subject, exchange, name(exchange.cdb))
        said = _disagreement(exchange, unit)
        if said:
            self._count(DISAGREES, subject, exchange, said)
            if exchange.status not in (PASSED, FAILED):
                self.hurt.add(id(subject))

    def stray(self, stray: Stray, subject: Subject) -> None:
        pattern = CBW_INVALID if stray.kind == "invalid command" else STRAY
        self.tally(pattern, subject).add(stray.time_ns, records=stray.records)
        self.said.setdefault((id(subject), pattern.slug), stray.reason)

    def _count(self, pattern: Pattern, subject: Subject, exchange: Exchange, said: str) -> None:
        self.note(pattern, subject, exchange)
        self.said.setdefault((id(subject), pattern.slug), said)

    def words(self, pattern: Pattern, subject: Subject, tally: Tally) -> str:
        first = self.said.get((id(subject), pattern.slug), "")
        count = tally.count
        if pattern is LENGTH_ODD:
            count += sum(unit.habits for unit in subject.units.values())
        return first if count == 1 else f"{count_of(count, 'time')}, first: {first}"

    def conclude(self, pattern: Pattern, subject: Subject, tally: Tally) -> None:
        severity = ""
        if pattern is TAG_WRONG and tally.count >= 3 and tally.count * 2 > subject.exchanges:
            severity = RISK
        elif pattern is DISAGREES and id(subject) not in self.hurt:
            severity = NOTE  # the device put up with it, as BOT 6.7 lets it in cases 4, 5, 9 and 11
        elif pattern is STRAY and subject.detached is not None:
            return  # transfers that the host still had waiting when the device went
        self.report(pattern, self.words(pattern, subject, tally), subject, tally, severity=severity)


def _wanted(exchange: Exchange, unit: Unit) -> int:
    """Bytes that the command block of a READ or WRITE asks for, -1 where the block length is not known."""
    _, blocks = lba_and_blocks(exchange.cdb)
    return blocks * unit.block if blocks is not None and unit.block else -1


def _disagreement(exchange: Exchange, unit: Unit) -> str:
    """How the wrapper contradicts the command block; "" where it does not (BOT 1.0 6.7, by the host's side)."""
    wish, expected = intent(exchange.cdb), exchange.expected
    if expected < 0 or trouble.has(exchange, "CBW is not valid") or exchange.command_at.captured < 15:
        return ""
    called = name(exchange.cdb)
    if exchange.direction != "none" and wish in ("in", "out") and wish != exchange.direction:
        return f"{called} moves data {wish}, the CBW announces {exchange.direction}"
    wanted = _wanted(exchange, unit) if exchange.opcode in _BLOCKS else -1
    if wanted >= 0 and wanted != expected:
        return f"{called} asks for {bytes_in_words(wanted)}, the CBW announces {bytes_in_words(expected)}"
    if wish == "none" and expected and exchange.opcode in (0x00, 0x1B, 0x1E, 0x35):
        return f"{called} moves no data, the CBW announces {bytes_in_words(expected)}"
    return ""


RULES = (Wrappers,)
