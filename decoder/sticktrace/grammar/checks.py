"""The two checks of USB packets (USB 2.0 8.3.5): CRC5 over a token's 11 bits (19 in a SPLIT), CRC16 over data.

Bits go over the wire least significant first, so the registers are kept reflected: printed the other way round, as the
standard and its worked examples do, they are the same bits in the order of the wire.
"""

from __future__ import annotations

CRC5_POLYNOMIAL, CRC16_POLYNOMIAL = 0x14, 0xA001
"""x^5 + x^2 + 1 and x^16 + x^15 + x^2 + 1, reflected."""

CRC5_RESIDUE, CRC16_RESIDUE = 0x06, 0xB001
"""01100b and 800Dh as 8.3.5 prints them, reflected: what the register holds after a packet that is right."""


def crc5(value: int, width: int) -> int:
    """The check of a field of ``width`` bits, as it goes into the packet above it."""
    return run(value, width, 0x1F, CRC5_POLYNOMIAL) ^ 0x1F


def crc16(data: bytes) -> int:
    """The check of a data field, as a number whose low byte goes first. Of no bytes it is 0."""
    return run(int.from_bytes(data, "little"), 8 * len(data), 0xFFFF, CRC16_POLYNOMIAL) ^ 0xFFFF


def run(value: int, bits: int, register: int, polynomial: int) -> int:
    """The register after so many bits of a number, the lowest first."""
    for _ in range(bits):
        odd = (register ^ value) & 1
        register = register >> 1 ^ (polynomial if odd else 0)
        value >>= 1
    return register
