"""Multi-media commands that record: tracks, sessions, blank discs (MMC-5; from memory)."""

from __future__ import annotations

from sticktrace.grammar import mmc_data as data
from sticktrace.grammar.cdb import allocation, flags, number, parameters
from sticktrace.grammar.command import IN, NONE, OUT, Command
from sticktrace.grammar.layout import Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.mmc_parts import ALLOCATION, LIST, immediate, low, mmc, one, row

_BLANKING = {
    0: "whole disc", 1: "minimal", 2: "track", 3: "reserved track", 4: "track tail", 5: "unclose last session",
    6: "last session",
}  # fmt: skip
_BUFFER_CAPACITY = mmc(0x5C, "READ BUFFER CAPACITY", one("BLOCK", "answer in blocks"), reserved(5), allocation(2))
_SEND_OPC = mmc(
    0x54, "SEND OPC INFORMATION", one("DOOPC", "calibrate the power now"), reserved(5), parameters(2)
)  # fmt: skip
_CLOSE = mmc(
    0x5B, "CLOSE TRACK/SESSION",
    immediate(),
    low(3, "CLOSE FUNCTION", "what is closed", {0: "stop background format", 1: "track", 2: "session or border"}),
    reserved(1),
    number("LOGICAL TRACK NUMBER", 2, "which track"),
    reserved(3),
)  # fmt: skip
_BLANK = mmc(
    0xA1, "BLANK",
    bits(1, spare(3), part("IMMED", 1, "status comes before the work is done"), spare(1),
         part("BLANKING TYPE", 3, "what is erased", meaning=_BLANKING)),
    number("START ADDRESS/TRACK NUMBER", 4, "where to begin"),
    reserved(5),
)  # fmt: skip
_SET_STREAMING = mmc(
    0xB6, "SET STREAMING", reserved(7), number("TYPE", 1, "which data follows"), parameters(2)
)  # fmt: skip


_RESERVE_TRACK = mmc(
    0x53, "RESERVE TRACK",
    flags((1, "ARSV", "the size is an address to reserve up to"), (0, "RMZ", "the recording management area")),
    reserved(3),
    number("RESERVATION SIZE", 4, "blocks to reserve, or the last address"),
)  # fmt: skip

_SEND_CUE_SHEET = mmc(
    0x5D, "SEND CUE SHEET", reserved(5), number("CUE SHEET SIZE", 3, "bytes of the cue sheet sent"),
)  # fmt: skip

_CUE = "MMC-5, SEND CUE SHEET command"
CUE_SHEET = Layout(
    "cue sheet", _CUE,
    field(
        "cues",
        Series(Layout(
            "cue", _CUE,
            bits(1, part("CTL", 4, "kind of track; bit 2: data track"), part("ADR", 4, "1 position, 2 and 3 numbers")),
            number("TNO", 1, "track", meaning={0x00: "lead-in", 0xAA: "lead-out"}),
            number("INDEX", 1, "index in the track; 0 is the pause before it"),
            number("DATA FORM", 1, "form of the sectors sent"),
            number("SCMS", 1, "80h alternates the copy bit"),
            number("MIN", 1, "where it begins"), number("SEC", 1, "where it begins"),
            number("FRAME", 1, "where it begins"),
        )),
        "in the order of the disc",
    ),
)  # fmt: skip

_SEND_DISC_STRUCTURE = mmc(
    0xBF, "SEND DISC STRUCTURE",
    low(4, "MEDIA TYPE", "kind of disc", data.MEDIA_TYPES),
    reserved(5),
    number("FORMAT", 1, "which structure"),
    parameters(2),
    reserved(1),
)  # fmt: skip

COMMANDS: tuple[Command, ...] = (
    row(0x54, _SEND_OPC, OUT, length=LIST),
    row(0x5B, _CLOSE, NONE),
    row(0x5C, _BUFFER_CAPACITY, IN, answer=data.BUFFER_CAPACITY, length=ALLOCATION),
    row(0xA1, _BLANK, NONE, only_cd=True),
    row(0xB6, _SET_STREAMING, OUT, length=LIST),
    row(0x53, _RESERVE_TRACK, NONE),
    row(0x5D, _SEND_CUE_SHEET, OUT, sent=CUE_SHEET, length="CUE SHEET SIZE"),
    row(0xBF, _SEND_DISC_STRUCTURE, OUT, sent=data.DISC_STRUCTURE, length=LIST),
)
"""The commands of this module."""
