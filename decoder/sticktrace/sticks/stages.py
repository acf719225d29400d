"""The one list of stages that a stick passes from plugging in to its files."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Stage(StrEnum):
    """The stages in their usual order."""

    ATTACH = "attach"
    ADDRESS = "address"
    DESCRIPTORS = "descriptors"
    CONFIGURATION = "configuration"
    TRANSPORT = "transport"
    IDENTITY = "identity"
    READY = "ready"
    CAPACITY = "capacity"
    PARTITION = "partition"
    FILE_SYSTEM = "file system"
    FILES = "files"


WHAT = {
    Stage.ATTACH: "connection seen", Stage.ADDRESS: "address given",
    Stage.DESCRIPTORS: "configuration descriptor read", Stage.CONFIGURATION: "configuration chosen",
    Stage.TRANSPORT: "first command answered", Stage.IDENTITY: "INQUIRY passed",
    Stage.READY: "a command needing the medium passed", Stage.CAPACITY: "capacity known",
    Stage.PARTITION: "division of the medium known", Stage.FILE_SYSTEM: "file system known",
    Stage.FILES: "first directory entries",
}  # fmt: skip
"""What reaches each of them."""


class Reached(NamedTuple):
    """When a stage was reached, and the exchange (0 for none) and records that show it. ``said``:
    the words of the log that tell it, "" where the bus shows it."""

    time_ns: int
    exchange: int = 0
    records: tuple[int, ...] = ()
    said: str = ""
