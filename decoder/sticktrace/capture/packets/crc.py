"""CRC5 and CRC16 of many packets at once (USB 2.0 8.3.5); `grammar.checks` has them for one.

A packet is right if the register holds a fixed value after all of its bytes, check included (8.3.5.1, 8.3.5.2). CRC5
takes one table look-up for each byte. CRC16 uses that the check of a packet is the exclusive or of what each 16-bit
word adds: a packet is folded in half, the first half moved on by one table, until one word is left."""

from __future__ import annotations

from functools import cache
from typing import Any

from sticktrace.grammar.checks import CRC5_POLYNOMIAL, CRC5_RESIDUE, CRC16_POLYNOMIAL, CRC16_RESIDUE, crc16, run

Column = Any


@cache
def _step5() -> Column:
    """[register, byte] -> register, of CRC5."""
    import numpy as np

    rows = [[run(byte, 8, register, CRC5_POLYNOMIAL) for byte in range(256)] for register in range(32)]
    return np.array(rows, np.uint8)


def crc5_holds(*columns: Column) -> Column:
    """Whether the bytes after the PID of each token, given as columns, have a right check."""
    step, register = _step5(), 0x1F
    for column in columns:
        register = step[register, column]
    return register == CRC5_RESIDUE


@cache
def _moved(words: int) -> Column:
    """What a 16-bit register becomes when ``words`` words of zeros follow: a table of 65,536."""
    import numpy as np

    table = np.zeros(1 << 16, np.uint16)
    for bit in range(16):
        ahead = run(0, 16 * words, 1 << bit, CRC16_POLYNOMIAL)
        table[1 << bit : 2 << bit] = table[: 1 << bit] ^ np.uint16(ahead)
    return table


def crc16_holds(packets: Column) -> Column:
    """Whether data packets of one length, rows of bytes without their PIDs, have a right check. Two bytes are the
    least: a data field of no bytes."""
    return _registers(packets) == CRC16_RESIDUE


def crc16_of(fields: Column) -> Column:
    """The checks of data fields of one length, rows of bytes."""
    import numpy as np

    if fields.shape[1] < 2:
        return np.array([crc16(bytes(field)) for field in fields], np.int64)
    return _registers(fields).astype(np.int64) ^ 0xFFFF


def _registers(rows: Column) -> Column:
    """What the register holds after rows of bytes of one length, two at least."""
    import numpy as np

    count, size = rows.shape
    # Zeros in front change nothing once the register's first value has gone into the first two bytes.
    words = np.zeros((count, (size + 1) // 2), "<u2")
    own = words.view(np.uint8)[:, size & 1 :]
    own[:] = rows
    own[:, :2] ^= 0xFF
    while (width := words.shape[1]) > 1:
        half = width // 2
        ahead = _moved(width - half).take(words[:, :half])
        words = words[:, half:]
        words[:, width - 2 * half :] ^= ahead  # of an odd number the word in the middle has no partner
    return _moved(1).take(words[:, 0])
