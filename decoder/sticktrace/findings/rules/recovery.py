"""Recovery from trouble on the transport: what the host did, what it should have done (BOT 1.0 5.3.3, 5.3.4, 6.5, 6.6).

Hosts recover by class reset and two cleared halts, or by a reset of the port; both count (common practice).
"""

from __future__ import annotations

from sticktrace.findings.finding import BACK_FEEDING, DEVICE, FAULT, HOST, NOTE, QUIET_NS, RISK, UNKNOWN, Pattern
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.commands import upset_by
from sticktrace.findings.rules.rule import PerSubject
from sticktrace.sticks.subject import Aftermath, Subject, Unit
from sticktrace.sticks.tally import Tally
from sticktrace.storage.commands import name
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.events import Stray
from sticktrace.transport.exchange import INVALID, MISSING, PASSED, PHASE_ERROR, Exchange

LAYER = "recovery"

STALL_NOT_CLEARED = Pattern(
    "stall-not-cleared", FAULT, "The host does not clear a halted endpoint", "BOT 1.0 6.7.2, 6.7.3, USB 2.0 9.4.5",
    "The device ended a phase with STALL. The endpoint stays halted until CLEAR_FEATURE(ENDPOINT_HALT); the host "
    "did not "
    "send it and so never gets the CSW.",
    ("the host stack takes a STALL for the end",), "Send CLEAR_FEATURE(ENDPOINT_HALT), then read the CSW.", HOST,
    ("F52",),
)  # fmt: skip

CSW_NOT_RETRIED = Pattern(
    "csw-not-read-again", RISK, "The CSW is not read a second time after a STALL", "BOT 1.0 5.3.3, Figure 2",
    "A STALL on the status read means: clear the halt and read once more. Only then comes reset recovery.",
    ("the host stack resets at once",), "Clear the halt on bulk-IN and read the CSW again.", HOST, ("F53",),
)  # fmt: skip

NOT_RECOVERED = Pattern(
    "no-reset-recovery", FAULT, "The host goes on without reset recovery", "BOT 1.0 5.3.3, 5.3.4, 6.5, 6.6.1",
    "After a phase error, a CSW or a CBW that is not valid, device and host agree on nothing; only reset recovery "
    "(class "
    "reset, then both halts cleared) or a port reset makes them. The host sent the next command instead.",
    ("the host stack treats it as an ordinary failure",),
    "Class reset, CLEAR_FEATURE(ENDPOINT_HALT) on bulk-IN, then on bulk-OUT; if that fails, reset the port.", HOST,
    ("F59",),
)  # fmt: skip

RECOVERY_INCOMPLETE = Pattern(
    "reset-recovery-incomplete", RISK, "Reset recovery is incomplete or out of order", "BOT 1.0 5.3.4",
    "Reset recovery is the class reset, then CLEAR_FEATURE(ENDPOINT_HALT) on bulk-IN, then on bulk-OUT. Without "
    "both, the "
    "data toggles of host and device may differ.",
    ("the host leaves out a step",), "Do all three steps in this order.", HOST, ("F60", "F62"),
)  # fmt: skip

STALL_PERSISTS = Pattern(
    "stall-persists", FAULT, "The endpoint stalls again after its halt was cleared", "BOT 1.0 5.3.3, USB 2.0 9.4.5",
    "The halt was cleared and the next read still got a STALL, or no answer at all.",
    ("the device waits for reset recovery", "device firmware that does not leave the halt",
     "data toggles out of step after the clear"),
    "Do reset recovery; if it still stalls, reset the port.", DEVICE, ("F63",),
)  # fmt: skip

STATUS_NOT_READ = Pattern(
    "csw-not-read", FAULT, "The host sends the next command before reading the CSW", "BOT 1.0 3.3, 6.2.1",
    "Every command ends with a CSW; a CBW before it is not valid.",
    ("the host's driver skips the status phase after an error",), "Read the CSW of every command.", HOST, ("F64",),
)  # fmt: skip

TIMEOUT = Pattern(
    "command-timeout", FAULT, "A command gets no answer", "USB 2.0 5.8.5, common practice",
    "The device kept the host waiting (it may answer NAK for ever) until the host cancelled the transfer, or to the "
    "end of the capture.",
    ("the device is busy inside: erasing, moving data", "device firmware that hangs over this command",
     "the host's timeout is too short"),
    "Allow 5 s for reads and 30 s for writes; after a timeout do reset recovery before the next command.", UNKNOWN,
    ("F69", "F72"), workaround="pause before the data phase, or leave this command out",
)  # fmt: skip

BUS_ERRORS = Pattern(
    "bus-errors", FAULT, "Transfers fail on the bus", "USB 2.0 10.2.6, kernel documentation \"USB error codes\"",
    "Transfers end with a protocol error, a CRC error or no response (-71, -84, -62), after the host controller's own "
    "three tries.",
    ("cable, connector or hub", "the supply dips", "device firmware that crashed", "data toggles out of step"),
    "Use a short cable, no hub, a stronger supply.", UNKNOWN, ("F05", "F62", "F70"), caution=BACK_FEEDING,
)  # fmt: skip

BABBLE = Pattern(
    "babble", FAULT, "The device sends more than fits", "USB 2.0 8.7.4, 11.8.1",
    "A transfer ended with babble (-75): a packet was longer than allowed, or more came than was asked for.",
    ("the device ignores the length that it was asked for", "the host asked for less than one packet, such as 13 bytes",
     "host and device are out of step"),
    "Read at least one whole packet (64 or 512 bytes) even for the 13-byte CSW.", UNKNOWN, ("F65", "F66"),
)  # fmt: skip

INTERRUPTED = Pattern(
    "interrupted-by-reset", NOTE, "A reset cuts a command off", "BOT 1.0 5.3.4",
    "The host reset the device while a command was running, without having waited long.",
    ("somebody asked for a reset",), "Nothing, if the reset was intended.", HOST, (),
)  # fmt: skip

_LONG_NS = 5_000_000_000
"""A wait without end that few hosts would sit through (common practice)."""


class Recovery(PerSubject):
    """Judges each trouble by what came after it."""

    layer = LAYER
    patterns = (
        STALL_NOT_CLEARED, CSW_NOT_RETRIED, NOT_RECOVERED, RECOVERY_INCOMPLETE, STALL_PERSISTS, STATUS_NOT_READ,
        TIMEOUT, BUS_ERRORS, BABBLE, INTERRUPTED,
    )  # fmt: skip

    def begin(self) -> None:
        self.said: dict[tuple[int, str], str] = {}
        self.open: dict[tuple[int, bytes], dict[str, int]] = {}
        self.unsolved: dict[tuple[int, str], int] = {}

    def exchange(self, exchange: Exchange, unit: Unit) -> None:
        """A command that passes settles the earlier trouble of the same command."""
        if self.open and exchange.status == PASSED:
            for slug, count in self.open.pop((id(unit.subject), exchange.cdb), {}).items():
                self.unsolved[id(unit.subject), slug] -= count

    def stray(self, stray: Stray, subject: Subject) -> None:
        """A command that did not even get across."""
        if stray.kind != "stray error" or stray.endpoint & 0x80 or subject.detached is not None:
            return
        status = remarks.status_in(stray.reason)
        pattern = BUS_ERRORS if status in remarks.BUS_ERROR else TIMEOUT if status in remarks.TIMED_OUT else None
        if pattern is not None:
            self.tally(pattern, subject).add(stray.time_ns, records=stray.records)
            self.said.setdefault((id(subject), pattern.slug), f"a command did not get across, status {status}")
            key = (id(subject), pattern.slug)
            self.unsolved[key] = self.unsolved.get(key, 0) + (subject.exchanges == 0)

    def aftermath(self, aftermath: Aftermath) -> None:
        if not isinstance(aftermath.trouble, Exchange):
            self._unrecovered(aftermath, "a CBW that is not valid")
            return
        exchange = aftermath.trouble
        if remarks.cut_short(exchange):
            if exchange.status == MISSING and remarks.ends_open(exchange):
                self._left_open(aftermath, exchange)
            return
        if exchange.status in (PHASE_ERROR, INVALID):
            what = "a phase error" if exchange.status == PHASE_ERROR else "a CSW that is not valid"
            self._unrecovered(aftermath, what)
        elif exchange.status == MISSING:
            self._no_status(aftermath, exchange)

    def _unrecovered(self, aftermath: Aftermath, what: str) -> None:
        kinds = aftermath.kinds()
        where = f" in exchange {aftermath.number}" if aftermath.number else ""
        if "reset" in kinds or "detached" in kinds:
            return
        if "class reset" in kinds:
            steps = kinds[kinds.index("class reset") + 1 :]
            if aftermath.next is not None and not {"clear in", "clear out"} <= set(steps):
                missing = " and ".join(s.replace("clear ", "bulk-").upper().replace("BULK", "bulk")
                                       for s in ("clear in", "clear out") if s not in steps)  # fmt: skip
                self._case(RECOVERY_INCOMPLETE, aftermath, f"after {what}{where} no cleared halt on {missing}")
            elif aftermath.next is not None and steps.index("clear in") > steps.index("clear out"):
                self._case(RECOVERY_INCOMPLETE, aftermath, f"after {what}{where} bulk-OUT was cleared before bulk-IN")
        elif aftermath.next is not None:
            self._case(NOT_RECOVERED, aftermath, f"{what}{where}, then exchange {aftermath.next.number} at once")

    def _left_open(self, aftermath: Aftermath, exchange: Exchange) -> None:
        """The last command of a capture: it may have been cut off, unless the host left a STALL or got no answer while
        time went on."""
        quiet, called = self.account.quiet_ns(aftermath.subject), f"{name(exchange.cdb)} in exchange {exchange.number}"
        waited = self.account.end_ns - exchange.time_ns
        if exchange.stalled and not any(kind.startswith("clear") for kind in aftermath.kinds()) and quiet >= QUIET_NS:
            phases = " and ".join(exchange.stalled)
            text = f"{called}: STALL in {phases}, no CLEAR_FEATURE, and nothing more for {time_in_words(quiet)}"
            self._case(STALL_NOT_CLEARED, aftermath, text)
        elif not exchange.stalled and waited >= _LONG_NS:
            text = f"{called} has no answer after {time_in_words(waited)}, when the capture ends"
            self._case(upset_by(exchange) or TIMEOUT, aftermath, text)

    def _no_status(self, aftermath: Aftermath, exchange: Exchange) -> None:
        kinds, statuses = aftermath.kinds(), remarks.statuses(exchange)
        called = f"{name(exchange.cdb)} in exchange {exchange.number}"
        if statuses & remarks.GONE or remarks.has(exchange, "unplugged", "gone with") or "detached" in kinds:
            return
        if remarks.BABBLE in statuses:
            self._case(BABBLE, aftermath, called)
        elif statuses & remarks.BUS_ERROR:
            self._case(BUS_ERRORS, aftermath, f"{called}, status {min(statuses & remarks.BUS_ERROR)}")
        elif exchange.stalled:
            self._stalled(aftermath, exchange, kinds, called)
        elif statuses & remarks.TIMED_OUT or remarks.waited(aftermath) >= remarks.WAIT_NS:
            pattern = upset_by(exchange) or TIMEOUT
            self._case(pattern, aftermath, f"{called} waited {time_in_words(remarks.waited(aftermath))}")
        elif remarks.has(exchange, "next command"):
            self._case(STATUS_NOT_READ, aftermath, called)
        elif "reset" in kinds or "class reset" in kinds or remarks.has(exchange, "reset"):
            self._case(INTERRUPTED, aftermath, called)

    def _stalled(self, aftermath: Aftermath, exchange: Exchange, kinds: list[str], called: str) -> None:
        cleared = any(k.startswith("clear") for k in kinds[: _first_reset(kinds)])
        phases = " and ".join(exchange.stalled)
        again = any(s.kind == "stray stall" for s in aftermath.strays)
        if cleared and (again or ("status" in exchange.stalled and len(exchange.stalled) > 1) or len(kinds) > 1):
            self._case(STALL_PERSISTS, aftermath, f"{called}: STALL in {phases}, halt cleared, and no CSW")
        elif cleared:
            self._case(TIMEOUT, aftermath, f"{called}: STALL in {phases}, halt cleared, then nothing")
        elif "status" in exchange.stalled and ("reset" in kinds or "class reset" in kinds):
            self._case(CSW_NOT_RETRIED, aftermath, f"{called}: STALL on the CSW, then a reset")
        else:
            self._case(STALL_NOT_CLEARED, aftermath, f"{called}: STALL in {phases}, no CLEAR_FEATURE")

    def _case(self, pattern: Pattern, aftermath: Aftermath, said: str) -> None:
        subject, trouble = aftermath.subject, aftermath.trouble
        tally = self.tally(pattern, subject)
        tally.add(trouble.time_ns, aftermath.number, trouble.records)
        self.said.setdefault((id(subject), pattern.slug), said)
        key = (id(subject), pattern.slug)
        self.unsolved[key] = self.unsolved.get(key, 0) + 1
        if isinstance(trouble, Exchange) and len(self.open) < 4096:
            cases = self.open.setdefault((id(subject), trouble.cdb), {})
            cases[pattern.slug] = cases.get(pattern.slug, 0) + 1

    def words(self, pattern: Pattern, subject: Subject, tally: Tally) -> str:
        first = self.said[id(subject), pattern.slug]
        return first if tally.count == 1 else f"{count_of(tally.count, 'time')}, first: {first}"

    def conclude(self, pattern: Pattern, subject: Subject, tally: Tally) -> None:
        text, severity = self.words(pattern, subject, tally), ""
        if pattern.severity == FAULT and self.unsolved.get((id(subject), pattern.slug), 0) <= 0:
            text, severity = f"{text}; the command worked when it was repeated", RISK
        self.report(pattern, text, subject, tally, severity=severity)


def _first_reset(kinds: list[str]) -> int:
    return next((n for n, kind in enumerate(kinds) if kind in ("reset", "class reset")), len(kinds))


RULES = (Recovery,)
