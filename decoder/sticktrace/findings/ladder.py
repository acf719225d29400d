"""How far a device came: the stages of bring-up, each reached, failed or not seen, with what shows it.

A stage is failed only when something was tried and did not work; what a capture does not show is "not seen". Later
stages never prove earlier ones: a capture that starts in mid-session has not seen the enumeration.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from sticktrace.findings.finding import LONG_NS, PATIENCE_NS, QUIET_NS
from sticktrace.sticks.stages import Reached, Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import EVIDENCE_LIMIT, Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import bytes_in_words, count_of, quoted
from sticktrace.transport.items import Transport
from sticktrace.volume.division import Volume

if TYPE_CHECKING:
    from sticktrace.findings.scene import Scene


class State(StrEnum):
    """What is known of a stage. A stage is failed only when something was tried and did not work."""

    REACHED = "reached"
    FAILED = "failed"
    NOT_SEEN = "not seen"


REACHED, FAILED, NOT_SEEN = State


@dataclass(slots=True)
class Rung:
    """One stage of one stick. ``time_ns`` is when it was reached or first failed, -1 if neither."""

    stage: Stage
    state: State = NOT_SEEN
    text: str = ""
    exchanges: tuple[int, ...] = ()
    records: tuple[int, ...] = ()
    time_ns: int = -1

    def facts(self, device: str) -> dict[str, Any]:
        """``kind:"stage"``."""
        return {
            "kind": "stage", "device": device, "name": self.stage, "state": self.state, "text": self.text,
            "time_ns": self.time_ns if self.time_ns >= 0 else None, "exchanges": list(self.exchanges),
            "records": list(self.records),
        }  # fmt: skip


def ladder(stick: Stick, scene: Scene) -> list[Rung]:
    """Every stage of a stick, in order: as reached where `Stick.reached` says so, else failed or not seen."""
    reached = stick.reached
    rungs = []
    for stage in Stage:
        at = reached.get(stage)
        if at is not None:
            numbers = (at.exchange,) if at.exchange else ()
            text = _heard(stage, at, stick, scene) if at.said else _REACHED[stage](stick, scene)
            rungs.append(Rung(stage, REACHED, text, numbers, at.records[:EVIDENCE_LIMIT], at.time_ns))
        else:
            rungs.append(_said_failed(stage, stick, _OPEN.get(stage, _not_seen)(stage, stick, scene)))
    return rungs


_FROM_UNIT = frozenset((Stage.IDENTITY, Stage.READY, Stage.CAPACITY))


def _heard(stage: Stage, at: Reached, stick: Stick, scene: Scene) -> str:
    """What is said of a stage that a log tells of: what it told of the unit, else its own words."""
    known = stage in _FROM_UNIT or (stage is Stage.DESCRIPTORS and bool(stick.device.ids))
    return f"{_REACHED[stage](stick, scene) if known else at.said} (the log says)"


def _said_failed(stage: Stage, stick: Stick, rung: Rung) -> Rung:
    """A stage that a log says failed, where nothing else tells more."""
    at = stick.said_failed.get(stage)
    if at is None or rung.state is FAILED:
        return rung
    return Rung(stage, FAILED, f"the log says: {at.said}", (), at.records[:EVIDENCE_LIMIT], at.time_ns)


def _failed(stage: Stage, text: str, tally: Tally) -> Rung:
    return Rung(stage, FAILED, text, tuple(tally.exchanges), tuple(tally.records), tally.first_ns)


def _not_seen(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    return Rung(stage)


# -- what is said of a stage that was reached ----------------------------------------------------------------------


def _attached(stick: Stick, scene: Scene) -> str:
    device = stick.device
    if device.heard is not None and device.heard.path and not device.heard.beside:
        return f"plugged in at {device.heard.path} (the log says)"
    if device.heard is not None and device.hub is None and device.attached_ns >= 0:
        return "plugged in (the log says)"
    where = f"port {device.port} of the hub at address {device.hub.address}" if device.hub else "a port"
    where += f" ({device.heard.path} in the log)" if device.heard is not None and device.heard.path else ""
    return f"plugged into {where}" if device.attached_ns >= 0 else f"already on {where}"


def _described(stick: Stick, scene: Scene) -> str:
    device = stick.device
    current = device.current()
    speed = f", {device.speed} speed" if device.speed else ""
    power = f", up to {current.max_power_ma(device.superspeed)} mA" if current else ""
    return f"{device.vid_pid or 'ids not read'}{speed}{power}"


def _configured(stick: Stick, scene: Scene) -> str:
    if stick.by_hearsay:
        return "the mass storage driver took it (the log says)" if stick.is_storage else "configured (the log says)"
    value = stick.device.configuration
    return f"configuration {value}" if value else "configured"


def _answers(stick: Stick, scene: Scene) -> str:
    first = stick.first_exchange
    kind = _TRANSPORTS[first.transport] if first is not None else "commands"
    return f"{kind}, {count_of(stick.exchanges - stick.transport_bad, 'command')} answered"


_TRANSPORTS = {Transport.BOT: "Bulk-Only Transport", Transport.UAS: "USB Attached SCSI",
               Transport.CBI: "Control/Bulk/Interrupt transport", Transport.UNTOLD: "commands"}  # fmt: skip


def _first_unit(stick: Stick, stage: Stage) -> Unit:
    """The unit that reached a stage first."""
    reached = [unit for _, unit in sorted(stick.units.items()) if stage in unit.reached]
    return min(reached, key=lambda unit: unit.reached[stage].time_ns)


def _identified(stick: Stick, scene: Scene) -> str:
    told = _first_unit(stick, Stage.IDENTITY).identity
    if told is None:
        return "INQUIRY passed"
    who = " ".join(f"{told.vendor} {told.product} {told.revision}".split())
    return ", ".join(part for part in (who, told.kind) if part)


def _got_ready(stick: Stick, scene: Scene) -> str:
    unit = _first_unit(stick, Stage.READY)
    return f"LUN {unit.lun} ready" + (f", after {count_of(unit.refused.count, 'refusal')}" if unit.refused else "")


def _sized(stick: Stick, scene: Scene) -> str:
    unit = _first_unit(stick, Stage.CAPACITY)
    told = unit.capacity
    if told is not None:
        return f"{told.blocks:,} blocks of {told.block_length} bytes, {bytes_in_words(told.bytes)}"
    return "more blocks than 32 bits count" if unit.beyond else "READ CAPACITY passed"


def _divided(stick: Stick, scene: Scene) -> str:
    for medium in scene.media(_first_unit(stick, Stage.PARTITION)):
        if medium.table.scheme == "none":
            return "no partition table, the volume begins at block 0"
        if medium.table.scheme:
            return f"{medium.table.scheme}, {count_of(len(medium.table.partitions), 'partition')}"
    return "known"


def _mounted(stick: Stick, scene: Scene) -> str:
    known = [volume for volume in scene.volumes(_first_unit(stick, Stage.FILE_SYSTEM)) if volume.kind]
    return f"{known[0].kind}{f' {quoted(known[0].label)}' if known[0].label else ''}" if known else "known"


def _listed(stick: Stick, scene: Scene) -> str:
    for volume in scene.volumes(_first_unit(stick, Stage.FILES)):
        count = _entries(volume)
        if count:
            return f"{count_of(count, 'entry', 'entries')} seen on {volume.title}"
    return "directory entries seen"


_REACHED: dict[Stage, Callable[[Stick, Scene], str]] = {
    Stage.ATTACH: _attached, Stage.ADDRESS: lambda stick, scene: f"address {stick.address}",
    Stage.DESCRIPTORS: _described, Stage.CONFIGURATION: _configured, Stage.TRANSPORT: _answers,
    Stage.IDENTITY: _identified, Stage.READY: _got_ready, Stage.CAPACITY: _sized, Stage.PARTITION: _divided,
    Stage.FILE_SYSTEM: _mounted, Stage.FILES: _listed,
}  # fmt: skip


# -- what is said of a stage that was not --------------------------------------------------------------------------


def _no_address(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    asked = stick.ask("address")
    if asked.failed:
        return _failed(stage, f"{count_of(asked.failed.count, 'try', 'tries')}, none worked", asked.failed)
    failed = stick.ask("device descriptor").failed
    if failed and not stick.address:
        return _failed(stage, "no answer at address 0", failed)
    return Rung(stage)


def _no_descriptors(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    if stick.known:
        return Rung(stage, NOT_SEEN, f"{_described(stick, scene)}, as read from the device in use")
    asks = stick.ask("configuration descriptor")
    if asks.failed and not asks.done:
        return _failed(stage, "the configuration was not given", asks.failed)
    failed = stick.ask("device descriptor").failed
    if stick.address and failed and not stick.device.ids:
        return _failed(stage, "the device descriptor was not given", failed)
    return Rung(stage)


def _no_configuration(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    failed = stick.ask("configuration").failed
    return _failed(stage, f"{count_of(failed.count, 'try', 'tries')}, none worked", failed) if failed else Rung(stage)


def _no_answer(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    first = stick.first_exchange
    if first is None:
        return Rung(stage)
    if stick.by_hearsay:
        return Rung(stage, NOT_SEEN, "a log tells only of commands that failed", (first.number,))
    waited = scene.end_ns - first.time_ns
    if stick.cut_short and waited < LONG_NS:
        return Rung(stage, NOT_SEEN, "the only command is cut off by the end of the capture", (first.number,))
    text = f"{_TRANSPORTS[first.transport]}, no command got a proper answer"
    return Rung(stage, FAILED, text, (first.number,), (), first.time_ns)


def _no_identity(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    bad = next((unit.identity_bad for _, unit in sorted(stick.units.items()) if unit.identity_bad), None)
    return _failed(stage, "INQUIRY failed", bad) if bad is not None else Rung(stage)


def _not_ready(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    rungs = [_refused(unit, scene) for _, unit in sorted(stick.units.items()) if unit.refused]
    return min(rungs, key=lambda rung: rung.state is not FAILED, default=Rung(stage))


def _refused(unit: Unit, scene: Scene) -> Rung:
    why = "no medium" if unit.empty else "NOT READY"
    text = f"LUN {unit.lun}: {why}, asked {count_of(unit.refused.count, 'time')}"
    waited = unit.refused.last_ns - unit.refused.first_ns
    gave_up = waited >= PATIENCE_NS or scene.quiet_ns(unit.stick) >= QUIET_NS
    rung = _failed(Stage.READY, text, unit.refused)
    if unit.stick.begun_before or not ((unit.empty and unit.refused.count > 1) or gave_up):
        rung.state = NOT_SEEN
        rung.text += "" if unit.stick.begun_before else "; the capture ends there"
    return rung


def _no_capacity(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    for _, unit in sorted(stick.units.items()):
        if unit.capacity_bad and unit.ready_ns >= 0:
            return _failed(stage, "READ CAPACITY failed", unit.capacity_bad)
    return Rung(stage)


def _no_partition(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    read = any(unit.reads for unit in stick.units.values())
    return Rung(stage, NOT_SEEN, "block 0 is not in the capture" if read else "")


def _no_file_system(stage: Stage, stick: Stick, scene: Scene) -> Rung:
    for unit in stick.units.values():
        broken = [volume for volume in scene.volumes(unit) if volume.problem]
        if broken:
            return Rung(stage, FAILED, broken[0].problem, (broken[0].found_at,) if broken[0].found_at else ())
    return Rung(stage)


_OPEN: dict[Stage, Callable[[Stage, Stick, Scene], Rung]] = {
    Stage.ADDRESS: _no_address, Stage.DESCRIPTORS: _no_descriptors, Stage.CONFIGURATION: _no_configuration,
    Stage.TRANSPORT: _no_answer, Stage.IDENTITY: _no_identity, Stage.READY: _not_ready, Stage.CAPACITY: _no_capacity,
    Stage.PARTITION: _no_partition, Stage.FILE_SYSTEM: _no_file_system,
}  # fmt: skip


def _entries(volume: Volume) -> int:
    """How many files and directories were listed, up to 10,000."""
    if volume.files is None:
        return 0
    count = -1
    for _ in volume.files.root.walk():
        count += 1
        if count >= 10_000:
            break
    return count
