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
