"""READ TOC/PMA/ATIP data by format: TOC, sessions, full TOC, PMA, ATIP and CD-TEXT (MMC-5; from memory)."""

from __future__ import annotations

from typing import Any

from construct import Bytes, Construct

from sticktrace.grammar.cdb import number
from sticktrace.grammar.layout import Bits, Bounded, Field, Layout, Series, bits, field, part, reserved, spare
from sticktrace.text import safe

_TOC = "MMC-5, READ TOC/PMA/ATIP command"


def time_words(value: Any, _seen: Any) -> str:
    """Four bytes, the first reserved, as minutes, seconds and frames."""
    return f"{value[1]:02}:{value[2]:02}.{value[3]:02}" if len(value) == 4 else ""


def address(name: str, msf: int) -> Field:
    """An address in the form that the CDB's MSF bit asked for."""
    if msf:
        return field(name, Bytes(4), "minutes, seconds, frames after a reserved byte", meaning=time_words)
    return number(name, 4, "logical block address")


def length(name: str, size: int = 2) -> Field:
    """How much follows."""
    return number(name, size, "bytes that follow this field")


def adr_control() -> Bits:
    """The byte that tells the kind of a track."""
    return bits(
        1, part("ADR", 4, "what the Q sub-channel holds"), part("CONTROL", 4, "kind of track; bit 2: data track"),
    )  # fmt: skip


def _track(msf: int) -> Layout:
    return Layout(
        "TOC track descriptor", _TOC,
        reserved(1), adr_control(),
        number("TRACK NUMBER", 1, "which track", meaning={0xAA: "lead-out"}),
        reserved(1),
        address("TRACK START ADDRESS", msf),
    )  # fmt: skip


def _toc(title: str, first: Field, last: Field, item: Construct) -> Layout:
    return Layout(
        title, _TOC, length("TOC DATA LENGTH"), first, last,
        field("descriptors", Bounded(lambda c: c["TOC DATA LENGTH"] - 2, Series(item)), "in the order of the disc"),
    )  # fmt: skip


def _sessions(title: str, item: Construct) -> Layout:
    first = number("FIRST COMPLETE SESSION NUMBER", 1, "lowest number")
    return _toc(title, first, number("LAST COMPLETE SESSION NUMBER", 1, "highest number"), item)


def _tracks(msf: int) -> Layout:
    first = number("FIRST TRACK NUMBER", 1, "lowest number")
    return _toc("TOC", first, number("LAST TRACK NUMBER", 1, "highest number"), _track(msf))


def _entry(title: str, first: Field) -> Layout:
    """A Q sub-channel entry of the lead-in or the PMA."""
    return Layout(
        title, _TOC, first, adr_control(),
        number("TNO", 1, "0 in the lead-in"),
        number("POINT", 1, "track number, or A0h first track, A1h last track, A2h lead-out, or a pointer"),
        number("MIN", 1, "running time"), number("SEC", 1, "running time"), number("FRAME", 1, "running time"),
        number("ZERO", 1, "0"),
        number("PMIN", 1, "what POINT points at"), number("PSEC", 1, "what POINT points at"),
        number("PFRAME", 1, "what POINT points at"),
    )  # fmt: skip


FULL_TOC = _sessions("full TOC", _entry("full TOC descriptor", number("SESSION NUMBER", 1, "which session")))
PMA = _toc("PMA", reserved(1), reserved(1), _entry("PMA descriptor", reserved(1)))


def _fixed(value: int, byte: int) -> Any:
    return part(f"always {value}, byte {byte}", 1, f"{value} in ATIP", default=value)


def _time(which: str) -> tuple[Construct, ...]:
    return (*(number(f"{which} {unit}", 1, "on the disc") for unit in ("MIN", "SEC", "FRAME")), reserved(1))


_SPEEDS = {1: "2 times"}
_SPECIAL = Layout("special information", _TOC, field("VALUES", Bytes(3), "as the ATIP holds them"), reserved(1))

ATIP = _toc(
    "ATIP", reserved(1), reserved(1),
    Layout(
        "ATIP descriptor", _TOC,
        bits(1, _fixed(1, 0), part("INDICATIVE TARGET WRITING POWER", 3, "suggested power"),
             part("DDCD", 1, "double density"), part("REFERENCE SPEED", 3, "recording speed", meaning=_SPEEDS)),
        bits(1, _fixed(0, 1), part("URU", 1, "unrestricted use"), spare(6)),
        bits(1, _fixed(1, 2), part("DISC TYPE", 1, "kind", meaning={0: "CD-R", 1: "CD-RW"}),
             part("DISC SUB-TYPE", 3, "speed class"), part("A1", 1, "A1 values are valid"),
             part("A2", 1, "A2 values are valid"), part("A3", 1, "A3 values are valid")),
        reserved(1),
        *_time("LEAD-IN START"),
        *_time("LAST POSSIBLE LEAD-OUT START"),
        field("special information", Series(_SPECIAL), "A1, A2 and A3 values, then S4 values in later editions"),
    ),
)  # fmt: skip

PACK_TYPES: dict[int, str] = {
    0x80: "title", 0x81: "performer", 0x82: "songwriter", 0x83: "composer", 0x84: "arranger", 0x85: "message",
    0x86: "disc identification", 0x87: "genre", 0x88: "table of contents", 0x89: "second table of contents",
    0x8D: "closed information", 0x8E: "catalogue or recording code", 0x8F: "sizes of the block",
}  # fmt: skip
"""PACK TYPE values of CD-TEXT."""

_TEXTS = frozenset({*range(0x80, 0x87), 0x8E})


def _text(value: bytes, seen: Any) -> str:
    """Packs of text in one-byte characters; those of two bytes a character, and numbers, stay bytes."""
    if seen.get("PACK TYPE INDICATOR") not in _TEXTS or seen.get("DBCC"):
        return ""
    return " | ".join(f'"{safe(piece.decode("latin-1"))}"' for piece in value.split(b"\0") if piece)


CD_TEXT = _toc(
    "CD-TEXT", reserved(1), reserved(1),
    Layout(
        "CD-TEXT pack", _TOC,
        number("PACK TYPE INDICATOR", 1, "what the text is", meaning=PACK_TYPES),
        bits(1, part("EXTENSION FLAG", 1, "0"),
             part("TRACK NUMBER INDICATOR", 7, "track of the first character; 0 for the disc")),
        number("SEQUENCE NUMBER INDICATOR", 1, "counts the packs of a block"),
        bits(1, part("DBCC", 1, "characters of two bytes"), part("BLOCK NUMBER", 3, "language"),
             part("CHARACTER POSITION", 4, "characters of this text in the packs before")),
        field("TEXT DATA FIELD", Bytes(12), "pieces of text, each ended by NUL", meaning=_text),
        number("CRC", 2, "check of the 16 bytes before"),
    ),
)  # fmt: skip

TOC_FORMS: dict[tuple[int, int], Layout] = {
    **{(0, msf): _tracks(msf) for msf in (0, 1)},
    **{(1, msf): _sessions("session information", _track(msf)) for msf in (0, 1)},
    **{(form, msf): layout for form, layout in ((2, FULL_TOC), (3, PMA), (4, ATIP), (5, CD_TEXT)) for msf in (0, 1)},
}
"""READ TOC/PMA/ATIP data by (FORMAT, MSF)."""
