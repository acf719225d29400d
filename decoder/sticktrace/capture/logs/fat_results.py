"""What the result codes of a FAT layer mean for the ladder of bring-up.

The names and numbers are those of the FAT layer that most boards use (its result enumeration, from memory). What each
says of the stick, or of the board's own program, is common practice.
"""

from __future__ import annotations

from typing import NamedTuple


class FatResult(NamedTuple):
    """One result code: its number, the stage that it shows as failed ("" for none), which side it points to ("device",
    "host" or ""), and what it says."""

    number: int
    fails: str
    side: str
    says: str


RESULTS: dict[str, FatResult] = {
    "OK": FatResult(0, "", "", "the call worked"),
    "DISK_ERR": FatResult(1, "", "", "the disk layer reported an error for good: a read or write failed"),
    "INT_ERR": FatResult(2, "", "", "the FAT layer met contradictions: a damaged volume, or memory overwritten"),
    "NOT_READY": FatResult(3, "ready", "", "the disk layer says that the drive cannot work: not set up, or no medium"),
    "NO_FILE": FatResult(4, "", "host", "there is no file of that name"),
    "NO_PATH": FatResult(5, "", "host", "there is no directory of that name"),
    "INVALID_NAME": FatResult(6, "", "host", "the name is not one; long names may be switched off"),
    "DENIED": FatResult(7, "", "host", "the access is not allowed, or the directory or the volume is full"),
    "EXIST": FatResult(8, "", "host", "the name is there already"),
    "INVALID_OBJECT": FatResult(9, "", "host", "the file was closed, or its volume was mounted anew meanwhile"),
    "WRITE_PROTECTED": FatResult(10, "", "device", "the medium is write protected"),
    "INVALID_DRIVE": FatResult(11, "", "host", "there is no drive of that number"),
    "NOT_ENABLED": FatResult(12, "", "host", "the volume was never mounted: no work area"),
    "NO_FILESYSTEM": FatResult(13, "file system", "", "no FAT volume was found where one was looked for"),
    "MKFS_ABORTED": FatResult(14, "", "", "formatting was given up"),
    "TIMEOUT": FatResult(15, "", "host", "the volume was in use by another task for too long"),
    "LOCKED": FatResult(16, "", "host", "the file is open elsewhere"),
    "NOT_ENOUGH_CORE": FatResult(17, "", "host", "no memory for long names"),
    "TOO_MANY_OPEN_FILES": FatResult(18, "", "host", "more files are open than the table holds"),
    "INVALID_PARAMETER": FatResult(19, "", "host", "a parameter of the call is not allowed"),
}  # fmt: skip
"""By name without the common prefix ``FR_``."""

_BY_NUMBER = {result.number: name for name, result in RESULTS.items()}


def name_of(number: int) -> str:
    """The name of a result code, "" for a number that is none."""
    return _BY_NUMBER.get(number, "")
