"""Bulk-Only Transport by the letter: wrappers, tags, residues, the thirteen cases (BOT 1.0 5 and 6)."""

from __future__ import annotations

from sticktrace.findings.finding import DEVICE, FAULT, HOST, NOTE, RISK, UNKNOWN, Pattern
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

CBW_INVALID = Pattern(
    "cbw-not-valid", FAULT, "The host sends a command wrapper that is not valid", "BOT 1.0 6.2.1, 6.6.1",
    "A CBW has exactly 31 bytes and the signature 43425355h. The device must refuse any other and stay halted until "
    "reset recovery.",
    ("a host controller that moves 16 bits at a time and sends 32 bytes", "the host's state is out of step",
     "a buffer that is overwritten or not yet flushed from the cache"),
    "Send exactly 31 bytes; check the buffer's alignment and cache maintenance.", HOST, ("F56", "F71"),
    workaround="send 32-byte wrappers, for the few devices that want them",
)  # fmt: skip

CBW_NOT_MEANINGFUL = Pattern(
    "cbw-not-meaningful", NOTE, "A command wrapper has reserved bits set or an impossible length", "BOT 1.0 6.2.2, 6.4",
    "The CBW is valid but not meaningful: what the device does with it is not specified.",
    ("careless host code",), "Zero the reserved bits; keep bCBWCBLength between 1 and 16.", HOST, (),
)  # fmt: skip

LENGTH_ODD = Pattern(
    "command-length-odd", NOTE, "bCBWCBLength differs from the length of the command", "BOT 1.0 5.1, SPC-3 4.3.4.1",
    "The opcode's group fixes the length of the command block; the wrapper gives another. Many hosts do so (12 for "
    "everything) and nearly all sticks do not mind.",
    ("a habit of the host stack",), "If nothing else explains a refusal, send the exact length.", HOST, ("F42",),
)  # fmt: skip

CSW_INVALID = Pattern(
    "csw-not-valid", FAULT, "What comes as status is no valid CSW", "BOT 1.0 6.3.1, 6.5",
    "A CSW has exactly 13 bytes and the signature 53425355h.",
    ("device and host are out of step: data is read where status is due", "broken device firmware"),
    "Do reset recovery, then repeat the command.", DEVICE, ("F57",),
    workaround="accept another CSW signature from this device",
)  # fmt: skip

TAG_WRONG = Pattern(
    "csw-tag-wrong", FAULT, "The tag of a CSW is not that of the command", "BOT 1.0 5.2, 6.3.1",
    "dCSWTag must repeat dCBWTag. If it belongs to an earlier command, host and device are out of step by one; a tag "
    "that is always the same is a habit of the device.",
    ("the host gave up on a command whose CSW then came late", "the device does not copy the tag"),
    "After a timeout do reset recovery before the next command; ignore the tag only if it is always wrong.", UNKNOWN,
    ("F58", "F64"), workaround="ignore the tag of the CSW",
)  # fmt: skip

LATE_CSW = Pattern(
    "csw-late", FAULT, "A CSW arrives after the host went on", "BOT 1.0 3.3, 5.3.3, 6.2.1",
    "The status of a command came when the host had already sent the next one.",
    ("the host's timeout is shorter than the device needs", "the host does not read every CSW"),
    "Wait longer (5 s for reads, 30 s for writes), and never send a CBW before the CSW was read.", HOST,
    ("F58", "F69", "F64"),
)  # fmt: skip

STATUS_RESERVED = Pattern(
    "csw-status-reserved", RISK, "bCSWStatus has a reserved value", "BOT 1.0 Table 5.3",
    "Only 00h, 01h and 02h have a meaning.", ("broken device firmware", "garbage read as a CSW"),
    "Treat it as a phase error: reset recovery.", DEVICE, ("F57",),
)  # fmt: skip

RESIDUE_LIES = Pattern(
    "residue-lies", RISK, "The residue does not fit the data that came", "BOT 1.0 5.2, 6.3.2",
    "Reads or writes pass with all their data moved, and the CSW still reports a residue, or one larger than the whole "
    "transfer.",
    ("careless device firmware",), "Trust the count of bytes moved, not the residue, for this device.", DEVICE,
    ("F61",), workaround="ignore the residue",
)  # fmt: skip

EMPTY_PACKET = Pattern(
    "empty-packet-before-csw", NOTE, "An empty packet comes before the CSW", "BOT 1.0 6.7.2, common practice",
    "The device ends the data phase with a zero-length packet although its length was exact.",
    ("device firmware that always ends with a short packet",), "Read once more when 0 bytes come instead of a CSW.",
    DEVICE, ("F55",),
)  # fmt: skip

CSW_IN_DATA = Pattern(
    "csw-in-place-of-data", NOTE, "The CSW comes where data was due", "BOT 1.0 6.7.2",
    "The device skips the data phase without a STALL and sends the CSW at once. A host that takes those 13 bytes for "
    "data is then out of step.",
    ("a device that fails a command and does not halt its endpoint",),
    "Look at every short packet of 13 bytes for the CSW signature and tag.", DEVICE, ("F54",),
)  # fmt: skip

DISAGREES = Pattern(
    "wrapper-disagrees-with-command", RISK, "Length or direction in the CBW does not fit the command", "BOT 1.0 6.7",
    "dCBWDataTransferLength and direction must be what the command block asks for: number of blocks times block "
    "length, "
    "in its direction. Otherwise the device sees case 2, 3, 7, 8, 10 or 13, or moves less than the host waits for.",
    ("a 16-bit overflow of the block count", "a wrong block length in the host", "a bug in the host's driver"),
    "Compute the length from the same numbers as the command block, in 32 bits.", HOST, ("F68", "F75"),
)  # fmt: skip

PHASE = Pattern(
    "phase-error", RISK, "The device reports a phase error", "BOT 1.0 5.2, 6.7",
    "Device and host disagree about the data phase (status 02h): cases 2, 3, 7, 8, 10 and 13.",
    ("the CBW's length or direction does not fit the command", "the device lost step"),
    "Do reset recovery, and compare dCBWDataTransferLength with the command block.", UNKNOWN, ("F59",),
)  # fmt: skip

TOO_MUCH = Pattern(
    "more-data-than-announced", FAULT, "More data moves than the CBW announced", "BOT 1.0 5.1, 6.7",
    "The data phase went beyond dCBWDataTransferLength or against its direction.",
    ("a bug in the host's data phase", "device and host are out of step"),
    "Bound the data phase by dCBWDataTransferLength.", UNKNOWN, ("F65",),
)  # fmt: skip

STRAY = Pattern(
    "traffic-outside-commands", NOTE, "Data or status moves outside any command", "BOT 1.0 3.3",
    "Bulk traffic on the storage endpoints that belongs to no command.",
    ("the recording began, or lost records, in mid-command", "host and device are out of step"),
    "Look at what came just before.", UNKNOWN, ("F64",),
)  # fmt: skip

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
