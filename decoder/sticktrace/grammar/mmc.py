"""Multi-media commands that hosts send to CD and DVD units, and to sticks with a virtual CD (MMC-5; from memory).

Commands that play are in `mmc_audio`, those that record in `mmc_record`. A row is limited to peripheral device type 05h
where another standard gives the opcode another meaning (42h READ SUB-CHANNEL, A1h BLANK, A3h SEND KEY, A4h REPORT KEY).
The answers are laid out in `mmc_data`, `mmc_toc` and `mmc_features`. Clauses name the command or table by its title.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct

from sticktrace.codes.mmc import FEATURES
from sticktrace.grammar import mmc_data as data
from sticktrace.grammar import mmc_features
from sticktrace.grammar.cdb import address, allocation, cdb, flags, number, parameters
from sticktrace.grammar.command import IN, NO_DATA, NONE, OUT, Command, DataPhase, Values
from sticktrace.grammar.layout import Bits, Layout, bits, part, reserved, spare
from sticktrace.grammar.mmc_parts import ALLOCATION, LBA, LIST, START, immediate, low, mmc, msf, one, row, time
from sticktrace.grammar.mmc_toc import TOC_FORMS

_SECTOR_TYPES = {0: "any", 1: "CD-DA", 2: "mode 1", 3: "mode 2", 4: "mode 2 form 1", 5: "mode 2 form 2"}
_TOC_FORMATS = {0: "TOC", 1: "session information", 2: "full TOC", 3: "PMA", 4: "ATIP", 5: "CD-TEXT"}
_REQUESTS = {0: "all features", 1: "current features", 2: "one feature"}


_READ_TOC = cdb(
    0x43, "READ TOC/PMA/ATIP", "MMC-5, READ TOC/PMA/ATIP command",
    msf(),
    low(4, "FORMAT", "which table", _TOC_FORMATS),
    reserved(3),
    number("TRACK/SESSION NUMBER", 1, "first one wanted; AAh for the lead-out"),
    allocation(2),
    bits(1, part("FORMAT (SFF-8020)", 2, "where FORMAT stood before MMC; today vendor bits of CONTROL"),
         part("CONTROL", 6, "NACA bit 2", "SAM-5, CONTROL byte")),
    control=False,
)  # fmt: skip

_GET_CONFIGURATION = mmc(
    0x46, "GET CONFIGURATION",
    low(2, "RT", "which features", _REQUESTS),
    number("STARTING FEATURE NUMBER", 2, "first feature wanted", meaning=FEATURES),
    reserved(3),
    allocation(2),
)  # fmt: skip

_GET_EVENT = mmc(
    0x4A, "GET EVENT STATUS NOTIFICATION",
    one("POLLED", "answer at once, do not wait for an event"),
    reserved(2),
    flags(
        (6, "DEVICE BUSY", "these events are wanted"), (5, "MULTI-HOST", "these events are wanted"),
        (4, "MEDIA", "these events are wanted"), (3, "EXTERNAL REQUEST", "these events are wanted"),
        (2, "POWER MANAGEMENT", "these events are wanted"), (1, "OPERATIONAL CHANGE", "these events are wanted"),
    ),
    reserved(2),
    allocation(2),
)  # fmt: skip

_DISC_KINDS = {0: "standard disc information", 1: "track resources", 2: "POW resources"}
_READ_DISC_INFORMATION = mmc(
    0x51, "READ DISC INFORMATION", low(3, "DATA TYPE", "which information", _DISC_KINDS), reserved(5), allocation(2)
)

_ADDRESS_KINDS = {0: LBA, 1: "track number", 2: "session number"}
_READ_TRACK_INFORMATION = mmc(
    0x52, "READ TRACK INFORMATION",
    bits(1, spare(5), part("OPEN", 1, "first open track"),
         part("ADDRESS/NUMBER TYPE", 2, "what the next field is", meaning=_ADDRESS_KINDS)),
    number("LOGICAL BLOCK ADDRESS/TRACK/SESSION NUMBER", 4, "which track"),
    reserved(1),
    allocation(2),
)  # fmt: skip


def _sector_byte() -> Bits:
    return bits(
        1, spare(3), part("EXPECTED SECTOR TYPE", 3, "other sectors are an error", meaning=_SECTOR_TYPES),
        part("DAP", 1, "conceal errors of audio"), spare(1),
    )  # fmt: skip


def _selection() -> tuple[Construct, ...]:
    return (
        bits(
            1, part("SYNC", 1, "sync bytes wanted"),
            part("HEADER CODES", 2, "headers wanted", meaning={0: "none", 1: "header", 2: "sub-header", 3: "both"}),
            part("USER DATA", 1, "user data wanted"), part("EDC & ECC", 1, "check bytes wanted"),
            part("C2 ERROR INFORMATION", 2, "error pointers wanted"), spare(1),
        ),
        low(3, "SUB-CHANNEL SELECTION", "sub-channel data wanted", {0: "none", 1: "raw P-W", 2: "Q", 4: "R-W"}),
    )  # fmt: skip


_READ_CD = mmc(
    0xBE, "READ CD", _sector_byte(), address(4, START),
    number("TRANSFER LENGTH", 3, "blocks to read"), *_selection(),
)  # fmt: skip
_READ_CD_MSF = mmc(0xB9, "READ CD MSF", _sector_byte(), reserved(1), *time("STARTING"), *time("ENDING"), *_selection())

_READ_HEADER = cdb(0x44, "READ HEADER", "MMC-2, READ HEADER command", msf(), address(4), reserved(1), allocation(2))

_MECHANISM_STATUS = mmc(0xBD, "MECHANISM STATUS", reserved(7), allocation(2), reserved(1))

_READ_DISC_STRUCTURE = mmc(
    0xAD, "READ DISC STRUCTURE",
    low(4, "MEDIA TYPE", "kind of disc", data.MEDIA_TYPES),
    number("ADDRESS", 4, "set by the format"),
    number("LAYER NUMBER", 1, "which layer"),
    number("FORMAT", 1, "which structure", meaning=data.DVD_FORMATS),
    allocation(2),
    bits(1, part("AGID", 2, "authentication grant"), spare(6)),
)  # fmt: skip

_SET_CD_SPEED = mmc(
    0xBB, "SET CD SPEED",
    low(2, "ROTATIONAL CONTROL", "how the disc turns", {0: "CLV or as the drive likes", 1: "CAV"}),
    number("LOGICAL UNIT READ SPEED", 2, "1000 bytes per second", meaning={0xFFFF: "as fast as it can"}),
    number("LOGICAL UNIT WRITE SPEED", 2, "1000 bytes per second", meaning={0xFFFF: "as fast as it can"}),
    reserved(5),
)  # fmt: skip

_LOAD_UNLOAD = mmc(
    0xA6, "LOAD/UNLOAD MEDIUM",
    immediate(),
    reserved(2),
    bits(1, spare(6), part("LOUNLO", 1, "load or unload"),
         part("START", 1, "which way", meaning={0: "unload, with LOUNLO", 1: "load, with LOUNLO"})),
    reserved(3),
    number("SLOT", 1, "which slot of the changer"),
    reserved(2),
)  # fmt: skip

_PERFORMANCE = {0: "performance", 1: "unusable area", 2: "defect status", 3: "write speed"}
_GET_PERFORMANCE = mmc(
    0xAC, "GET PERFORMANCE",
    low(5, "DATA TYPE", "set by TYPE"),
    address(4, "STARTING LBA"),
    reserved(2),
    number("MAXIMUM NUMBER OF DESCRIPTORS", 2, "at most this many are wanted back"),
    number("TYPE", 1, "which data", meaning=_PERFORMANCE),
)  # fmt: skip
_SET_READ_AHEAD = mmc(
    0xA7, "SET READ AHEAD", reserved(1), address(4, "TRIGGER LOGICAL BLOCK ADDRESS"),
    address(4, "READ-AHEAD LOGICAL BLOCK ADDRESS"), reserved(1),
)  # fmt: skip


def _key(opcode: int, name: str, fill: Construct, length: Construct) -> Layout:
    return mmc(
        opcode, name, fill, number("KEY CLASS", 1, "which protection scheme"), length,
        bits(1, part("AGID", 2, "authentication grant"), part("KEY FORMAT", 6, "which key")),
    )  # fmt: skip


_REPORT_KEY = _key(0xA4, "REPORT KEY", reserved(6), allocation(2))
_SEND_KEY = _key(0xA3, "SEND KEY", reserved(6), parameters(2))


def _cd_sectors(values: Values) -> DataPhase:
    """READ CD: how long a sector is goes by its type and by what of it is wanted; 0 sectors move nothing."""
    return DataPhase(IN, bytes=None) if values["TRANSFER LENGTH"] else NO_DATA


def _toc(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    # Hosts that ask in the way of SFF-8020 leave FORMAT zero and set the bits that stood for it there.
    form = int(values.get("FORMAT", 0)) or int(values.get("FORMAT (SFF-8020)", 0))
    return TOC_FORMS.get((form, int(values.get("MSF", 0))))


def _header(values: Mapping[str, Any], _data: bytes) -> Layout:
    return data.HEADERS[int(values.get("MSF", 0))]


def _disc(values: Mapping[str, Any], _data: bytes) -> Layout | None:
    return None if values.get("DATA TYPE") else data.DISC_INFORMATION


def _dvd(values: Mapping[str, Any], _data: bytes) -> Layout:
    plain = values.get("MEDIA TYPE", 0) == 0 and values.get("FORMAT") == 0
    return data.DVD_PHYSICAL if plain else data.DISC_STRUCTURE


COMMANDS: tuple[Command, ...] = (
    row(0x43, _READ_TOC, IN, answer=_toc, length=ALLOCATION),
    row(0x44, _READ_HEADER, IN, answer=_header, lba=LBA, length=ALLOCATION),
    row(0x46, _GET_CONFIGURATION, IN, answer=mmc_features.CONFIGURATION, length=ALLOCATION),
    row(0x4A, _GET_EVENT, IN, answer=data.event_data, length=ALLOCATION),
    row(0x51, _READ_DISC_INFORMATION, IN, answer=_disc, length=ALLOCATION),
    row(0x52, _READ_TRACK_INFORMATION, IN, answer=data.TRACK_INFORMATION, length=ALLOCATION),
    row(0xA3, _SEND_KEY, OUT, length=LIST, only_cd=True),
    row(0xA4, _REPORT_KEY, IN, length=ALLOCATION, only_cd=True),
    row(0xA6, _LOAD_UNLOAD, NONE),
    row(0xA7, _SET_READ_AHEAD, NONE),
    row(0xAC, _GET_PERFORMANCE, IN),
    row(0xAD, _READ_DISC_STRUCTURE, IN, answer=_dvd, length=ALLOCATION),
    row(0xB9, _READ_CD_MSF, IN),
    row(0xBB, _SET_CD_SPEED, NONE),
    row(0xBD, _MECHANISM_STATUS, IN, answer=data.MECHANISM_STATUS, length=ALLOCATION),
    row(0xBE, _READ_CD, _cd_sectors, lba=START, blocks="TRANSFER LENGTH"),
)
"""The commands of this module."""
