"""Assigned numbers of the SCSI command standards that are not tied to one command.

SCSI status (SAM-3 5.3.1), peripheral device types, qualifiers and versions (SPC-3 6.4.2, Tables 81 to 84; later
versions SPC-4 and SPC-5), and the length that an operation code implies (SPC-3 4.3.4.1, group codes).
"""

from __future__ import annotations

STATUS: dict[int, str] = {
    0x00: "GOOD",
    0x02: "CHECK CONDITION",
    0x04: "CONDITION MET",
    0x08: "BUSY",
    0x10: "INTERMEDIATE (obsolete)",
    0x14: "INTERMEDIATE-CONDITION MET (obsolete)",
    0x18: "RESERVATION CONFLICT",
    0x22: "COMMAND TERMINATED (obsolete)",
    0x28: "TASK SET FULL",
    0x30: "ACA ACTIVE",
    0x40: "TASK ABORTED",
}

DISK, CD_DVD, OPTICAL, RBC = 0x00, 0x05, 0x07, 0x0E

DEVICE_TYPES: dict[int, str] = {
    0x00: "direct access block device (disk)",
    0x01: "sequential access device (tape)",
    0x02: "printer",
    0x03: "processor",
    0x04: "write-once device",
    0x05: "CD/DVD device",
    0x06: "scanner (obsolete)",
    0x07: "optical memory device",
    0x08: "medium changer",
    0x09: "communications device (obsolete)",
    0x0C: "storage array controller",
    0x0D: "enclosure services device",
    0x0E: "simplified direct access device (RBC)",
    0x0F: "optical card reader/writer",
    0x11: "object-based storage device",
    0x12: "automation/drive interface",
    0x14: "host managed zoned block device",
    0x1E: "well known logical unit",
    0x1F: "unknown or no device type",
}

QUALIFIERS: dict[int, str] = {
    0: "a device of this type is connected to the logical unit, or the device cannot tell",
    1: "the logical unit could have a device of this type, but none is connected",
    3: "no device can be connected to this logical unit",
}

VERSIONS: dict[int, str] = {
    0x00: "claims no standard",
    0x01: "SCSI-1 (obsolete)",
    0x02: "SCSI-2 (obsolete)",
    0x03: "SPC",
    0x04: "SPC-2",
    0x05: "SPC-3",
    0x06: "SPC-4",
    0x07: "SPC-5",
}

_GROUP_LENGTHS = (6, 10, 10, None, 16, 12, None, None)

VARIABLE_LENGTH = 0x7F


def cdb_length(opcode: int) -> int | None:
    """The CDB length in bytes that the group code (bits 7-5) of an operation code fixes; None where it fixes none:
    variable length, reserved and vendor specific groups."""
    return _GROUP_LENGTHS[opcode >> 5]


def is_vendor_specific(opcode: int) -> bool:
    """Whether the operation code lies in a group left to the vendor (C0h to FFh)."""
    return opcode >= 0xC0
