"""How far a device came: the stages of bring-up, each reached, failed or not seen, with what shows it.

A stage is failed only when something was tried and did not work; what a capture does not show is "not seen". Later
stages never prove earlier ones: a capture that starts in mid-session has not seen the enumeration.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sticktrace.bus.device import Device
from sticktrace.findings.finding import PATIENCE_NS, QUIET_NS
from sticktrace.sticks.subject import Subject, Unit
from sticktrace.sticks.tally import EVIDENCE_LIMIT, Tally
from sticktrace.text import bytes_in_words, count_of
from sticktrace.volume.medium import Volume

if TYPE_CHECKING:
    from sticktrace.findings.scene import Account

REACHED, FAILED, NOT_SEEN = "reached", "failed", "not seen"

NAMES = (
    "attach", "address", "descriptors", "configuration", "transport", "identity", "ready", "capacity", "partition",
    "file system", "files",
)  # fmt: skip


@dataclass(slots=True)
class Stage:
    """One stage of one device. ``time_ns`` is when it was reached or first failed, -1 if neither."""

    name: str
    state: str = NOT_SEEN
    text: str = ""
    exchanges: tuple[int, ...] = ()
    records: tuple[int, ...] = ()
    time_ns: int = -1

    def facts(self, device: str) -> dict[str, Any]:
        """``kind:"stage"``."""
        return {
            "kind": "stage", "device": device, "name": self.name, "state": self.state, "text": self.text,
            "time_ns": self.time_ns if self.time_ns >= 0 else None, "exchanges": list(self.exchanges),
            "records": list(self.records),
        }  # fmt: skip


def _stage(name: str, state: str, text: str, tally: Tally | None = None, number: int = 0, time_ns: int = -1) -> Stage:
    if tally is not None:
        return Stage(name, state, text, tuple(tally.exchanges[:EVIDENCE_LIMIT]), tuple(tally.records[:EVIDENCE_LIMIT]),
                     tally.first_ns)  # fmt: skip
    return Stage(name, state, text, (number,) if number else (), (), time_ns)


def _attach(subject: Subject, account: Account) -> Stage:
    device = subject.device
    tally = subject.happened("attached")
    if device is None or not tally:
        return Stage("attach")
    where = f"port {device.port} of the hub at address {device.hub.address}" if device.hub else "a port"
    text = f"plugged into {where}" if device.attached_ns >= 0 else f"already on {where}"
    return _stage("attach", REACHED, text, tally)


def _tried(name: str, subject: Subject, kind: str, text: str) -> Stage:
    """A stage that one kind of request decides."""
    asks = subject.ask(kind)
    if asks.done:
        return _stage(name, REACHED, text, asks.done)
    if asks.failed:
        return _stage(name, FAILED, f"{count_of(asks.failed.count, 'try', 'tries')}, none worked", asks.failed)
    return Stage(name)


def _address(subject: Subject, account: Account) -> Stage:
    given = subject.happened("address")
    if given:
        return _stage("address", REACHED, f"address {subject.address}", given)
    stage = _tried("address", subject, "address", f"address {subject.address}")
    if stage.state == NOT_SEEN and not subject.address and subject.ask("device descriptor").failed:
        failed = subject.ask("device descriptor").failed
        return _stage("address", FAILED, "no answer at address 0", failed)
    return stage


def _descriptors(subject: Subject, account: Account) -> Stage:
    device = subject.device
    asks = subject.ask("configuration descriptor")
    whole = [c for c in device.configurations.values() if c.interfaces] if device else []
    if device and whole:
        return _stage("descriptors", REACHED, _described(device), asks.done if asks.done else None)
    if asks.failed and not asks.done:
        return _stage("descriptors", FAILED, "the configuration was not given", asks.failed)
    failed = subject.ask("device descriptor").failed
    if subject.address and failed and not (device and device.ids):
        return _stage("descriptors", FAILED, "the device descriptor was not given", failed)
    return Stage("descriptors")


def _described(device: Device) -> str:
    """What the descriptors say in a line."""
    ids = device.vid_pid or "ids not read"
    current = device.current()
    speed = f", {device.speed} speed" if device.speed else ""
    power = f", up to {current.max_power_ma(device.superspeed)} mA" if current else ""
    return f"{ids}{speed}{power}"


def _configuration(subject: Subject, account: Account) -> Stage:
    value = subject.device.configuration if subject.device else None
    return _tried("configuration", subject, "configuration", f"configuration {value}" if value else "configured")


def _transport(subject: Subject, account: Account) -> Stage:
    first, good = subject.first_exchange, subject.exchanges - subject.transport_bad
    if first is None:
        return Stage("transport")
    kind = {"UAS": "USB Attached SCSI", "BOT": "Bulk-Only Transport"}.get(first.transport, first.transport)
    if good > 0:
        text = f"{kind}, {count_of(good, 'command')} answered"
        return _stage("transport", REACHED, text, None, first.number, first.time_ns)
    if subject.cut_short:
        return Stage("transport", NOT_SEEN, "the only command is cut off by the end of the capture", (first.number,))
    return _stage("transport", FAILED, f"{kind}, no command got a proper answer", None, first.number, first.time_ns)


def _best(name: str, subject: Subject, judge: Callable[[Unit], Stage]) -> Stage:
    """The stage of the unit that came furthest: reached before failed before not seen."""
    rank = {REACHED: 0, FAILED: 1, NOT_SEEN: 2}
    stages = [judge(unit) for _, unit in sorted(subject.units.items())]
    return min(stages, key=lambda s: rank[s.state], default=Stage(name))


def _identity(subject: Subject, account: Account) -> Stage:
    def judge(unit: Unit) -> Stage:
        if unit.identity_at:
            told = unit.identity
            who = " ".join(f"{told.vendor} {told.product} {told.revision}".split()) if told else ""
            text = ", ".join(part for part in (who, told.kind) if part) if told else "INQUIRY passed"
            return _stage("identity", REACHED, text, None, unit.identity_at)
        if unit.identity_bad:
            return _stage("identity", FAILED, "INQUIRY failed", unit.identity_bad)
        return Stage("identity")

    return _best("identity", subject, judge)


def _ready(subject: Subject, account: Account) -> Stage:
    def judge(unit: Unit) -> Stage:
        if unit.ready_ns >= 0:
            after = f", after {count_of(unit.refused.count, 'refusal')}" if unit.refused else ""
            return _stage("ready", REACHED, f"LUN {unit.lun} ready{after}", None, unit.ready_at, unit.ready_ns)
        if unit.refused:
            why = "no medium" if unit.empty else "NOT READY"
            text = f"LUN {unit.lun}: {why}, asked {count_of(unit.refused.count, 'time')}"
            waited = unit.refused.last_ns - unit.refused.first_ns
            gave_up = waited >= PATIENCE_NS or account.quiet_ns(subject) >= QUIET_NS
            if subject.begun_before:
                return _stage("ready", NOT_SEEN, text, unit.refused)
            if (unit.empty and unit.refused.count > 1) or gave_up:
                return _stage("ready", FAILED, text, unit.refused)
            return _stage("ready", NOT_SEEN, f"{text}; the capture ends there", unit.refused)
        return Stage("ready")

    return _best("ready", subject, judge)


def _capacity(subject: Subject, account: Account) -> Stage:
    def judge(unit: Unit) -> Stage:
        if unit.capacity_at:
            told = unit.capacity
            text = "READ CAPACITY passed"
            if told is not None:
                text = f"{told.blocks:,} blocks of {told.block_length} bytes, {bytes_in_words(told.bytes)}"
            return _stage("capacity", REACHED, text, None, unit.capacity_at)
        if unit.capacity_bad and unit.ready_ns >= 0:
            return _stage("capacity", FAILED, "READ CAPACITY failed", unit.capacity_bad)
        return Stage("capacity")

    return _best("capacity", subject, judge)


def _partition(subject: Subject, account: Account) -> Stage:
    def judge(unit: Unit) -> Stage:
        for medium in account.volumes.media(unit):
            scheme = medium.table.scheme
            if scheme:
                number = next((v.found_at for v in medium.volumes), 0)
                parts = count_of(len(medium.table.partitions), "partition")
                text = "no partition table, the volume begins at block 0" if scheme == "none" else f"{scheme}, {parts}"
                return _stage("partition", REACHED, text, None, number)
        return Stage("partition", NOT_SEEN, "block 0 is not in the capture" if unit.reads else "")

    return _best("partition", subject, judge)


def _file_system(subject: Subject, account: Account) -> Stage:
    def judge(unit: Unit) -> Stage:
        volumes = account.volumes.volumes(unit)
        known = [v for v in volumes if v.kind]
        if known:
            label = f" {known[0].label!r}" if known[0].label else ""
            return _stage("file system", REACHED, f"{known[0].kind}{label}", None, known[0].found_at)
        broken = [v for v in volumes if v.problem]
        if broken:
            return _stage("file system", FAILED, broken[0].problem, None, broken[0].found_at)
        return Stage("file system")

    return _best("file system", subject, judge)


def _files(subject: Subject, account: Account) -> Stage:
    def judge(unit: Unit) -> Stage:
        listed = [(v, _entries(v)) for v in account.volumes.volumes(unit)]
        listed = [(v, count) for v, count in listed if count]
        if listed:
            volume, count = listed[0]
            return _stage("files", REACHED, f"{count_of(count, 'entry', 'entries')} seen on {volume.title}")
        return Stage("files")

    return _best("files", subject, judge)


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


_JUDGES: tuple[Callable[[Subject, Account], Stage], ...] = (
    _attach, _address, _descriptors, _configuration, _transport, _identity, _ready, _capacity, _partition,
    _file_system, _files,
)  # fmt: skip


def stages(subject: Subject, account: Account) -> list[Stage]:
    """Every stage of a device, in order."""
    return [judge(subject, account) for judge in _JUDGES]
