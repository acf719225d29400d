"""What the modules of multi-media commands share (MMC-5): how a CDB and a row of the vocabulary are written."""

from __future__ import annotations

from collections.abc import Mapping

from construct import Construct

from sticktrace.grammar.cdb import cdb, flags, number
from sticktrace.grammar.command import Command, DataLayout, DataRule, Direction
from sticktrace.grammar.layout import Bits, Layout, bits, part, spare

LBA, START, ALLOCATION, LIST = (
    "LOGICAL BLOCK ADDRESS", "STARTING LOGICAL BLOCK ADDRESS", "ALLOCATION LENGTH", "PARAMETER LIST LENGTH",
)  # fmt: skip
CD = frozenset({5})
"""The PERIPHERAL DEVICE TYPE of CD and DVD units."""


def mmc(opcode: int, name: str, *fields: Construct, edition: str = "MMC-5") -> Layout:
    """A CDB of the edition named."""
    return cdb(opcode, name, f"{edition}, {name} command", *fields)


def one(name: str, text: str, bit: int = 0) -> Bits:
    """A byte with one bit in use."""
    return flags((bit, name, text))


def immediate() -> Bits:
    """A byte with the IMMED bit."""
    return one("IMMED", "status comes before the work is done")


def msf() -> Bits:
    """A byte with the MSF bit."""
    return one("MSF", "addresses in minutes, seconds and frames", 1)


def low(width: int, name: str, text: str, meaning: Mapping[int, str] | None = None) -> Bits:
    """A byte of which the low ``width`` bits are in use."""
    return bits(1, spare(8 - width), part(name, width, text, meaning=meaning))


def time(which: str) -> tuple[Construct, ...]:
    """Three bytes of absolute time."""
    return tuple(number(f"{which} {unit}", 1, "absolute time on the disc") for unit in ("M", "S", "F"))


def row(
    opcode: int, layout: Layout, direction: Direction | DataRule, *, answer: DataLayout = None,
    sent: DataLayout = None, lba: str = "", blocks: str = "", length: str = "", only_cd: bool = False,
) -> Command:  # fmt: skip
    """A row of the vocabulary; ``answer`` lays out what comes back, ``sent`` what goes out."""
    return Command(
        opcode, layout.title.removesuffix(" CDB"), layout, layout.clause, direction=direction, data_in=answer,
        data_out=sent, lba=lba, blocks=blocks, length=length, device_types=CD if only_cd else frozenset(),
    )  # fmt: skip
