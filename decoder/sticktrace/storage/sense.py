"""Sense data boiled down: what a host needs of it, in words, and what to do next (sense_advice.toml).

Formats: SPC-3 4.5, SAT-3 for ATA registers; `sticktrace.grammar.sense` lays out every byte.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import NamedTuple

from sticktrace.codes import asc as asc_codes
from sticktrace.codes import sense_keys

ATA_REPORT = (0x00, 0x1D)
"""ASC and ASCQ of the ATA registers that a host asked for with CK_COND (SAT-3): an answer, not an error."""

_UNIT_ATTENTION = 0x6


class AtaRegisters(NamedTuple):
    """What a bridge returned of the ATA registers: ERROR, STATUS, DEVICE, COUNT (``sectors``) and LBA, of which fixed
    format has 24 bits and descriptor format 48."""

    error: int
    status: int
    device: int
    sectors: int
    lba: int


@dataclass(slots=True)
class SenseFacts:
    """The parts of sense data that decide what a host does.

    ``deferred``: the error belongs to an earlier command. ``information`` is the INFORMATION field (for a disk the
    logical block address concerned), None unless marked valid. ``ili``: wrong length. ``progress`` is a fraction from
    0 to 1 of the operation that makes the unit not ready, or None. ``registers`` are those of an ATA command, or None.
    """

    response_code: int
    key: int
    asc: int
    ascq: int
    deferred: bool
    information: int | None = None
    ili: bool = False
    progress: float | None = None
    registers: AtaRegisters | None = None

    @property
    def words(self) -> str:
        """As `in_words` puts it, with a mark on a deferred error."""
        text = in_words(self.key, self.asc, self.ascq)
        return f"{text}, deferred from an earlier command" if self.deferred else text


def decode(data: bytes) -> SenseFacts | None:
    """Sense data as facts; None when it is too short to hold a sense key (4 bytes) or is not sense data.

    Bytes beyond the length that the data claims for itself do not count: ASC and ASCQ are then 0.
    """
    if len(data) < 4:
        return None
    code = data[0] & 0x7F
    if code in (0x70, 0x71):
        return _fixed(data, code)
    return _descriptor(data, code) if code in (0x72, 0x73) else None


def _fixed(data: bytes, code: int) -> SenseFacts:
    """Fixed format, SPC-3 4.5.3; with ATA registers in place of information, SAT-3."""
    data = data[: data[7] + 8] if len(data) > 7 else data
    held = data.ljust(18, b"\x00")
    key = held[2] & 0x0F
    registers = None
    if (held[12], held[13]) == ATA_REPORT:
        registers = AtaRegisters(held[3], held[4], held[5], held[6], int.from_bytes(held[9:12], "little"))
    valid = held[0] & 0x80 and len(data) >= 7 and registers is None
    return SenseFacts(
        code, key, held[12], held[13], code == 0x71, int.from_bytes(held[3:7], "big") if valid else None,
        bool(held[2] & 0x20), _progress(key, held[15:18]), registers,
    )  # fmt: skip


def _descriptor(data: bytes, code: int) -> SenseFacts:
    """Descriptor format, SPC-3 4.5.2; walks the descriptors that it needs."""
    found = SenseFacts(code, data[1] & 0x0F, data[2], data[3], code == 0x73)
    end, at = min(len(data), data[7] + 8) if len(data) > 7 else 0, 8
    while at + 2 <= end:
        _take(found, data[at], data[at + 2 : min(end, at + 2 + data[at + 1])])
        at += 2 + data[at + 1]
    return found


def _take(facts: SenseFacts, kind: int, body: bytes) -> None:
    """One sense data descriptor, without its two header bytes: information, key specific, block commands, ATA status
    return, direct-access block device."""
    if kind == 0x00 and len(body) >= 10 and body[0] & 0x80:
        facts.information = int.from_bytes(body[2:10], "big")
    elif kind == 0x02 and len(body) >= 5:
        facts.progress = _progress(facts.key, body[2:5])
    elif kind == 0x05 and len(body) >= 2:
        facts.ili = bool(body[1] & 0x20)
    elif kind == 0x09 and len(body) >= 12:
        lba = bytes(body[at] for at in (5, 7, 9, 4, 6, 8))
        facts.registers = AtaRegisters(
            body[1], body[11], body[10], body[2] << 8 | body[3], int.from_bytes(lba, "little")
        )
    elif kind == 0x0D and len(body) >= 14:
        facts.ili = bool(body[0] & 0x20)
        facts.progress = _progress(facts.key, body[2:5])
        facts.information = int.from_bytes(body[6:14], "big") if body[0] & 0x80 else None


def _progress(key: int, specific: bytes) -> float | None:
    """Progress indication of keys NO SENSE and NOT READY, in 65536ths (SPC-3 4.5.2.4.4)."""
    if key not in (0, 2) or not specific[0] & 0x80:
        return None
    return int.from_bytes(specific[1:3], "big") / 65536


def in_words(key: int, asc: int, ascq: int) -> str:
    """``NOT READY: MEDIUM NOT PRESENT (2/3A/00)``."""
    return f"{sense_keys.name(key)}: {asc_codes.meaning(asc, ascq)} ({key:X}/{asc:02X}/{ascq:02X})"


@cache
def _advice() -> dict[str, str]:
    table = tomllib.loads(Path(__file__).with_name("sense_advice.toml").read_text(encoding="utf-8"))
    return {codes: " ".join(text.split()) for codes, text in table.items()}


NOT_DONE = "The command itself was not carried out: send it again."
"""What a unit attention means for the command that met it (SAM-3 5.9.7), whatever its code warns of."""


def advice(key: int, asc: int, ascq: int) -> str:
    """What a host should do next, in a sentence or two; "" where nothing useful can be said."""
    table = _advice()
    for codes in (f"{asc:02X}/{ascq:02X}", f"{asc:02X}/*", "*/*"):
        if (own := f"{key:X}/{codes}") in table:
            return table[own]
        if (for_all := f"*/{codes}") in table:
            return f"{table[for_all]} {NOT_DONE}" if key == _UNIT_ATTENTION else table[for_all]
    return ""
