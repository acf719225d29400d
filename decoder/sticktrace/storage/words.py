"""Identity, capacity and write protection of a logical unit, read from parameter data of any length."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from sticktrace.codes import scsi
from sticktrace.grammar import sbc
from sticktrace.text import field_text


@dataclass(frozen=True, slots=True)
class Inquiry:
    """Who a logical unit says it is (standard INQUIRY data, SPC-3 6.4.2). Texts are safe to display; a text cut off
    by the allocation length holds what came."""

    qualifier: int
    device_type: int
    removable: bool
    version: int
    vendor: str
    product: str
    revision: str

    @classmethod
    def from_data(cls, data: bytes) -> Inquiry | None:
        """From standard INQUIRY data; None when not even the fixed head of 5 bytes is there."""
        if len(data) < 5:
            return None
        return cls(
            data[0] >> 5, data[0] & 0x1F, bool(data[1] & 0x80), data[2],
            field_text(data[8:16]), field_text(data[16:32]), field_text(data[32:36]),
        )  # fmt: skip

    @property
    def kind(self) -> str:
        """The peripheral device type in words."""
        return scsi.DEVICE_TYPES.get(self.device_type, f"device type {self.device_type:02X}h")

    @property
    def present(self) -> bool:
        """Whether the qualifier says that there is a logical unit (0)."""
        return self.qualifier == 0


_TEN = sbc.CAPACITY_10.fast("RETURNED LOGICAL BLOCK ADDRESS", "LOGICAL BLOCK LENGTH IN BYTES")
_SIXTEEN = sbc.CAPACITY_16.fast("RETURNED LOGICAL BLOCK ADDRESS", "LOGICAL BLOCK LENGTH IN BYTES")


@dataclass(frozen=True, slots=True)
class Capacity:
    """What READ CAPACITY answers: address of the last block and bytes in a block.

    ``beyond`` is True where the 10-byte form says that the capacity does not fit (last address FFFFFFFFh).
    """

    last_lba: int
    block_length: int
    beyond: bool = False

    @classmethod
    def from_data(cls, data: bytes, long: bool) -> Capacity | None:
        """From READ CAPACITY(10) data (8 bytes), or READ CAPACITY(16) data if ``long`` (12 bytes are enough)."""
        layout: struct.Struct = _SIXTEEN if long else _TEN
        if len(data) < layout.size:
            return None
        last, length = layout.unpack_from(data)
        return cls(last, length, not long and last == 0xFFFFFFFF)

    @property
    def blocks(self) -> int:
        """Number of blocks: one more than the last address."""
        return self.last_lba + 1

    @property
    def bytes(self) -> int:
        """Capacity in bytes."""
        return self.blocks * self.block_length


def write_protected(opcode: int, data: bytes) -> bool | None:
    """The WP bit of a disk's mode parameter header: answer of MODE SENSE(6) (1Ah) or (10) (5Ah); None if not there."""
    at = {0x1A: 2, 0x5A: 3}.get(opcode)
    return bool(data[at] & 0x80) if at is not None and len(data) > at else None
