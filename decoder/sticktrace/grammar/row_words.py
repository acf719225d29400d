"""A row of an explanation in words: where it is, its value in figures, what it says."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.grammar.layout import Explanation, Row
from sticktrace.text import safe


def place_of(row: Row) -> str:
    """Where a row's bits are: ``4-7`` for whole bytes, ``12.7`` or ``13.3-0`` for bits, ``8-9.11-0`` across bytes."""
    last = row.offset + row.size - 1
    where = f"{row.offset}" if last <= row.offset else f"{row.offset}-{last}"
    if row.bits is None:
        return where
    high, low = row.bits
    return f"{where}.{high}" if high == low else f"{where}.{high}-{low}"


def value_of(row: Row) -> str:
    """The value in figures: decimal, with hex where it is larger than a digit."""
    value = row.value
    if row.heading:
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int):
        return f"{value}" if abs(value) < 10 else f"{value} ({value:X}h)"
    if isinstance(value, bytes | bytearray):
        return "" if row.meaning else _printable(bytes(value))
    return safe(str(value)) if isinstance(value, str) else ""


def _printable(raw: bytes) -> str:
    """Bytes as text where they look like it."""
    return f'"{raw.decode("ascii")}"' if len(raw) > 1 and all(32 <= b < 127 for b in raw) else ""


_NO_STATEMENT = ("obsolete", "was ", "vendor specific", "parallel SCSI")


def text_of(row: Row) -> str:
    """What a field is for; a single bit without words for its values is answered with yes or no."""
    if row.bits is None or row.bits[0] != row.bits[1] or row.name.lower().startswith(("reserved", "obsolete")):
        return row.text
    if row.text.startswith(_NO_STATEMENT):
        return row.text
    answer = "yes" if row.value else "no"
    return f"{row.text}: {answer}" if row.text.startswith("whether") else f"{answer}: {row.text}"


def is_reserved(row: Row) -> bool:
    """Whether a row is a reserved field, which should be zero."""
    return row.name == "reserved" or row.name.startswith("reserved ")


def any_bit(row: Row) -> bool:
    """Whether a row's value is anything but zero."""
    return any(row.value) if isinstance(row.value, bytes | bytearray) else bool(row.value)


def doubts(explanation: Explanation) -> Iterator[str]:
    """Fields that hold what they should not: reserved ones that are not zero, values that are reserved or wrong."""
    for row in explanation.rows:
        if row.heading or row.value is None:
            continue
        where = f"byte {place_of(row)}" if row.size == 1 else f"bytes {place_of(row)}"
        if is_reserved(row) and any_bit(row):
            yield f"{explanation.title}, {where}: reserved, should be zero, holds {row.raw.hex(' ')}"
        elif row.meaning.lower().startswith(("reserved", "wrong")):
            yield f"{row.name} ({where}) = {value_of(row)}: {safe(row.meaning)}"
