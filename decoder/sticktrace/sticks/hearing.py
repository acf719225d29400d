"""What a log tells about a stick: who it is, how large, ready or not, which stages it reached or failed.

A log says things in words; what it does not say is not known. A stage that it tells of is reached or failed as
``said``, with its words. What an exchange was made of is learned from the exchange, as with any capture.
"""

from __future__ import annotations

from sticktrace.capture.logs import Kind, Statement
from sticktrace.capture.logs.fat_results import RESULTS
from sticktrace.codes import scsi
from sticktrace.sticks.learning import NOT_READY, UNIT_ATTENTION
from sticktrace.sticks.stages import Reached, Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.storage.words import Capacity, Inquiry
from sticktrace.transport.items import Saying

_TYPES = {
    "direct-access": scsi.DISK, "direct access": scsi.DISK, "direct-access-rbc": scsi.RBC, "rbc": scsi.RBC,
    "simplified direct access": scsi.RBC, "cd-rom": scsi.CD_DVD, "optical device": scsi.OPTICAL,
    "optical memory": scsi.OPTICAL, "optical": scsi.OPTICAL, "enclosure": 0x0D, "processor": 0x03,
}  # fmt: skip
"""PERIPHERAL DEVICE TYPE by the words that kernels print (SPC-3 Table 83)."""

_ASKED = {
    Kind.DESCRIPTOR_ERROR: "device descriptor", Kind.ADDRESS_REFUSED: "address",
    Kind.CONFIGURATION_ERROR: "configuration",
}  # fmt: skip
_MEDIUM_STAGES = frozenset((Stage.READY, Stage.CAPACITY, Stage.PARTITION, Stage.FILE_SYSTEM, Stage.FILES))
_UNIT_STAGES = _MEDIUM_STAGES | {Stage.IDENTITY}


def saying(item: Saying, stick: Stick) -> None:
    """Learn from what a log says."""
    said = item.statement
    if said.end == "host":
        kind = _ASKED.get(said.kind)
        if kind is not None:
            stick.ask(kind).failed.add(item.time_ns, records=item.records)
        elif said.kind is Kind.ENUMERATION_FAILED or (said.kind is Kind.PORT_TROUBLE and said.fails):
            stick.ask("device descriptor").failed.add(item.time_ns, records=item.records)
        if said.kind is Kind.IDS:
            stick.ask("device descriptor").done.add(item.time_ns, records=item.records)
        elif said.kind in (Kind.DRIVER, Kind.SCSI_HOST):
            stick.ask("configuration").done.add(item.time_ns, records=item.records)
    if stick.is_storage and said.kind in _LEARN:
        _LEARN[said.kind](item, stick.unit(item.lun))
    if said.kind is Kind.FILE_RESULT and said.get("code") == "OK" and not said.reaches:
        reach(item, stick, Stage.FILES if said.get("function") not in ("", None, "mount") else Stage.FILE_SYSTEM)
    if said.reaches:
        reach(item, stick, Stage(said.reaches))
    if said.kind is Kind.FILE_RESULT and said.fails == Stage.FILE_SYSTEM and stick.is_storage:
        _not_mounted(item, stick)
    if said.fails and stick.detached is None and Stage(said.fails) not in stick.said_failed:
        stick.said_failed[Stage(said.fails)] = Reached(item.time_ns, 0, item.records, said.line)


def _not_mounted(item: Saying, stick: Stick) -> None:
    """A FAT layer may mount without a look at the medium, and look when the first file is opened (common practice)."""
    if Stage.FILES not in stick.unit(item.lun).reached:
        stick.take_back(Stage.FILE_SYSTEM, item.lun)


def reach(item: Saying, stick: Stick, stage: Stage) -> None:
    """A stage is reached, since the log says so; and what cannot be without it."""
    words = _words(item.statement)
    if stage is Stage.DESCRIPTORS and item.device.addresses:
        stick.reach(Stage.ADDRESS, item.time_ns, 0, item.records, f"address {item.device.address}")
    if stage in _UNIT_STAGES:
        unit = stick.unit(item.lun)
        stick.reach(Stage.TRANSPORT, item.time_ns, 0, item.records, _transport(stick))
        unit.reached.setdefault(stage, Reached(item.time_ns, 0, item.records, words))
    if stage in _MEDIUM_STAGES:
        _ready(item, stick.unit(item.lun))
    stick.reach(stage, item.time_ns, 0, item.records, words)


def _transport(stick: Stick) -> str:
    heard = stick.device.heard
    kind = {"UAS": "USB Attached SCSI", "BOT": "Bulk-Only Transport"}.get(heard.transport if heard else "", "")
    return f"{kind}, commands answered" if kind else "commands answered"


def _words(said: Statement) -> str:
    """What of a statement is worth a place in the ladder."""
    if said.kind is Kind.PARTITIONS:
        names = said.get("list", "").replace("<", "").replace(">", "").split()
        return ", ".join(names) if names else "no partition, the volume begins at block 0"
    if said.kind is Kind.FILE_SYSTEM:
        return " ".join(part for part in (said.get("fs", ""), said.get("state", "")) if part)
    return said.line


def _ready(item: Saying, unit: Unit) -> None:
    if unit.ready_ns < 0:
        unit.ready_ns = item.time_ns
        unit.reached.setdefault(Stage.READY, Reached(item.time_ns, 0, item.records, f"LUN {unit.lun} ready"))
        unit.stick.reach(Stage.READY, item.time_ns, 0, item.records, f"LUN {unit.lun} ready")


def _identity(item: Saying, unit: Unit) -> None:
    said, before = item.statement, unit.identity
    vendor, product = said.get("vendor", ""), said.get("product", "")
    if "name" in said.values:  # a BSD kernel prints the three as one
        name, _, revision = said.get("name", "").rpartition(" ")
        vendor, _, product = name.partition(" ")
        said.values.setdefault("revision", revision)
    removable = bool(said.get("removable")) and str(said.get("removable")).strip().lower() not in ("0", "fixed")
    number = _TYPES.get(str(said.get("type", "direct-access")).lower(), 0x1F)
    if isinstance(said.get("type"), int):
        number = said.get("type")
    unit.identity = Inquiry(
        said.get("qualifier", 0), number, removable or (before.removable if before else False),
        said.get("version", 0) if isinstance(said.get("version"), int) else 0,
        vendor or (before.vendor if before else ""), product or (before.product if before else ""),
        said.get("revision", "") or (before.revision if before else ""),
    )  # fmt: skip
    if before is None or (before.vendor and before.product and before != unit.identity):
        unit.told.append((unit.identity, 0))


def _capacity(item: Saying, unit: Unit) -> None:
    said = item.statement
    if said.get("odd") or said.get("beyond"):
        return
    length = said.get("block_length") or unit.block
    blocks = said.get("blocks")
    if "bytes_in_all" in said.values:
        length = length or 512
        blocks = said.get("bytes_in_all") // length
    unit.block = length or unit.block
    if blocks is None and unit.capacity is not None and length:
        blocks = unit.capacity.blocks
    if blocks is None or not length or blocks <= 0:
        if blocks is not None:
            unit.capacity = Capacity(blocks - 1, length or 512)
        return
    found = Capacity(blocks - 1, length)
    if unit.capacity != found:
        unit.told.append((found, 0))
    unit.capacity = found


def _protection(item: Saying, unit: Unit) -> None:
    unit.write_protected = bool(item.statement.get("protected"))


def _no_medium(item: Saying, unit: Unit) -> None:
    unit.empty = True
    unit.refused.add(item.time_ns, records=item.records)


def _not_ready(item: Saying, unit: Unit) -> None:
    if unit.ready_ns < 0:
        unit.refused.add(item.time_ns, records=item.records)


def _failure(item: Saying, unit: Unit) -> None:
    """Sense that is told without the command."""
    key, asc = item.statement.get("key"), item.statement.get("asc")
    if item.in_exchange or key is None:
        return
    unit.failed.add(item.time_ns, records=item.records)
    unit.stick.reach(Stage.TRANSPORT, item.time_ns, 0, item.records, _transport(unit.stick))
    if key == NOT_READY and unit.ready_ns < 0:
        unit.refused.add(item.time_ns, records=item.records)
        unit.empty = asc == 0x3A
    elif key == UNIT_ATTENTION:
        unit.attention.add(item.time_ns, records=item.records)


def _file_result(item: Saying, unit: Unit) -> None:
    result = RESULTS.get(item.statement.get("code", ""))
    if result is not None and result.fails == Stage.READY:
        _not_ready(item, unit)


_LEARN = {
    Kind.INQUIRY: _identity, Kind.CAPACITY: _capacity, Kind.PROTECTION: _protection, Kind.NO_MEDIUM: _no_medium,
    Kind.NOT_READY: _not_ready, Kind.COMMAND_FAILED: _failure, Kind.FILE_RESULT: _file_result,
}  # fmt: skip
