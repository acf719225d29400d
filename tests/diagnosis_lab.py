"""A laboratory for diagnosis: scenes that show a pattern when something is wrong in them, and do not when it is not.

Each scene is written once, with a flag: the trace that must show the pattern and the near miss that must not differ in
nothing but the fault.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sticktrace.capture.source import Source
from sticktrace.findings.verdict import Diagnosis, diagnose
from sticktrace.session import Reading
from workshop import Host, Hub, Identity, Medium, Recorder, Stick, Unit, session
from workshop.bringup import KERNEL

Scene = Callable[[Host, bool], object]


@dataclass(frozen=True)
class Case:
    """One pattern's scene. ``ready`` gives it a host that has enumerated and identified the stick."""

    slug: str
    severity: str
    scene: Scene
    ready: bool
    options: dict[str, Any]

    def trace(self, wrong: bool) -> Recorder:
        """The traffic of the scene."""
        host = new_host(**self.options)
        if self.ready:
            host.enumerate()
            session.identify(host)
        self.scene(host, wrong)
        return host.recorder


class Cases(list[Case]):
    """A list of cases, filled by its decorator."""

    def add(self, slug: str, severity: str, *, ready: bool = True, **options: Any) -> Callable[[Scene], Scene]:
        """Decorates a scene."""

        def keep(scene: Scene) -> Scene:
            self.append(Case(slug, severity, scene, ready, options))
            return scene

        return keep


def new_host(*, unit: Unit | None = None, units: list[Unit] | None = None, hub: Hub | None = None, habit: Any = KERNEL,
             max_lun: int | None = 0, short: str = "pad", watch: bool = True, **identity: Any) -> Host:  # fmt: skip
    """A host of a common kernel's habits with the scenario's stick; every call has its own."""
    chosen = units or [unit or session.tide_unit()]
    identity.setdefault("serial", "203104180001")
    host = Host(Recorder(), Stick(Identity(**identity), chosen, max_lun, short), hub=hub, habit=habit)
    if watch:
        host.watch_hub()
    return host


def later(host: Host, seconds: float = 5) -> None:
    """Time passes and the capture goes on: the root hub reports something on another port."""
    host.wait_ms(seconds * 1000)
    port, host.port = host.port, 4
    host.port_status()
    host.port = port


def diagnosed(data: Recorder | bytes) -> Diagnosis:
    """The diagnosis of a capture in memory."""
    content = data.pcap() if isinstance(data, Recorder) else data
    with tempfile.TemporaryFile() as handle:
        handle.write(content)
        handle.flush()
        source = Source("lab", handle, [])
        diagnosis = diagnose(Reading(source))
        source.close()
    return diagnosis


def found(diagnosis: Diagnosis) -> dict[str, str]:
    """Slug -> severity of what was found."""
    return {finding.slug: finding.severity for finding in diagnosis.findings}


def check(case: Case, wrong: bool) -> None:
    """The pattern shows in the trace with its severity, with a sentence and evidence, and not in the near miss."""
    diagnosis = diagnosed(case.trace(wrong))
    slugs = found(diagnosis)
    if not wrong:
        assert case.slug not in slugs, [f.text for f in diagnosis.findings if f.slug == case.slug]
        return
    assert slugs.get(case.slug) == case.severity, (slugs, diagnosis.verdict)
    finding = next(f for f in diagnosis.findings if f.slug == case.slug)
    assert finding.text and (finding.exchanges or finding.records), finding
    assert finding.pattern.clause and finding.pattern.advice and finding.pattern.causes


def blank_unit(blocks: int = 131_072, **faults: Any) -> Unit:
    """A unit with a medium of zeros."""
    return Unit(Medium(blocks), **faults)
