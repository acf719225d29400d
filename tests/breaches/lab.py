"""What the traces share: a host with the scenario's stick, whose descriptors can be edited, and the audit in memory."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from functools import cache
from typing import Any

from sticktrace.capture.source import Source
from sticktrace.duties.auditing import conclude, engine_of
from sticktrace.duties.score import Audit, Count
from sticktrace.session import Reading
from workshop import Host, Hub, Identity, Recorder, Stick, Unit, session, wire
from workshop.bringup import KERNEL
from workshop.unit import POWER_ON

Recipe = Callable[[Host], object]
Edit = Callable[[bytes], bytes]


@dataclass(slots=True)
class Edited(Identity):
    """An identity whose descriptors are changed on their way out. ``edits`` is by wValue of GET_DESCRIPTOR; ``more``
    are descriptors that it has besides."""

    edits: Mapping[int, Edit] = field(default_factory=dict)
    more: Mapping[int, bytes] = field(default_factory=dict)

    def device(self) -> bytes:
        made = Identity(**{f.name: getattr(self, f.name) for f in fields(Identity)}).device()
        return self.edits[0x0100](made) if 0x0100 in self.edits else made

    def configuration(self) -> bytes:
        made = Identity(**{f.name: getattr(self, f.name) for f in fields(Identity)}).configuration()
        return self.edits[0x0200](made) if 0x0200 in self.edits else made

    def descriptor(self, value: int) -> bytes | None:
        if value in self.more:
            return self.more[value]
        if value in (0x0100, 0x0200):
            return self.device() if value == 0x0100 else self.configuration()
        found = Identity(**{f.name: getattr(self, f.name) for f in fields(Identity)}).descriptor(value)
        return self.edits[value](found) if found is not None and value in self.edits else found


class AnyStick(Stick):
    """A stick that need have no bulk-only interface."""

    def endpoints(self) -> tuple[int, int]:
        return super().endpoints() if self._bulk_only() else (0x81, 0x02)

    def interface(self) -> int:
        return super().interface() if self._bulk_only() else 0

    def _bulk_only(self) -> bool:
        pipes = [a.endpoints for a in self.identity.alternates if a.codes[2] == 0x50]
        ways = {address >> 7 for address, attributes, _, _ in (pipes[0] if pipes else ()) if attributes == 2}
        return ways == {0, 1}


@dataclass(frozen=True)
class Case:
    """A rule's traces: ``broken`` breaks it; ``kept`` keeps it, None where the healthy session does. ``options`` are
    those of `new_host`; ``bare``: the recipe begins with nothing plugged in."""

    broken: Recipe
    kept: Recipe | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    kept_options: Mapping[str, Any] = field(default_factory=dict)
    bare: bool = False


CASES: dict[str, Case] = {}


def case(rule: str, broken: Recipe, kept: Recipe | None = None, **options: Any) -> None:
    """Keep a rule's traces. ``kept_options`` and ``bare`` as in `Case`; the rest are options of the broken trace."""
    assert rule not in CASES, rule
    kept_options, bare = options.pop("kept_options", {}), options.pop("bare", False)
    CASES[rule] = Case(broken, kept, options, kept_options, bare)


def new_host(*, unit: Unit | None = None, units: list[Unit] | None = None, hub: Hub | None = None, habit: Any = KERNEL,
             max_lun: int | None = 0, short: str = "stall", port: int = 1, recorder: Recorder | None = None,
             **identity: Any) -> Host:  # fmt: skip
    """A host of a common kernel's habits with the scenario's stick."""
    chosen = units or [unit or session.tide_unit(attention=POWER_ON)]
    stick = AnyStick(Edited(**identity), chosen, max_lun, short)
    host = Host(recorder or Recorder(), stick, hub=hub, habit=habit, port=port)
    host.watch_hub()
    return host


def ready_host(**options: Any) -> Host:
    """The same, enumerated and identified."""
    host = new_host(**options)
    host.enumerate()
    session.identify(host)
    return host


def nothing(_: Host) -> None:
    """What was done so far is enough."""


def audited(recorder: Recorder | bytes) -> Audit:
    """The audit of a trace in memory."""
    content = recorder.pcap() if isinstance(recorder, Recorder) else recorder
    with tempfile.TemporaryFile() as handle:
        handle.write(content)
        handle.flush()
        source = Source("lab", handle, [])
        engine = engine_of(Reading(source), "lab")
        found = conclude([engine])
        source.close()
    return found


def together(found: Audit) -> dict[str, Count]:
    """The counts of all cards in one."""
    counts: dict[str, Count] = {}
    for score in found.scores:
        for id, count in score.counts.items():
            counts.setdefault(id, Count()).join(count)
    return counts


def run(recipe: Recipe, options: Mapping[str, Any], bare: bool) -> dict[str, Count]:
    """The counts of one recipe's trace."""
    host = new_host(**options) if bare else ready_host(**options)
    result = recipe(host)
    recorder = result if isinstance(result, Recorder) else host.recorder
    return together(audited(recorder))


@cache
def healthy() -> dict[str, Count]:
    """The counts of the healthy session."""
    return together(audited(healthy_trace().recorder))


def healthy_trace() -> Host:
    """A session in which everybody keeps to the rules."""
    volume = session.tide_volume()
    host = ready_host(unit=Unit(session.tide_medium(volume), attention=POWER_ON))
    session.mount(host, volume)
    session.list_directory(host, volume, "/LEVELS")
    session.read_file(host, volume, "/LEVELS/2031-04.CSV")
    session.append(host, volume, "/LEVELS/2031-04.CSV", session.levels("QUAY-3", 1, 13))
    host.execute(wire.read_capacity16())
    host.execute(wire.inquiry(255))
    host.execute(wire.inquiry(64, page=0))
    host.execute(wire.inquiry(64, page=0x80))
    host.execute(wire.inquiry(64, page=0xFE))
    host.execute(wire.mode_sense10())
    host.execute(wire.verify10(8))
    host.execute(bytes((0xF1, 0, 0, 0, 0, 0)))
    host.execute(wire.request_sense())
    host.execute(wire.report_luns(16))
    host.execute(wire.read_capacity10())
    host.execute(wire.request_sense())
    host.execute(wire.prevent_removal(True))
    session.flush(host)
    host.execute(wire.start_stop(True))
    return host


def tur(host: Host, **oddities: Any) -> None:
    """A TEST UNIT READY that goes as told."""
    host.command(wire.test_unit_ready(), **oddities)


def read(host: Host, **oddities: Any) -> None:
    """A READ(10) of block 0 that goes as told."""
    host.command(wire.read10(0), **{"data_in": bytes(512), **oddities})


def write(host: Host, **oddities: Any) -> None:
    """A WRITE(10) of block 2048 that goes as told."""
    host.command(wire.write10(2048), **{"data_out": bytes(512), **oddities})


def patched(at: int, *values: int) -> Edit:
    """Bytes of a descriptor replaced from a place on."""
    return lambda data: data[:at] + bytes(values) + data[at + len(values) :]
