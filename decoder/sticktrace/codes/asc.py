"""Additional sense codes and qualifiers (ASC/ASCQ) and what they say.

The assignments are the published numbers of T10 (list of 2015-01-03, with later rows of the 2020-08-17 list), in its
wording, in ``asc.tsv`` beside this module: ASC, ASCQ and meaning per line, "NN" standing for a range of qualifiers.
The rules for vendor codes are SPC-3 4.5.6, footnotes of the ASC and ASCQ table. The table is read at first use.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

FIRST_VENDOR = 0x80
"""ASC values, and ASCQ values of any ASC, from here up belong to the vendor (SPC-3 4.5.6)."""

_ANY = -1


@cache
def table() -> dict[tuple[int, int], str]:
    """Every assigned (ASC, ASCQ) with T10's wording; an ASCQ of -1 stands for a row that covers a range."""
    rows: dict[tuple[int, int], str] = {}
    for line in Path(__file__).with_name("asc.tsv").read_text("ascii").splitlines():
        asc, ascq, words = line.split("\t")
        rows[int(asc, 16), _ANY if ascq == "NN" else int(ascq, 16)] = words
    return rows


def meaning(asc: int, ascq: int) -> str:
    """What an additional sense code and its qualifier say; never empty."""
    rows = table()
    if (asc, ascq) in rows:
        return rows[asc, ascq]
    if asc >= FIRST_VENDOR:
        return f"vendor specific code {asc:02X}h/{ascq:02X}h"
    if _in_range(asc, ascq):
        return _range_words(rows[asc, _ANY], ascq)
    if ascq >= FIRST_VENDOR:
        return f"{rows.get((asc, 0), f'code {asc:02X}h')}, vendor specific qualifier {ascq:02X}h"
    return f"code {asc:02X}h/{ascq:02X}h is not assigned"


def _in_range(asc: int, ascq: int) -> bool:
    """Range rows take every qualifier, except 40h, whose components are numbered from 80h (T10's list)."""
    return (asc, _ANY) in table() and (asc != 0x40 or ascq >= 0x80)


def _range_words(words: str, ascq: int) -> str:
    """A range row with the qualifier put in place of "NN" and without the row's own remark on its range."""
    return words.removesuffix(" (80h-FFh)").replace("NN = TASK TAG", "TASK TAG NN").replace("NN", f"{ascq:02X}h")


USUAL: dict[int, frozenset[int]] = {
    0x1: frozenset((0x17, 0x18, 0x5D, 0x0B)),
    0x2: frozenset((0x04, 0x3A, 0x08, 0x30, 0x31, 0x54, 0x4C)),
    0x3: frozenset((0x02, 0x03, 0x0C, 0x10, 0x11, 0x12, 0x13, 0x14, 0x15, 0x30, 0x31, 0x57)),
    0x4: frozenset((0x01, 0x02, 0x03, 0x08, 0x09, 0x15, 0x19, 0x32, 0x3E, 0x40, 0x44, 0x47)),
    0x5: frozenset((0x1A, 0x20, 0x21, 0x22, 0x24, 0x25, 0x26, 0x2C, 0x30, 0x39, 0x3D, 0x49, 0x53, 0x64, 0x6F, 0x74)),
    0x6: frozenset((0x28, 0x29, 0x2A, 0x2F, 0x38, 0x3A, 0x3F, 0x5A, 0x5D)),
    0x7: frozenset((0x20, 0x27, 0x26, 0x2A, 0x30, 0x59, 0x74)),
    0xB: frozenset((0x00, 0x08, 0x0E, 0x43, 0x44, 0x45, 0x47, 0x48, 0x49, 0x4A, 0x4B, 0x4E)),
}
"""Codes that come with each sense key in practice (common practice; the keys that T10's annex gives them)."""


def as_printed(key: int, text: str) -> tuple[int, bool]:
    """A code that a program printed without saying in which base: (code, whether it was taken as decimal). It is
    hexadecimal unless only the decimal reading goes with the sense key: 40 with UNIT ATTENTION is 28h."""
    code = int(text, 16)
    if text.isdigit() and len(text) == 2 and code not in USUAL.get(key, ()) and int(text) in USUAL.get(key, ()):
        return int(text), True
    return code, False


@cache
def _by_words() -> dict[str, tuple[int, int]]:
    return {_plain(words): code for code, words in reversed(table().items()) if code[1] != _ANY and words != "Obsolete"}


def _plain(words: str) -> str:
    return "".join(c for c in words.casefold() if c.isalnum())


def from_words(words: str) -> tuple[int, int] | None:
    """(ASC, ASCQ) of a meaning in T10's wording, whatever its case and punctuation; None for other words."""
    return _by_words().get(_plain(words))
