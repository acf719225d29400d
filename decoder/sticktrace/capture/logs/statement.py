"""What one line of a log, or a few that belong together, says about storage: a kind, whom it is about, and values."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What a statement is about. Its text is what JSON shows."""

    BEGINS = "begins"  # the system that prints starts: nobody is known any more
    CONTROLLER = "controller"  # a host controller and its root hub are there
    CONTROLLER_TROUBLE = "controller trouble"
    CONTROLLER_DIED = "controller died"
    HUB = "hub"
    PLUGGED = "plugged"
    UNPLUGGED = "unplugged"
    RESET = "reset"
    DESCRIPTOR_ERROR = "descriptor error"
    ADDRESS_REFUSED = "address refused"
    CONFIGURATION_ERROR = "configuration error"
    ENUMERATION_FAILED = "enumeration failed"
    NOT_SUPPORTED = "not supported"
    PORT_TROUBLE = "port trouble"
    OVER_CURRENT = "over-current"
    POWER_BUDGET = "power budget"
    IDS = "ids"
    STRING = "string"
    CLASS = "class"
    DRIVER = "driver"  # a storage driver took the device
    SCSI_HOST = "scsi host"  # which SCSI host stands for which device
    QUIRK = "quirk"
    INQUIRY = "inquiry"
    UNIT = "unit"  # a unit got a name: sdb
    CAPACITY = "capacity"
    NO_MEDIUM = "no medium"
    PROTECTION = "protection"
    CACHE = "cache"
    PARTITIONS = "partitions"
    NO_PARTITIONS = "no partitions"
    READY = "ready"
    NOT_READY = "not ready"
    RESULT = "result"  # part of a command's failure: how the host's layers name it
    SENSE_KEY = "sense key"
    SENSE_CODE = "sense code"
    CDB = "cdb"
    COMMAND_FAILED = "command failed"  # put together from the four above
    IO_ERROR = "i/o error"
    ABORT = "abort"
    TRANSPORT_ERROR = "transport error"
    OFFLINE = "offline"
    FILE_SYSTEM = "file system"
    FILE_RESULT = "file result"  # what a FAT layer returned
    FILES = "files"
    STEP = "step"  # a stage of bring-up in the program's own words
    NEWS = "news"  # understood, and of no weight


@dataclass(frozen=True, slots=True)
class About:
    """Whom a statement is about, as far as its own words tell. ``path`` is bus and ports ("1-1.2"), ``port`` a port of
    the hub at ``path``, ``scsi`` host:channel:id:lun, ``host`` a SCSI host's number, ``block`` a disk's name ("sdb"),
    ``address`` a USB address, ``unit`` a driver's name for it ("umass0"). -1 and "" are not printed."""

    path: str = ""
    port: int = -1
    scsi: str = ""
    host: int = -1
    block: str = ""
    address: int = -1
    unit: str = ""
    lun: int = -1
    bus: int = -1

    def __bool__(self) -> bool:
        return self != NOBODY


NOBODY = About()

_UNIT = re.compile(r"^(?:sd|sr|scsi)\s?\d[\d:]*:\s*(?:\[\w+\]\s*)?(?:tag#\d+\s*)?")
_BLOCK = re.compile(r"^(?:CDB|CMND?|command)\b", re.I)


@dataclass(slots=True, eq=False)
class Statement:
    """One thing that a log says.

    ``time_ns`` is nanoseconds since the first time printed; ``timed`` tells whether the line printed one itself, else
    it is that of the last line that did. ``records`` are 1-based line numbers. ``values`` are typed by their names
    (`sticktrace.capture.logs.fields`). ``pattern`` is the id of the pattern that read it, ``line`` the words read.
    ``reaches`` and ``fails`` name the stage of bring-up that it shows as reached or failed, "" for none. ``end`` is who
    speaks: "host" or "device". ``owned`` are the lines that no other statement accounts for. ``printed_ns`` is the time
    as printed, -1 for none; ``log`` names the file that says it, where that is another than the capture.
    """

    kind: Kind
    time_ns: int
    records: tuple[int, ...]
    about: About
    values: dict[str, Any] = field(default_factory=dict)
    line: str = ""
    pattern: str = ""
    reaches: str = ""
    fails: str = ""
    timed: bool = False
    end: str = "host"
    owned: tuple[int, ...] = ()
    printed_ns: int = -1
    log: str = ""

    def get(self, name: str, default: Any = None) -> Any:
        """A value by name."""
        return self.values.get(name, default)

    @property
    def brief(self) -> str:
        """Its line; of a failure that is told over several without the unit in front of each and without the block."""
        first, *rest = self.line.split(" / ")
        if not rest:
            return self.line
        parts = [first, *(_UNIT.sub("", part) for part in rest)]
        told = [part for part in parts if not _BLOCK.match(part)]
        place = f" ({parts[-1].rpartition(' (')[2]}" if self.log and _BLOCK.match(parts[-1]) else ""
        return " / ".join(told or parts) + (place if told else "")

    def facts(self) -> dict[str, Any]:
        """``kind:"statement"`` for JSON."""
        about = {
            name: value
            for name in About.__slots__
            if (value := getattr(self.about, name)) not in ("", -1)
        }  # fmt: skip
        values = {k: v.hex(" ") if isinstance(v, bytes) else v for k, v in self.values.items()}
        return {
            "kind": "statement", "says": self.kind.value, "about": about, "values": values,
            "time_ns": self.time_ns if self.timed else None, "records": list(self.records),
            "line": self.line, "pattern": self.pattern,
            "reaches": self.reaches or None, "fails": self.fails or None, "end": self.end,
            "log": self.log or None,
        }  # fmt: skip
