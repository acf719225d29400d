"""What sense data descriptors hold after their two header bytes (SPC-3 4.5.2, SPC-4, SBC-3, SAT-2, OSD-2).

Descriptors 06h, 0Bh and 0Dh are from memory.
"""

from __future__ import annotations

from construct import Int8ub, Int16ub, Int64ub

from sticktrace.codes import sense_keys
from sticktrace.grammar.cdb import number
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.sat_sense import ATA_STATUS
from sticktrace.grammar.sense_parts import key_specific, progress
from sticktrace.grammar.target_ports import ACCESS_STATES

_EIGHT = "SPC-3 4.5.2.2"

INFORMATION = Layout(
    "Information", "SPC-3 4.5.2.2",
    bits(1, part("VALID", 1, "whether INFORMATION holds what the command defines", _EIGHT), spare(7)),
    reserved(1),
    field("INFORMATION", Int64ub, "for a disk, the logical block address concerned", _EIGHT),
)  # fmt: skip

COMMAND_SPECIFIC = Layout(
    "Command specific information", "SPC-3 4.5.2.3",
    reserved(2),
    field("COMMAND-SPECIFIC INFORMATION", Int64ub, "depends on the command", "SPC-3 4.5.2.3"),
)  # fmt: skip

SENSE_KEY_SPECIFIC = Layout(
    "Sense key specific", "SPC-3 4.5.2.4",
    reserved(2),
    key_specific(),
    reserved(1),
)  # fmt: skip

REPLACEABLE_UNIT = Layout(
    "Field replaceable unit", "SPC-3 4.5.2.5",
    reserved(1),
    field("FIELD REPLACEABLE UNIT CODE", Int8ub, "the part that failed, numbered by the vendor", "SPC-3 4.5.2.5"),
)  # fmt: skip

STREAM = Layout(
    "Stream commands", "SSC-3, stream commands sense data descriptor",
    reserved(1),
    bits(1, part("FILEMARK", 1, "a filemark was met"), part("EOM", 1, "end of medium was met"),
         part("ILI", 1, "the length asked for does not match the block"), spare(5)),
)  # fmt: skip

BLOCK = Layout(
    "Block commands", "SBC-3, block commands sense data descriptor",
    reserved(1),
    bits(1, spare(2), part("ILI", 1, "the length asked for does not match the block on the medium"), spare(5)),
)  # fmt: skip

ANOTHER_PROGRESS = Layout(
    "Another progress indication", "SPC-4 4.5.2.6",
    field("ANOTHER SENSE KEY", Int8ub, "sense key of the other operation", "SPC-4 4.5.2.6", meaning=sense_keys.NAMES),
    field("ANOTHER ADDITIONAL SENSE CODE", Int8ub, "its additional sense code", "SPC-4 4.5.2.6"),
    field("ANOTHER ADDITIONAL SENSE CODE QUALIFIER", Int8ub, "its qualifier", "SPC-4 4.5.2.6"),
    reserved(1),
    field("ANOTHER PROGRESS INDICATION", Int16ub, "part of it done, in 65536ths", "SPC-4 4.5.2.6", meaning=progress),
)  # fmt: skip

_OSD = "OSD-2, OSD error identification sense data descriptor"

OBJECT_IDENTIFICATION = Layout(
    "OSD error identification", _OSD,
    reserved(6),
    number("NOT INITIATED COMMAND FUNCTIONS", 4, "what was not begun, a bit each", _OSD),
    number("COMPLETED COMMAND FUNCTIONS", 4, "what was done, a bit each", _OSD),
    number("PARTITION_ID", 8, "the partition concerned", _OSD),
    number("OBJECT_ID", 8, "the object concerned", _OSD),
)  # fmt: skip

_REFERRAL = "SBC-3, user data segment referral sense data descriptor"

_PORT_GROUP = Layout(
    "target port group descriptor", _REFERRAL,
    bits(1, spare(4), part("ASYMMETRIC ACCESS STATE", 4, "how well this way leads there", meaning=ACCESS_STATES)),
    reserved(1),
    number("TARGET PORT GROUP", 2, "which group of ports"),
)  # fmt: skip

_SEGMENT = Layout(
    "user data segment referral", _REFERRAL,
    reserved(3),
    number("NUMBER OF TARGET PORT GROUP DESCRIPTORS", 1, "groups that follow"),
    number("FIRST USER DATA SEGMENT LBA", 8, "first block of the segment"),
    number("LAST USER DATA SEGMENT LBA", 8, "last block of the segment"),
    field("target port groups",
          Bounded(lambda c: 4 * c["NUMBER OF TARGET PORT GROUP DESCRIPTORS"], Series(_PORT_GROUP)),
          "through which it can be reached"),
)  # fmt: skip

REFERRAL = Layout(
    "User data segment referral", _REFERRAL,
    bits(1, spare(7), part("NOT_ALL_R", 1, "there are more referrals than fit here")),
    reserved(1),
    field("referrals", Series(_SEGMENT), "where blocks can be had"),
)  # fmt: skip

_DIRECT = "SBC-3, direct-access block device sense data descriptor"

DIRECT_ACCESS = Layout(
    "Direct-access block device", _DIRECT,
    bits(1, part("VALID", 1, "whether INFORMATION holds what the command defines", _DIRECT), spare(1),
         part("ILI", 1, "the length asked for does not match the block on the medium", _DIRECT), spare(5)),
    reserved(1),
    key_specific(),
    number("FIELD REPLACEABLE UNIT CODE", 1, "the part that failed, numbered by the vendor", _DIRECT),
    number("INFORMATION", 8, "the logical block address concerned, if VALID", _DIRECT),
    number("COMMAND-SPECIFIC INFORMATION", 8, "depends on the command", _DIRECT),
)  # fmt: skip

BODIES: dict[int, Layout] = {
    0x00: INFORMATION, 0x01: COMMAND_SPECIFIC, 0x02: SENSE_KEY_SPECIFIC, 0x03: REPLACEABLE_UNIT, 0x04: STREAM,
    0x05: BLOCK, 0x06: OBJECT_IDENTIFICATION, 0x09: ATA_STATUS, 0x0A: ANOTHER_PROGRESS, 0x0B: REFERRAL,
    0x0D: DIRECT_ACCESS,
}  # fmt: skip
"""By DESCRIPTOR TYPE. `sense` adds 0Ch, which holds sense data again."""
