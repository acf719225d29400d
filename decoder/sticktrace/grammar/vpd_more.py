"""Further pages of vital product data: 86h Extended INQUIRY Data (SPC-4) and 89h ATA Information (SAT-3).

Positions from memory. `vpd` has the pages that most devices return, `block_vpd` those of block devices.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes

from sticktrace.grammar import ata, vpd
from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import RAW
from sticktrace.grammar.layout import Bounded, Layout, bits, field, part, reserved, spare

_EXTENDED = "SPC-4, Extended INQUIRY Data VPD page"
_ACTIVATION = {
    0: "not told", 1: "activated before the WRITE BUFFER that brings it ends", 2: "activated by a reset or later event",
}  # fmt: skip
_TYPES = {
    0: "type 1", 1: "types 1 and 2", 2: "type 2", 3: "types 1 and 3", 4: "type 3", 5: "types 2 and 3",
    7: "types 1, 2 and 3",
}  # fmt: skip


def _protection(value: int, _seen: Mapping[str, Any]) -> str:
    return f"if PROTECT of the INQUIRY data is 1: {_TYPES.get(value, 'reserved')}"


def _minutes(value: int, _seen: Mapping[str, Any]) -> str:
    return f"{value} minutes" if value else "not told"


EXTENDED_INQUIRY = Layout(
    "Extended INQUIRY Data VPD page", _EXTENDED,
    *vpd.header(0x86),
    bits(1, part("ACTIVATE MICROCODE", 2, "when downloaded microcode takes over", meaning=_ACTIVATION),
         part("SPT", 3, "types of protection information", meaning=_protection),
         part("GRD_CHK", 1, "checks the guard field"), part("APP_CHK", 1, "checks the application tag"),
         part("REF_CHK", 1, "checks the reference tag")),
    flags((5, "UASK_SUP", "unit attentions can tell what they concern"), (4, "GROUP_SUP", "grouping is supported"),
          (3, "PRIOR_SUP", "task priority is supported"), (2, "HEADSUP", "head of queue is supported"),
          (1, "ORDSUP", "ordered tasks are supported"), (0, "SIMPSUP", "simple tasks are supported")),
    flags((3, "WU_SUP", "write uncorrectable is supported"), (2, "CRD_SUP", "correction can be disabled"),
          (1, "NV_SUP", "has a non-volatile cache"), (0, "V_SUP", "has a volatile cache")),
    flags((4, "P_I_I_SUP", "protection information intervals are supported"),
          (0, "LUICLR", "unit attentions are cleared for this initiator alone")),
    flags((4, "R_SUP", "referrals are supported"), (0, "CBCS", "capability based command security is supported")),
    bits(1, spare(4), part("MULTI I_T NEXUS MICROCODE DOWNLOAD", 4, "how downloads by several hosts are handled")),
    number("EXTENDED SELF-TEST COMPLETION MINUTES", 2, "how long an extended self-test takes", meaning=_minutes),
    flags((7, "POA_SUP", "power on activation of microcode"), (6, "HRA_SUP", "hard reset activation of microcode"),
          (5, "VSA_SUP", "vendor specific activation of microcode")),
    number("MAXIMUM SUPPORTED SENSE DATA LENGTH", 1, "bytes", meaning={0: "not told"}),
    field("From byte 14", Bounded(lambda c: c["PAGE LENGTH"] - 10, RAW), "reserved in SPC-4"),
)  # fmt: skip

_ATA = "SAT-3, ATA Information VPD page"
_TRANSPORTS = {0x00: "parallel ATA", 0x34: "serial ATA"}
_KINDS = {0xEC: "IDENTIFY DEVICE", 0xA1: "IDENTIFY PACKET DEVICE"}

ATA_SIGNATURE = Layout(
    "ATA device signature", _ATA,
    number("TRANSPORT IDENTIFIER", 1, "how the device is wired to the bridge", meaning=_TRANSPORTS),
    bits(1, spare(1), part("INTERRUPT", 1, "interrupt bit"), spare(2), part("PM PORT", 4, "port of a multiplier")),
    *(
        number(name, 1, f"ATA register {name} after reset")
        for name in (
            "STATUS", "ERROR", "LBA (7:0)", "LBA (15:8)", "LBA (23:16)", "DEVICE", "LBA (31:24)", "LBA (39:32)",
            "LBA (47:40)",
        )
    ),
    reserved(1), number("COUNT (7:0)", 1, "ATA register COUNT after reset"),
    number("COUNT (15:8)", 1, "ATA register COUNT after reset, high byte"), reserved(6),
)  # fmt: skip

ATA_INFORMATION = Layout(
    "ATA Information VPD page", _ATA,
    *vpd.header(0x89),
    reserved(4),
    field("SAT VENDOR IDENTIFICATION", Bytes(8), "who made the bridge", meaning=vpd.text_of),
    field("SAT PRODUCT IDENTIFICATION", Bytes(16), "the bridge", meaning=vpd.text_of),
    field("SAT PRODUCT REVISION LEVEL", Bytes(4), "its revision", meaning=vpd.text_of),
    field("ATA DEVICE SIGNATURE", ATA_SIGNATURE, "what the registers held after reset"),
    number("COMMAND CODE", 1, "where the data below is from", meaning=_KINDS),
    reserved(3),
    field("IDENTIFY data", ata.IDENTIFY_DEVICE, "of the drive behind the bridge, as if asked itself"),
)  # fmt: skip

MORE_VPD_PAGES: dict[int, Layout] = {0x86: EXTENDED_INQUIRY, 0x89: ATA_INFORMATION}
"""These pages by PAGE CODE, header included."""
