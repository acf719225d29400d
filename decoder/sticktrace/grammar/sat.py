"""ATA commands inside SCSI commands (SAT-3): ATA PASS-THROUGH(12) and (16), as bridges understand them.

What the ATA command is and returns stands in `ata`; here are the CDBs that carry it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Int8ub

from sticktrace.grammar import ata
from sticktrace.grammar.cdb import cdb
from sticktrace.grammar.command import IN, NO_DATA, OUT, Command, DataPhase, Values
from sticktrace.grammar.layout import Bits, Field, Layout, Part, bits, field, part, reserved, spare

SAT = "SAT-3, ATA PASS-THROUGH"

PROTOCOLS = {
    0: "hard reset",
    1: "software reset",
    3: "non-data",
    4: "PIO data-in",
    5: "PIO data-out",
    6: "DMA",
    7: "DMA queued",
    8: "device diagnostic",
    9: "device reset",
    10: "UDMA data-in",
    11: "UDMA data-out",
    12: "FPDMA",
    15: "return response information",
}
"""PROTOCOL values (SAT-3, ATA PASS-THROUGH (16) command)."""

_LENGTHS = {0: "no data", 1: "in the FEATURES field", 2: "in the COUNT field", 3: "set by the transport"}


def _protocol(last: Part) -> Bits:
    return bits(
        1,
        part("MULTIPLE_COUNT", 3, "sectors per block of a multiple command, as a power of two", SAT),
        part("PROTOCOL", 4, "how the data moves", SAT, meaning=PROTOCOLS),
        last,
    )


def _transfer() -> Bits:
    return bits(
        1,
        part("OFF_LINE", 2, "how long the bus may be busy", SAT),
        part("CK_COND", 1, "end with sense that holds the ATA registers", SAT),
        part("T_TYPE", 1, "size of a block", SAT, meaning={0: "512 bytes", 1: "logical sector"}),
        part("T_DIR", 1, "direction of the data", SAT, meaning={0: "to the device", 1: "from the device"}),
        part("BYT_BLOK", 1, "what the length counts", SAT, meaning={0: "bytes", 1: "blocks"}),
        part("T_LENGTH", 2, "where the length stands", SAT, meaning=_LENGTHS),
    )


def _byte(name: str, meaning: Any = None) -> Field:
    return field(name, Int8ub, "ATA register", SAT, meaning=meaning)


def _command(value: int, seen: Mapping[str, Any]) -> str:
    return ata.command_name(value, int(seen.get("FEATURES (7:0)", 0)))


def _layout(opcode: int, name: str, *fields: Construct) -> Layout:
    return cdb(opcode, name, f"{SAT} command", *fields)


_ATA_16 = _layout(
    0x85,
    "ATA PASS-THROUGH(16)",
    _protocol(part("EXTEND", 1, "48-bit command: the high bytes count", SAT)),
    _transfer(),
    _byte("FEATURES (15:8)"),
    _byte("FEATURES (7:0)"),
    _byte("COUNT (15:8)"),
    _byte("COUNT (7:0)"),
    _byte("LBA (31:24)"),
    _byte("LBA (7:0)"),
    _byte("LBA (39:32)"),
    _byte("LBA (15:8)"),
    _byte("LBA (47:40)"),
    _byte("LBA (23:16)"),
    _byte("DEVICE"),
    _byte("COMMAND", _command),
)

_ATA_12 = _layout(
    0xA1,
    "ATA PASS-THROUGH(12)",
    _protocol(spare(1)),
    _transfer(),
    _byte("FEATURES (7:0)"),
    _byte("COUNT (7:0)"),
    _byte("LBA (7:0)"),
    _byte("LBA (15:8)"),
    _byte("LBA (23:16)"),
    _byte("DEVICE"),
    _byte("COMMAND", _command),
    reserved(1),
)


def ata_command(values: Mapping[str, Any]) -> str:
    """The name of the ATA command in the values of a pass-through CDB, "" for an unknown one."""
    return _command(int(values.get("COMMAND", 0)), values)


def ata_lba(values: Mapping[str, Any]) -> int:
    """The LBA of a pass-through CDB: 48 bits where EXTEND is 1, else 28 with the top four in DEVICE."""
    low = sum(int(values.get(f"LBA ({8 * i + 7}:{8 * i})", 0)) << 8 * i for i in range(3))
    if values.get("EXTEND"):
        return low | sum(int(values.get(f"LBA ({8 * i + 7}:{8 * i})", 0)) << 8 * i for i in range(3, 6))
    return low | (int(values.get("DEVICE", 0)) & 0x0F) << 24


def ata_data_length(values: Mapping[str, Any]) -> int | None:
    """Bytes of the data phase of a pass-through CDB (SAT-3, T_LENGTH, BYT_BLOK and T_TYPE fields); None where the CDB
    does not tell: blocks of the device's own size, or a length that the transport sets."""
    kind = values.get("T_LENGTH", 0)
    if kind == 0:
        return 0
    if kind == 3:
        return None
    name = "FEATURES" if kind == 1 else "COUNT"
    length = int(values[f"{name} (7:0)"])
    if values.get("EXTEND"):
        length |= int(values[f"{name} (15:8)"]) << 8
    if not values.get("BYT_BLOK"):
        return length
    return None if values.get("T_TYPE") and length else 512 * length


def ata_data(values: Values) -> DataPhase:
    """The data phase of a pass-through CDB, by T_LENGTH and T_DIR."""
    length = ata_data_length(values)
    return NO_DATA if length == 0 else DataPhase(IN if values["T_DIR"] else OUT, bytes=length)


def ata_data_in(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    """The layout of what the ATA command returns, None where none is known here."""
    code, features = values.get("COMMAND"), values.get("FEATURES (7:0)")
    if code in (0xEC, 0xA1):
        return ata.IDENTIFY_DEVICE
    if code == 0xB0:
        return {0xD0: ata.SMART_DATA, 0xD1: ata.SMART_THRESHOLDS}.get(int(features or 0))
    return None


def ata_data_out(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    """The layout of what is sent with the ATA command, None where none is known here."""
    return ata.TRIM_RANGES if values.get("COMMAND") == 0x06 else None


COMMANDS: tuple[Command, ...] = (
    Command(
        0x85, "ATA PASS-THROUGH(16)", _ATA_16, _ATA_16.clause, direction=ata_data, data_in=ata_data_in,
        data_out=ata_data_out,
    ),
    Command(
        0xA1, "ATA PASS-THROUGH(12)", _ATA_12, _ATA_12.clause, direction=ata_data, data_in=ata_data_in,
        data_out=ata_data_out,
    ),
)  # fmt: skip
"""The commands of this module; A1h is BLANK on an MMC device."""
