"""The diagnosis: stages of every storage device, findings in order of weight, and one paragraph that sums it up."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sticktrace.findings.catalogue import RULES
from sticktrace.findings.finding import FAULT, NOTE, RISK, SEVERITIES, Finding
from sticktrace.findings.ladder import FAILED, NAMES, REACHED, Stage, stages
from sticktrace.findings.scene import Account
from sticktrace.session import Reading
from sticktrace.sticks.subject import Subject
from sticktrace.sticks.tally import EVIDENCE_LIMIT
from sticktrace.text import count_of

_LAYERS = (
    "enumeration", "power", "hub", "descriptors", "class start-up", "transport", "recovery", "commands", "readiness",
    "medium", "capacity", "volume",
)  # fmt: skip


MOST_TOLD = 4
"""So many devices are told of in the verdict."""


@dataclass(slots=True)
class DeviceReport:
    """One storage device: ``name`` as it calls itself, ``ids`` "VID:PID" or "", its stages, and how much it did."""

    name: str
    ids: str
    bus: int
    address: int
    stages: list[Stage]
    exchanges: int
    failures: int
    subject: Subject = field(repr=False)

    @property
    def title(self) -> str:
        """Name and ids."""
        return f"{self.name} ({self.ids})" if self.ids and self.ids not in self.name else self.name

    @property
    def furthest(self) -> Stage | None:
        """The last stage reached."""
        return next((stage for stage in reversed(self.stages) if stage.state == REACHED), None)

    @property
    def stopped(self) -> Stage | None:
        """The first stage that failed with nothing reached after it."""
        for stage in reversed(self.stages):
            if stage.state == REACHED:
                return None
            if stage.state == FAILED:
                before = [s for s in self.stages if s.state == FAILED]
                return before[0]
        return None


@dataclass(slots=True)
class Diagnosis:
    """What `diagnose` found. ``verdict`` is one paragraph; ``findings`` are the most important first; ``devices`` are
    the storage devices; ``others`` names the other devices that were seen."""

    verdict: str
    devices: list[DeviceReport]
    findings: list[Finding]
    others: list[str]

    def of(self, severity: str) -> list[Finding]:
        """The findings of one severity."""
        return [finding for finding in self.findings if finding.severity == severity]

    @property
    def faults(self) -> list[Finding]:
        """The findings that stopped or damaged the work."""
        return self.of(FAULT)

    @property
    def healthy(self) -> bool:
        """Whether there is a storage device that did its work, and neither fault nor risk."""
        return bool(self.devices) and not self.of(FAULT) and not self.of(RISK)

    def facts(self) -> dict[str, Any]:
        """The diagnosis as one JSON object."""
        return {
            "kind": "diagnosis",
            "verdict": self.verdict,
            "healthy": self.healthy,
            "counts": {severity: len(self.of(severity)) for severity in SEVERITIES},
            "devices": [
                {
                    "name": report.name, "ids": report.ids or None, "bus": report.bus, "address": report.address,
                    "exchanges": report.exchanges, "failed": report.failures,
                    "stages": [stage.facts(report.title) for stage in report.stages],
                }
                for report in self.devices
            ],
            "other_devices": self.others,
            "findings": [finding.facts() for finding in self.findings],
        }  # fmt: skip

    def lines(self) -> list[dict[str, Any]]:
        """The same as dicts of ``kind:"stage"`` and ``kind:"finding"``, for JSON lines."""
        rows = [stage.facts(report.title) for report in self.devices for stage in report.stages]
        return rows + [finding.facts() for finding in self.findings]


def diagnose(reading: Reading) -> Diagnosis:
    """Read a capture to its end and say how far each storage device came, what failed first, and what to try."""
    account = Account(reading, RULES)
    for item in reading:
        account.see(item)
    return conclude(account)


def conclude(account: Account) -> Diagnosis:
    """The diagnosis of an account that has seen all there is. Ends the account."""
    account.end()
    reports = [_report(subject, account) for subject in account.subjects if _matters(subject)]
    others = [s.name for s in account.subjects if not _matters(s) and not s.is_hub and (s.known or s.ids)]
    findings = _merged(sorted(account.findings, key=_weight))
    return Diagnosis(_verdict(reports, findings, others), reports, findings, others)


def _matters(subject: Subject) -> bool:
    """Whether a device gets stages of its own: storage, or one that never came far enough to tell what it is."""
    if subject.is_storage:
        return True
    touched = subject.ask("device descriptor").failed or subject.ask("address").failed or subject.happened("reset")
    return not subject.is_hub and not subject.known and bool(touched) and subject.exchanges == 0 and not _root(subject)


def _root(subject: Subject) -> bool:
    return subject.device is not None and subject.device.as_hub is not None


def _weight(finding: Finding) -> tuple[int, int, int]:
    layer = _LAYERS.index(finding.layer) if finding.layer in _LAYERS else len(_LAYERS)
    return SEVERITIES.index(finding.severity), finding.time_ns, layer


def _report(subject: Subject, account: Account) -> DeviceReport:
    return DeviceReport(subject.name, subject.ids, subject.bus, subject.address, stages(subject, account),
                        subject.exchanges, subject.failures, subject)  # fmt: skip


def _merged(findings: list[Finding]) -> list[Finding]:
    """Findings of one kind about one stick that was there several times, told once."""
    kept: dict[tuple[str, str, str], Finding] = {}
    out: list[Finding] = []
    for finding in findings:
        key = (finding.slug, finding.ids, finding.device)
        first = kept.get(key)
        if first is None or not finding.ids or first.subject is finding.subject:
            kept.setdefault(key, finding)
            out.append(finding)
            continue
        if not first.again:
            first.text += "; the same again when it came back"
        first.again += 1
        first.exchanges = (first.exchanges + finding.exchanges)[:EVIDENCE_LIMIT]
        first.records = (first.records + finding.records)[:EVIDENCE_LIMIT]
    return out


def _verdict(reports: list[DeviceReport], findings: list[Finding], others: list[str]) -> str:
    main = _most_telling(findings)
    if not reports:
        text = "There is no storage device in this capture"
        text += f": it shows {', '.join(others[:4])}." if others else "."
        return f"{text} {_explained(main)}" if main else text
    parts = _ways(reports[:MOST_TOLD], findings)
    if len(reports) > MOST_TOLD:
        parts.append(f"{len(reports) - MOST_TOLD} more storage devices are listed below.")
    if main is not None:
        leads = _leads(main, reports)
        who = main.device if leads or len({report.title for report in reports}) > 1 else ""
        parts.insert(0 if leads else len(parts), _explained(main, who))
    return " ".join(parts)


def _leads(main: Finding, reports: list[DeviceReport]) -> bool:
    """Whether a fault comes first: one of a stick in use, which no stage shows."""
    return main.severity == FAULT and all(report.stopped is None for report in reports)


def _ways(reports: list[DeviceReport], findings: list[Finding]) -> list[str]:
    """How far each device came; a stick that came back and did the same again is told in a few words."""
    parts: list[str] = []
    for number, report in enumerate(reports):
        before = next((r for r in reversed(reports[:number]) if _same_stick(report, r)), None)
        way, failure = _way(report), _failure(report)
        if before is not None and before is reports[number - 1] and (way, failure) == (_way(before), _failure(before)):
            parts[-1] = f"{parts[-1][:-1]}, and the same again when it was back{_counts(report)}."
            continue
        who = report.title if before is None else f"{report.title}, back again,"
        parts.append(f"{who} {way}{_counts(report)}{failure}{_end(report, findings)}.")
    return parts


def _same_stick(report: DeviceReport, before: DeviceReport) -> bool:
    """Whether this is the stick of an earlier report, plugged in again: the bus room says so by its serial number, or
    ids and place agree."""
    device, earlier = report.subject.device, before.subject.device
    if device is None or earlier is None:
        return False
    if device.earlier is earlier:
        return True
    same_place = device.hub is earlier.hub and device.port == earlier.port and device.hub is not None
    return bool(report.ids) and report.ids == before.ids and same_place


def _most_telling(findings: list[Finding]) -> Finding | None:
    """The first fault; without one, the risk that explains where things end; else the first risk."""
    faults = [f for f in findings if f.severity == FAULT]
    risks = [f for f in findings if f.severity == RISK]
    ending = [f for f in risks if f.pattern.severity == FAULT]
    return next(iter(faults + ending + risks), None)


def _way(report: DeviceReport) -> str:
    furthest, stopped = report.furthest, report.stopped
    if furthest is None:
        way = "did not get through any stage" if stopped else "shows no stage of bring-up"
    elif furthest.name == NAMES[-1]:
        way = "came all the way to its files"
    else:
        # What a capture does not show may well have been reached; what failed or was never tried was not.
        least = stopped is None and any(unit.reads for unit in report.subject.units.values())
        way = f"came {'at least ' if least else ''}as far as {furthest.name}"
    return way


def _failure(report: DeviceReport) -> str:
    stopped = report.stopped
    return f" and failed at {stopped.name}: {stopped.text}" if stopped is not None else ""


def _counts(report: DeviceReport) -> str:
    """`` (25 commands, 1 of them not passed)``."""
    if not report.exchanges:
        return ""
    open_end = report.subject.cut_short
    failed = f", {report.failures} of them not passed" if report.failures else "" if open_end else ", all passed"
    return f" ({count_of(report.exchanges, 'command')}{failed}{', the last without an end' if open_end else ''})"


def _end(report: DeviceReport, findings: list[Finding]) -> str:
    units = report.subject.units.values()
    if report.stopped is not None or not report.exchanges or _blamed(report, findings):
        return ""
    if not report.subject.at_work and any(unit.empty for unit in units):
        return "; there is no medium in it"
    return "; nothing is wrong with it up to there" if report.subject.cut_short else "; nothing is wrong with it here"


def _blamed(report: DeviceReport, findings: list[Finding]) -> bool:
    return any(f.severity != NOTE and f.subject is report.subject for f in findings)


def _explained(finding: Finding, who: str = "") -> str:
    """A finding with its likeliest cause and what to try."""
    ending = finding.severity == RISK and finding.pattern.severity == FAULT
    lead = "First fault" if finding.severity == FAULT else "Where it ends" if ending else "Worth a look"
    text = f"{lead}: {finding.pattern.title} - {who + ': ' if who else ''}{finding.text}."
    if finding.pattern.causes:
        text += f" Likeliest cause: {finding.pattern.causes[0]}."
    care = f" Care: {finding.pattern.caution}" if finding.pattern.caution else ""
    return f"{text} Try: {finding.advice}{care}"
