"""The diagnosis: the ladder of every stick, findings in order of weight, and a colleague's answer in four lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sticktrace.findings.catalogue import RULES
from sticktrace.findings.finding import FAULT, NOTE, RISK, SEVERITIES, Finding
from sticktrace.findings.ladder import FAILED, REACHED, Rung, ladder
from sticktrace.findings.missing import Missing, missing
from sticktrace.findings.scene import Scene
from sticktrace.session import Reading
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import EVIDENCE_LIMIT
from sticktrace.text import count_of
from sticktrace.transport.run import Run

_LAYERS = (
    "enumeration", "power", "hub", "descriptors", "class start-up", "transport", "recovery", "commands", "readiness",
    "medium", "capacity", "volume", "wire",
)  # fmt: skip

NO_STORAGE = "There is no storage device in this capture"

MOST_TOLD = 4
"""So many sticks are told of in the answer."""


@dataclass(slots=True)
class StickReport:
    """One stick and its ladder."""

    stick: Stick
    rungs: list[Rung]

    @property
    def title(self) -> str:
        """Name and ids."""
        return self.stick.title

    @property
    def furthest(self) -> Rung | None:
        """The last stage reached."""
        return next((rung for rung in reversed(self.rungs) if rung.state is REACHED), None)

    @property
    def stopped(self) -> Rung | None:
        """The first stage that failed with nothing reached after it."""
        failed = None
        for rung in reversed(self.rungs):
            if rung.state is REACHED:
                break
            failed = rung if rung.state is FAILED else failed
        return failed

    def facts(self) -> dict[str, Any]:
        """As JSON says it, in ``devices`` of a diagnosis."""
        stick = self.stick
        return {
            "stick": stick.number, "name": stick.name, "ids": stick.ids or None, "bus": stick.bus,
            "address": stick.address, "exchanges": stick.exchanges, "failed": stick.failures,
            "luns": [unit.facts() for _, unit in sorted(stick.units.items())],
            "stages": [rung.facts(self.title) for rung in self.rungs],
        }  # fmt: skip


@dataclass(slots=True)
class Answer:
    """What a colleague would say: how far it came, what failed first and where, the likeliest cause, what to try. The
    last three are "" where nothing is wrong. ``main`` is the finding that they tell of; ``stopped``: it, or a stage
    that failed, put an end to the work."""

    way: str
    failed: str = ""
    cause: str = ""
    advice: str = ""
    main: Finding | None = None
    stopped: bool = False

    @property
    def lines(self) -> list[str]:
        """At most four lines."""
        rows = (("", self.way), ("Failed first: ", self.failed), ("Likeliest cause: ", self.cause),
                ("Try: ", self.advice))  # fmt: skip
        if self.main is not None and self.main.severity != FAULT and not self.stopped:
            rows = (rows[0], ("Worth a look: ", self.failed), *rows[2:])
        return [label + text for label, text in rows if text]

    @property
    def text(self) -> str:
        """The same as one paragraph."""
        return " ".join(self.lines)


@dataclass(slots=True)
class Diagnosis:
    """What `diagnose` found: the answer in short, a report for each stick, findings with the most important first,
    the other devices by name, how each log beside the capture stands to it, and what would be needed to say more."""

    answer: Answer
    reports: list[StickReport]
    findings: list[Finding]
    others: list[str]
    logs: list[str] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)

    @property
    def verdict(self) -> str:
        """The answer as one paragraph."""
        return self.answer.text

    def of(self, severity: str) -> list[Finding]:
        """The findings of one severity."""
        return [finding for finding in self.findings if finding.severity == severity]

    @property
    def faults(self) -> list[Finding]:
        """The findings that stopped or damaged the work."""
        return self.of(FAULT)

    @property
    def healthy(self) -> bool:
        """Whether there is a stick that did its work, and neither fault nor risk."""
        return bool(self.reports) and not self.of(FAULT) and not self.of(RISK) and not self.answer.stopped

    @property
    def says_nothing(self) -> bool:
        """Whether there is nothing to tell of: no stick, no other device, no finding."""
        return not (self.reports or self.findings or self.others)

    @property
    def worst(self) -> str:
        """The gravest that there is: a severity, "" for nothing. An end of the work weighs like a fault."""
        if self.answer.stopped:
            return FAULT
        return next((severity for severity in SEVERITIES if self.of(severity)), "")

    def facts(self) -> dict[str, Any]:
        """The diagnosis as one JSON object."""
        return {
            "kind": "diagnosis",
            "verdict": self.verdict,
            "answer": {"way": self.answer.way, "failed": self.answer.failed or None,
                       "cause": self.answer.cause or None, "advice": self.answer.advice or None,
                       "finding": self.answer.main.slug if self.answer.main else None,
                       "stopped": self.answer.stopped},
            "healthy": self.healthy,
            "counts": {severity: len(self.of(severity)) for severity in SEVERITIES},
            "devices": [report.facts() for report in self.reports],
            "other_devices": self.others,
            "missing": [one.facts() for one in self.missing],
            "findings": [finding.facts() for finding in self.findings],
            "logs": self.logs,
        }  # fmt: skip

    def lines(self) -> Iterator[dict[str, Any]]:
        """The same as dicts of ``kind:"stage"`` and ``kind:"finding"``, for JSON lines."""
        for report in self.reports:
            yield from (rung.facts(report.title) for rung in report.rungs)
        yield from (finding.facts() for finding in self.findings)


def diagnose(reading: Reading) -> Diagnosis:
    """Read a capture to its end and say how far each stick came, what failed first, and what to try."""
    scene = Scene(reading, RULES, labels=False)
    for part in reading.parts():
        if isinstance(part, Run):
            scene.see_run(part)
        else:
            scene.see(part)
    return conclude(scene)


def conclude(scene: Scene) -> Diagnosis:
    """The diagnosis of a scene that has seen all there is. Ends the scene."""
    scene.end()
    reports = standing(scene)
    others = [s.name for s in scene.sticks if not s.number and not s.is_hub and (s.known or s.ids)]
    told = [finding for finding in scene.findings if _concerns_storage(finding)]
    if scene.wire_events.lossy:
        for finding in told:
            _doubt(finding)
    findings = _merged(_best_accounts(sorted(told, key=_weight)))
    for finding in findings:
        finding.log = scene.blames.beside(finding)
    answer = _answer(reports, findings, others, scene.unread)
    return Diagnosis(answer, reports, findings, others, scene.logs, missing(reports, answer.main, scene))


def standing(scene: Scene) -> list[StickReport]:
    """The sticks that a scene has seen so far, each with its ladder as it stands."""
    return [StickReport(stick, ladder(stick, scene)) for stick in scene.ledger.sticks.listed()]


def _concerns_storage(finding: Finding) -> bool:
    """Whether a finding is about a stick, a hub, or nobody in particular; a keyboard's troubles are its own."""
    stick = finding.stick
    return stick is None or bool(stick.number) or stick.is_hub or not stick.known


def _doubt(finding: Finding) -> None:
    """Where a recording of packets shows that it lacks some, what does not fit together may be its own fault."""
    if finding.layer in ("transport", "recovery") and finding.severity == FAULT:
        finding.severity = RISK
        finding.text += "; the recording lacks packets, which may be all that is wrong"


def _weight(finding: Finding) -> tuple[int, int, int]:
    layer = _LAYERS.index(finding.layer) if finding.layer in _LAYERS else len(_LAYERS)
    return SEVERITIES.index(finding.severity), finding.time_ns, layer


def _best_accounts(findings: list[Finding]) -> list[Finding]:
    """Without those of which another finding about the same exchanges is the better account."""
    better = [finding for finding in findings if finding.pattern.supersedes]

    def told_better(finding: Finding) -> bool:
        return any(
            finding.slug in one.pattern.supersedes and finding.stick is one.stick
            and set(finding.exchanges) & set(one.exchanges) for one in better
        )  # fmt: skip

    return [finding for finding in findings if not told_better(finding)]


def _merged(findings: list[Finding]) -> list[Finding]:
    """Findings of one kind about one stick that was there several times, told once."""
    kept: dict[str, list[Finding]] = {}
    out: list[Finding] = []
    for finding in findings:
        first = next((one for one in kept.get(finding.slug, ()) if _same_stick(finding.stick, one.stick)), None)
        if first is None:
            kept.setdefault(finding.slug, []).append(finding)
            out.append(finding)
            continue
        if not first.again:
            first.text += "; the same again when it came back"
        first.again += 1
        first.exchanges = (first.exchanges + finding.exchanges)[:EVIDENCE_LIMIT]
        first.records = (first.records + finding.records)[:EVIDENCE_LIMIT]
    return out


def _same_stick(stick: Stick | None, before: Stick | None) -> bool:
    """Whether this is an earlier stick plugged in again: the bus room says so by its serial number, or ids, release and
    place agree and nothing tells them apart."""
    if stick is None or before is None or stick is before:
        return False
    device, earlier = stick.device, before.device
    if device.earlier is earlier:
        return True
    alike = bool(stick.ids) and stick.ids == before.ids and device.descriptor[8:14] == earlier.descriptor[8:14]
    serials = {one.named("iSerialNumber") for one in (device, earlier)} - {""}
    same_place = device.hub is not None and device.hub is earlier.hub and device.port == earlier.port
    if device.heard is not None and earlier.heard is not None and device.heard.path:
        same_place = same_place or device.heard.path == earlier.heard.path
    return alike and same_place and len(serials) < 2


# -- the answer ----------------------------------------------------------------------------------------------------


def _answer(reports: list[StickReport], findings: list[Finding], others: list[str], unread: str) -> Answer:
    main = _most_telling(findings)
    if not reports:
        way = f"Whether there is a storage device is not known: {unread}" if unread else NO_STORAGE
        if main is not None and main.layer == "transport":
            way = "Who the device is, and how far it came, is not told"
        way += f"; it shows {', '.join(others[:4])}." if others else "."
    else:
        ways = _ways(reports[:MOST_TOLD], findings)
        if len(reports) > MOST_TOLD:
            ways.append(f"{len(reports) - MOST_TOLD} more sticks are listed below.")
        if unread and not any(report.stick.exchanges for report in reports):
            ways.append(f"{unread}.")
        way = " ".join(ways)
    stopped = _stopping(reports, main)
    if main is None:
        return Answer(way, stopped=stopped)
    who = f"{main.device}: " if main.device and len({report.title for report in reports}) > 1 else ""
    care = f" Care: {main.pattern.caution}" if main.pattern.caution else ""
    cause = f"{main.causes[0]}." if main.causes else ""
    failed = f"{_where(main)}{who}{main.text} ({main.pattern.title})."
    return Answer(way, failed, cause, main.advice + care, main, stopped)


def _where(finding: Finding) -> str:
    """``exchange 12, `` where the finding's own words do not name it."""
    first = finding.exchanges[0] if finding.exchanges else 0
    return f"exchange {first}, " if first and f"exchange {first}" not in finding.text else ""


def _stopping(reports: list[StickReport], main: Finding | None) -> bool:
    """Whether something put an end to the work: a fault, a host that gave up, a failed stage with nothing after it."""
    if main is not None and (main.severity == FAULT or main.ends):
        return True
    return any(report.stopped is not None for report in reports)


def _most_telling(findings: list[Finding]) -> Finding | None:
    """The first fault; without one, the risk that explains where things end; else the first risk."""
    faults = [f for f in findings if f.severity == FAULT]
    risks = [f for f in findings if f.severity == RISK]
    ending = [f for f in risks if f.ends]
    return next(iter(faults + ending + risks), None)


def _ways(reports: list[StickReport], findings: list[Finding]) -> list[str]:
    """How far each stick came; one that came back and did the same again is told in a few words."""
    parts: list[str] = []
    for number, report in enumerate(reports):
        before = next((r for r in reversed(reports[:number]) if _same_stick(report.stick, r.stick)), None)
        way, failure = _way(report), _failure(report)
        if before is not None and before is reports[number - 1] and (way, failure) == (_way(before), _failure(before)):
            parts[-1] = f"{parts[-1][:-1]}, and the same again when it was back{_counts(report)}."
            continue
        who = report.title if before is None else f"{report.title}, back again,"
        parts.append(f"{who} {way}{_counts(report)}{failure}{_end(report, findings)}.")
    return parts


def _way(report: StickReport) -> str:
    furthest, stopped = report.furthest, report.stopped
    if furthest is None:
        return "did not get through any stage" if stopped else "shows no stage of bring-up"
    if furthest.stage is Stage.FILES:
        return "came all the way to its files"
    # What a capture does not show may well have been reached; what failed or was never tried was not.
    least = stopped is None and any(unit.reads for unit in report.stick.units.values())
    return f"came {'at least ' if least else ''}as far as {furthest.stage}"


def _failure(report: StickReport) -> str:
    stopped = report.stopped
    return f" and failed at {stopped.stage}: {stopped.text}" if stopped is not None else ""


def _counts(report: StickReport) -> str:
    """`` (25 commands, 1 of them not passed)``."""
    stick = report.stick
    if not stick.exchanges:
        return ""
    if stick.by_hearsay:
        return f" (the log tells of {count_of(stick.exchanges, 'command')} that failed)"
    failed = f", {stick.failures} of them not passed" if stick.failures else "" if stick.cut_short else ", all passed"
    end = ", the last without an end" if stick.cut_short else ""
    return f" ({count_of(stick.exchanges, 'command')}{failed}{end})"


def _end(report: StickReport, findings: list[Finding]) -> str:
    stick = report.stick
    blamed = any(f.severity != NOTE and f.stick is stick for f in findings)
    if stick.device.heard is not None and stick.ids and not stick.is_storage and report.stopped is None and not blamed:
        return "; the log does not say that it is storage"
    if report.stopped is not None or not stick.exchanges or blamed:
        return ""
    if stick.detached is not None:
        return f"; nothing is wrong with it up to the end: {stick.detached.text}"
    if not stick.at_work and any(unit.empty for unit in stick.units.values()):
        return "; there is no medium in it"
    return "; nothing is wrong with it up to there" if stick.cut_short else "; nothing is wrong with it here"
