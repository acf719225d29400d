"""What a survey says of one file: a row for each stick in it, or one that says why there is none.

Runs in a process of its own, so that it takes a path and gives plain values.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sticktrace.errors import SticktraceError
from sticktrace.text import safe

VERSION = 1
"""Raised when rows change, so that none is taken from an older cache."""

_HOSTS = {189: "Linux", 220: "Linux", 249: "Windows", 266: "macOS"}
_FORMS = {"usbmon text": "Linux", "usbmon binary": "Linux", "hex text": "a console", "log": "a log"}
_MOST_FAILED = 4_096
"""Failed commands of a capture whose names are kept."""


def rows_of(path: str) -> list[dict[str, Any]]:
    """The rows of a file, none of which raises: what cannot be read is a row as well."""
    row = _blank(path)
    try:
        row["size"] = Path(path).stat().st_size
        return list(_sticks(path, row))
    except SticktraceError as error:
        return [{**row, "error": safe(str(error))}]
    except (OSError, MemoryError, RecursionError) as error:
        return [{**row, "error": safe(f"{path}: {error or type(error).__name__}")}]


def _blank(path: str) -> dict[str, Any]:
    return dict.fromkeys(FIELDS) | {"kind": "survey", "capture": path}


FIELDS: dict[str, tuple[str, str]] = {
    "kind": ("string", '"survey"'), "capture": ("string", "path of the file"), "size": ("uint64", "bytes of the file"),
    "error": ("string", "why it could not be read"), "damaged": ("uint32", "places of damage in it"),
    "form": ("string", "form of the capture"), "host": ("string", "system that recorded it, as far as told"),
    "stick": ("uint32", "number of the stick in the capture"), "name": ("string", "what it calls itself"),
    "ids": ("string", "VID:PID"), "serial": ("string", "serial number string"), "speed": ("string", "speed of the bus"),
    "capacity_bytes": ("uint64", "bytes of its largest unit"), "file_system": ("string", "file system found"),
    "stage": ("string", "last stage reached"), "stopped": ("bool", "whether something ended the work"),
    "fault": ("string", "first fault, or what ended the work: a finding's name"),
    "fault_text": ("string", "the same in words"),
    "fault_command": ("string", "command that it was seen with"), "faults": ("uint32", "findings of that weight"),
    "risks": ("uint32", "findings that may do harm"), "exchanges": ("uint64", "storage commands"),
    "failed": ("uint64", "of them, not passed"), "read_bytes": ("uint64", "bytes read of the medium"),
    "written_bytes": ("uint64", "bytes written to it"), "read_rate": ("uint64", "bytes a second while reading"),
    "write_rate": ("uint64", "bytes a second while writing"), "rules_kept": ("uint32", "rules of the audit seen kept"),
    "rules_broken": ("uint32", "rules of the audit seen broken"),
}  # fmt: skip
"""Field -> its type and what it holds; null where a capture does not tell."""


def _sticks(path: str, row: dict[str, Any]) -> Iterator[dict[str, Any]]:
    from sticktrace.duties.auditing import audit
    from sticktrace.findings.catalogue import RULES
    from sticktrace.findings.scene import Scene
    from sticktrace.findings.verdict import conclude
    from sticktrace.session import open as open_capture
    from sticktrace.timing.measure import time_of
    from sticktrace.transport.items import PASSED, Exchange

    with open_capture(path) as capture:
        reading = capture.reading()
        scene = Scene(reading, RULES, labels=False)
        failed: dict[int, str] = {}
        for item in reading:
            scene.see(item)
            if isinstance(item, Exchange) and item.status is not PASSED and len(failed) < _MOST_FAILED:
                failed[item.number] = item.command
        diagnosis = conclude(scene)
        row |= {"form": reading.reader.form, "host": _host(reading.reader), "damaged": len(reading.damage)}
        if not diagnosis.reports:
            yield row
            return
        times = {part["stick"]: part for part in time_of(capture.reading()).facts()["devices"]}
        cards = {score.title: score for score in audit([capture]).scores}
        for report in diagnosis.reports:
            yield (
                row
                | _of(report, diagnosis, failed)
                | _flows(times.get(report.stick.number))
                | _rules(cards.get(report.stick.title))
            )


def _host(reader: Any) -> str | None:
    told = {_HOSTS[link_type] for link_type in reader.link_types if link_type in _HOSTS}
    return told.pop() if len(told) == 1 else _FORMS.get(reader.form)


def _of(report: Any, diagnosis: Any, failed: dict[int, str]) -> dict[str, Any]:
    """Identity, stages and findings of a stick. What put an end to the work counts like a fault."""
    stick, main = report.stick, diagnosis.answer.main
    mine = [finding for finding in diagnosis.findings if finding.stick is stick or finding.stick is None]
    faults = [finding for finding in mine if finding.severity == "fault"]
    ended = diagnosis.answer.stopped and main is not None and main.stick is stick
    first = faults[0] if faults else main if ended else None
    named = [failed[number] for number in first.exchanges if number in failed] if first else []
    system = next((rung for rung in report.rungs if rung.stage == "file system" and rung.state == "reached"), None)
    sizes = [unit.capacity.bytes for unit in stick.units.values() if unit.capacity]
    return {
        "stick": stick.number, "name": safe(stick.name), "ids": stick.ids or None,
        "serial": safe(stick.device.named("iSerialNumber")) or None, "speed": stick.speed or None,
        "capacity_bytes": max(sizes, default=None), "file_system": safe(system.text) if system else None,
        "stage": report.furthest.stage.value if report.furthest else None,
        "stopped": report.stopped is not None or first is not None,
        "fault": first.slug if first else None, "fault_text": safe(first.text) if first else None,
        "fault_command": named[0] if named else None, "faults": len(faults),
        "risks": sum(finding.severity == "risk" for finding in mine), "exchanges": stick.exchanges,
        "failed": stick.failures,
    }  # fmt: skip


def _flows(times: dict[str, Any] | None) -> dict[str, Any]:
    flows = {flow["direction"]: flow for flow in times["flows"]} if times else {}
    read, written = flows.get("in", {}), flows.get("out", {})
    return {"read_bytes": read.get("bytes"), "written_bytes": written.get("bytes"),
            "read_rate": read.get("bytes_per_second"), "write_rate": written.get("bytes_per_second")}  # fmt: skip


def _rules(card: Any) -> dict[str, Any]:
    if card is None:
        return {}
    broken = len(card.broken)
    return {"rules_broken": broken, "rules_kept": sum(bool(count.tested) for count in card.counts.values()) - broken}
