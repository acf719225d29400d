"""GET CONFIGURATION data: profiles and features of a multi-media unit (MMC-5).

Features 0003h, 0020h and 0028h agree with the structures of Linux's cdrom.h; clauses name the table by its title.
"""

from __future__ import annotations

from typing import Any

from construct import Construct, Container

from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.text import field_text

PROFILES = {
    0x0000: "none",
    0x0001: "non-removable disk",
    0x0002: "removable disk",
    0x0003: "magneto-optical erasable",
    0x0004: "optical write once",
    0x0005: "AS-MO",
    0x0008: "CD-ROM",
    0x0009: "CD-R",
    0x000A: "CD-RW",
    0x0010: "DVD-ROM",
    0x0011: "DVD-R sequential",
    0x0012: "DVD-RAM",
    0x0013: "DVD-RW restricted overwrite",
    0x0014: "DVD-RW sequential",
    0x0015: "DVD-R dual layer sequential",
    0x0016: "DVD-R dual layer jump",
    0x001A: "DVD+RW",
    0x001B: "DVD+R",
    0x002A: "DVD+RW dual layer",
    0x002B: "DVD+R dual layer",
    0x0040: "BD-ROM",
    0x0041: "BD-R sequential",
    0x0042: "BD-R random",
    0x0043: "BD-RE",
    0x0050: "HD DVD-ROM",
    0x0051: "HD DVD-R",
    0x0052: "HD DVD-RAM",
}
"""Profile numbers (MMC-5, profile list)."""

FEATURES = {
    0x0000: "Profile List",
    0x0001: "Core",
    0x0002: "Morphing",
    0x0003: "Removable Medium",
    0x0004: "Write Protect",
    0x0010: "Random Readable",
    0x001D: "Multi-Read",
    0x001E: "CD Read",
    0x001F: "DVD Read",
    0x0020: "Random Writable",
    0x0021: "Incremental Streaming Writable",
    0x0022: "Sector Erasable",
    0x0023: "Formattable",
    0x0024: "Hardware Defect Management",
    0x0025: "Write Once",
    0x0026: "Restricted Overwrite",
    0x0027: "CD-RW CAV Write",
    0x0028: "MRW",
    0x002A: "DVD+RW",
    0x002B: "DVD+R",
    0x002D: "CD Track at Once",
    0x002E: "CD Mastering",
    0x002F: "DVD-R/-RW Write",
    0x0040: "BD Read",
    0x0041: "BD Write",
    0x0100: "Power Management",
    0x0103: "CD Audio External Play",
    0x0104: "Microcode Upgrade",
    0x0105: "Timeout",
    0x0106: "DVD CSS",
    0x0107: "Real Time Streaming",
    0x0108: "Drive Serial Number",
    0x010A: "Disc Control Blocks",
    0x010B: "DVD CPRM",
}
"""Feature codes (MMC-5, feature list)."""

_FEATURE = "MMC-5, feature descriptors"

_PROFILE = Layout(
    "profile descriptor", _FEATURE,
    number("PROFILE NUMBER", 2, "which profile", meaning=PROFILES),
    flags((0, "CURRENTP", "in force now")),
    reserved(1),
)  # fmt: skip


def _feature(code: int, *fields: Construct) -> Layout:
    return Layout(f"{FEATURES[code]} feature", _FEATURE, *fields)


_INTERFACES = {
    1: "SCSI family", 2: "ATAPI", 3: "IEEE 1394-1995", 4: "IEEE 1394a", 5: "Fibre Channel", 6: "IEEE 1394b",
    7: "serial ATAPI", 8: "USB", 0xFFFF: "vendor unique",
}  # fmt: skip
_MECHANISMS = {0: "caddy", 1: "tray", 2: "pop-up", 4: "changer with single discs", 5: "changer with magazine"}

FEATURE_BODIES: dict[tuple[int, int], Construct] = {
    (0x0001, 4): _feature(0x0001, number("PHYSICAL INTERFACE STANDARD", 4, "how it is wired", meaning=_INTERFACES)),
    (0x0001, 8): _feature(
        0x0001,
        number("PHYSICAL INTERFACE STANDARD", 4, "how it is wired", meaning=_INTERFACES),
        flags((1, "INQ2", "INQUIRY with vital product data"), (0, "DBE", "device busy events")),
        reserved(3),
    ),
    (0x0002, 4): _feature(
        0x0002, flags((1, "OCEVENT", "reports operational changes"), (0, "ASYNC", "can answer unpolled")), reserved(3)
    ),
    (0x0003, 4): _feature(
        0x0003,
        bits(
            1, part("LOADING MECHANISM TYPE", 3, "how a disc is put in", meaning=_MECHANISMS),
            part("LOAD", 1, "loads on command"), part("EJECT", 1, "ejects on command"),
            part("PVNT JMPR", 1, "not locked after power on"), part("DBML", 1, "depends on the medium"),
            part("LOCK", 1, "can be locked"),
        ),
        reserved(3),
    ),
    (0x0010, 8): _feature(
        0x0010,
        number("LOGICAL BLOCK SIZE", 4, "bytes"),
        number("BLOCKING", 2, "blocks that are read together"),
        flags((0, "PP", "has the error recovery page")),
        reserved(1),
    ),
    (0x0020, 12): _feature(
        0x0020,
        number("LAST LOGICAL BLOCK ADDRESS", 4, "last block that can be written"),
        number("LOGICAL BLOCK SIZE", 4, "bytes"),
        number("BLOCKING", 2, "blocks that are written together"),
        flags((0, "PP", "has the error recovery page")),
        reserved(1),
    ),
    (0x0028, 4): _feature(0x0028, flags((0, "WRITE", "can write MRW")), reserved(3)),
}  # fmt: skip
"""What follows the feature header, by (FEATURE CODE, ADDITIONAL LENGTH); other features stay raw."""

_SERIAL = _feature(
    0x0108, field("SERIAL NUMBER", RAW, "ASCII", _FEATURE, meaning=lambda value, _: f'"{field_text(value)}"')
)  # fmt: skip


def _feature_body(values: Container, _coming: Any) -> Construct:
    code, size = values["FEATURE CODE"], values["ADDITIONAL LENGTH"]
    if code == 0:
        return Series(_PROFILE)
    return _SERIAL if code == 0x0108 else FEATURE_BODIES.get((code, size), RAW)


FEATURE_DESCRIPTOR = Layout(
    "feature descriptor", _FEATURE,
    number("FEATURE CODE", 2, "which feature", meaning=FEATURES),
    bits(1, spare(2), part("VERSION", 4, "of the feature"), part("PERSISTENT", 1, "always in force"),
         part("CURRENT", 1, "in force now")),
    number("ADDITIONAL LENGTH", 1, "bytes that follow this field"),
    field("feature", Bounded(lambda c: c["ADDITIONAL LENGTH"], Choice(_feature_body)), "set by the feature"),
)  # fmt: skip

CONFIGURATION = Layout(
    "GET CONFIGURATION data", "MMC-5, GET CONFIGURATION command",
    number("DATA LENGTH", 4, "bytes that follow this field"),
    reserved(2),
    number("CURRENT PROFILE", 2, "what is in the drive", meaning=PROFILES),
    field("features", Bounded(lambda c: c["DATA LENGTH"] - 4, Series(FEATURE_DESCRIPTOR)), "in ascending order"),
)  # fmt: skip
