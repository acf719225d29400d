"""What a recording lacks of the facts that its verdict would need, and where docs/recording.md says how to get them.

Nothing is missing where nothing is wrong. A fact counts as missing when the verdict is about what it would show, and
the recording, by its form or by where it begins and ends, does not show it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from sticktrace.capture.packets import SPEEDS
from sticktrace.findings.finding import UNKNOWN, Finding
from sticktrace.findings.ladder import FAILED, REACHED
from sticktrace.sticks.stages import Stage
from sticktrace.transport.items import Status

if TYPE_CHECKING:
    from sticktrace.findings.scene import Scene
    from sticktrace.findings.verdict import StickReport

MOST = 3
PAGE = "docs/recording.md"
_BRING_UP = frozenset((Stage.ATTACH, Stage.ADDRESS, Stage.DESCRIPTORS, Stage.CONFIGURATION))
_MEDIUM = frozenset((Stage.PARTITION, Stage.FILE_SYSTEM, Stage.FILES))
_ON_THE_WIRE = frozenset(("enumeration", "transport", "recovery"))
_MAY_BE_POWER = frozenset(("bus-errors", "command-timeout"))
_UNTIMED_NS = 1_000_000_000


class Missing(NamedTuple):
    """A fact that is not in the recording, and the section of the page that tells how to record it."""

    fact: str
    section: str

    def facts(self) -> dict[str, str]:
        """As JSON says it, in ``missing`` of a diagnosis."""
        return {"fact": self.fact, "see": f"{PAGE}#{self.section}"}


def missing(reports: list[StickReport], main: Finding | None, scene: Scene) -> list[Missing]:
    """What this recording lacks, the most telling first; nothing where all is well."""
    if not reports:
        plugging = Missing("a stick being plugged in", "why-it-does-not-come-up")
        return [] if main is not None or scene.unread else [plugging]
    wrong = main is not None or any(report.stopped is not None or _unexplained(report) for report in reports)
    if not wrong:
        return []
    return [*_lacking(reports, main, scene)][:MOST]


def _lacking(reports: list[StickReport], main: Finding | None, scene: Scene) -> Iterator[Missing]:
    layer = main.layer if main is not None else ""
    stages = {report.stopped.stage for report in reports if report.stopped is not None}
    unseen = {rung.stage for report in reports for rung in report.rungs if rung.state not in (REACHED, FAILED)}
    if (stages & _BRING_UP or layer == "enumeration") and Stage.ATTACH in unseen:
        yield Missing("plugging in, and what the host asked first", "why-it-does-not-come-up")
    for report in reports:
        if number := _unexplained(report):
            yield Missing(f"the sense that says why exchange {number} failed", "what-the-stick-refused")
            break
    if (stages & _MEDIUM or layer == "volume") and Stage.PARTITION in unseen:
        yield Missing("the blocks that say what is on the medium", "what-is-on-the-medium")
    if main is not None and _lost_at_unknown_port(main):
        yield Missing("what its port said: connection, over-current, power", "why-it-drops-out")
    if main is not None and main.side == UNKNOWN:
        if all(report.stick.by_hearsay for report in reports):
            yield Missing("the transfers: a log has only what was said of them", "what-to-record-for-which-question")
        elif layer in _ON_THE_WIRE and scene.link_types.isdisjoint(SPEEDS):
            yield Missing("the packets on the wire: handshakes, toggles, CRC errors", "what-was-on-the-wire")
        yield Missing("the same on another host, or with another stick", "whether-it-is-the-host-or-the-stick")
    if scene.tick_ns > _UNTIMED_NS:
        yield Missing("times, and so every wait", "why-it-is-slow")


def _lost_at_unknown_port(finding: Finding) -> bool:
    """Whether it may be that a stick lost its power, and neither a hub's requests nor a log tell of its port."""
    stick = finding.stick
    known = stick is None or stick.device.hub is not None or stick.by_hearsay
    return not known and (finding.layer == "power" or finding.slug in _MAY_BE_POWER)


def _unexplained(report: StickReport) -> int:
    """The number of the last command of a unit, where it failed and nothing says why; 0 if there is none."""
    lasts = (unit.last for _, unit in sorted(report.stick.units.items()))
    return next((last.number for last in lasts if last and last.status is Status.FAILED and last.sense is None), 0)
