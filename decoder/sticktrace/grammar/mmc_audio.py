"""Multi-media commands that play audio discs, and READ SUB-CHANNEL (MMC-3, the last edition with them; from memory)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sticktrace.grammar import mmc_data as data
from sticktrace.grammar.cdb import address, allocation, number
from sticktrace.grammar.command import IN, NONE, Command
from sticktrace.grammar.layout import Layout, bits, part, reserved, spare
from sticktrace.grammar.mmc_parts import ALLOCATION, START, low, mmc, msf, one, row, time

_MMC_3 = "MMC-3"
_SUB_LISTS = {1: "current position", 2: "media catalog number", 3: "ISRC"}
_READ_SUB_CHANNEL = mmc(
    0x42, "READ SUB-CHANNEL",
    msf(),
    one("SUBQ", "sub-channel data wanted, not only the audio status", 6),
    number("SUB-CHANNEL DATA FORMAT", 1, "which data", meaning=_SUB_LISTS),
    reserved(2),
    number("TRACK NUMBER", 1, "for ISRC"),
    allocation(2),
)  # fmt: skip

_PLAY_AUDIO = mmc(
    0x45, "PLAY AUDIO(10)", reserved(1), address(4, "STARTING LOGICAL BLOCK ADDRESS"), reserved(1),
    number("PLAY LENGTH", 2, "blocks to play"),
)  # fmt: skip
_PLAY_AUDIO_MSF = mmc(0x47, "PLAY AUDIO MSF", reserved(2), *time("STARTING"), *time("ENDING"))
_PAUSE_RESUME = mmc(0x4B, "PAUSE/RESUME", reserved(7), low(1, "RESUME", "which of the two", {0: "pause", 1: "go on"}))
_STOP_PLAY = mmc(0x4E, "STOP PLAY/SCAN", reserved(8))

_PLAY_AUDIO_12 = mmc(
    0xA5, "PLAY AUDIO(12)", reserved(1), address(4, START), number("PLAY LENGTH", 4, "blocks to play"), reserved(1),
    edition=_MMC_3,
)  # fmt: skip

_ADDRESS_TYPES = {0: "a block address", 1: "minutes, seconds, frames", 2: "a track number"}
_SCAN = mmc(
    0xBA, "SCAN",
    bits(1, spare(3), part("DIRECT", 1, "which way", meaning={0: "forward", 1: "backward"}), spare(4)),
    number("SCAN STARTING ADDRESS", 4, "where to begin, as TYPE says"),
    reserved(3),
    bits(1, part("TYPE", 2, "what the address is", meaning=_ADDRESS_TYPES), spare(6)),
    reserved(1),
    edition=_MMC_3,
)  # fmt: skip


def _sub_channel(values: Mapping[str, Any], _data: bytes) -> Layout:
    if values.get("SUBQ") and values.get("SUB-CHANNEL DATA FORMAT") == 1:
        return data.POSITIONS[int(values.get("MSF", 0))]
    return data.SUB_CHANNEL


COMMANDS: tuple[Command, ...] = (
    row(0x42, _READ_SUB_CHANNEL, IN, answer=_sub_channel, length=ALLOCATION, only_cd=True),
    row(0x45, _PLAY_AUDIO, NONE, lba=START, blocks="PLAY LENGTH"),
    row(0x47, _PLAY_AUDIO_MSF, NONE),
    row(0x4B, _PAUSE_RESUME, NONE),
    row(0x4E, _STOP_PLAY, NONE),
    row(0xA5, _PLAY_AUDIO_12, NONE, lba=START, blocks="PLAY LENGTH"),
    row(0xBA, _SCAN, NONE),
)
"""The commands of this module."""
