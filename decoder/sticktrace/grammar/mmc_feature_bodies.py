"""What the features of GET CONFIGURATION hold after their header (MMC-5; 0030h to 0032h MMC-3; from memory).

Features 0003h, 0020h and 0028h agree with the structures of Linux's cdrom.h. Clauses name the table by its title.
"""

from __future__ import annotations

from construct import Bytes, Construct, Int8ub

from sticktrace.codes.mmc import FEATURES
from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import RAW, fitting
from sticktrace.grammar.layout import Bounded, Field, Layout, Series, bits, field, part, reserved, spare
from sticktrace.text import field_text

_FEATURE = "MMC-5, feature descriptors"

_INTERFACES = {
    1: "SCSI family", 2: "ATAPI", 3: "IEEE 1394-1995", 4: "IEEE 1394a", 5: "Fibre Channel", 6: "IEEE 1394b",
    7: "serial ATAPI", 8: "USB", 0xFFFF: "vendor unique",
}  # fmt: skip
_MECHANISMS = {0: "caddy", 1: "tray", 2: "pop-up", 4: "changer with single discs", 5: "changer with magazine"}


def _feature(code: int, *fields: Construct) -> Layout:
    return Layout(f"{FEATURES[code]} feature", _FEATURE, *fields)


def _first(code: int, *named: tuple[int, str, str]) -> Layout:
    """Four bytes of which the first holds flags."""
    return _feature(code, flags(*named), reserved(3))


def _plus(code: int) -> Layout:
    """DVD+RW in its two forms."""
    return _feature(
        code, flags((0, "WRITE", "can write too")),
        flags((1, "QUICK START", "formats in the background"), (0, "CLOSE ONLY", "closes, but does not resume")),
        reserved(2),
    )  # fmt: skip


def _blocks(code: int, what: str, *first: Construct) -> Layout:
    return _feature(
        code, *first,
        number("LOGICAL BLOCK SIZE", 4, "bytes"),
        number("BLOCKING", 2, f"blocks that are {what} together"),
        flags((0, "PP", "has the error recovery page")),
        reserved(1),
    )  # fmt: skip


def _link_sizes() -> tuple[Construct, ...]:
    return (
        number("NUMBER OF LINK SIZES", 1, "sizes that follow"),
        field("link sizes", Bounded(lambda c: c["NUMBER OF LINK SIZES"], Series(Int8ub)), "sectors between packets"),
        field("padding", RAW, "fills up to a multiple of four"),
    )


def _bitmaps(kind: str) -> tuple[Field, ...]:
    return tuple(number(f"{kind} CLASS {n}", 2, "versions, a bit each") for n in range(4))


def _digits(name: str, size: int) -> Field:
    return field(name, Bytes(size), "digits, ASCII", meaning=lambda value, _: f'"{field_text(value)}"')


_CORE = number("PHYSICAL INTERFACE STANDARD", 4, "how it is wired", meaning=_INTERFACES)

_GENERAL: dict[int, tuple[Layout, ...]] = {
    0x0001: (
        _feature(0x0001, _CORE),
        _feature(
            0x0001, _CORE,
            flags((1, "INQ2", "INQUIRY with vital product data"), (0, "DBE", "device busy events")), reserved(3),
        ),
    ),
    0x0002: (_first(0x0002, (1, "OCEVENT", "reports operational changes"), (0, "ASYNC", "can answer unpolled")),),
    0x0003: (
        _feature(
            0x0003,
            bits(
                1, part("LOADING MECHANISM TYPE", 3, "how a disc is put in", meaning=_MECHANISMS),
                part("LOAD", 1, "loads on command"), part("EJECT", 1, "ejects on command"),
                part("PVNT JMPR", 1, "not locked after power on"), part("DBML", 1, "depends on the medium"),
                part("LOCK", 1, "can be locked"),
            ),
            reserved(3),
        ),
    ),
    0x0004: (
        _first(0x0004, (3, "DWP", "write protection of the disc"), (2, "WDCB", "writes the protection block"),
               (1, "SPWP", "persistent write protection"), (0, "SSWPP", "the SWPP bit of mode page 1Dh")),
    ),
    0x0100: (_feature(0x0100),),
    0x0101: (_first(0x0101, (0, "PP", "has mode page 1Ch")),),
    0x0102: (
        _feature(
            0x0102, flags((4, "SCC", "turns discs"), (2, "SDP", "knows which slots are full")), reserved(2),
            bits(1, spare(3), part("HIGHEST SLOT NUMBER", 5, "slots, less one")),
        ),
    ),
    0x0103: (
        _feature(
            0x0103,
            flags((2, "SCAN", "SCAN is supported"), (1, "SCM", "channels are muted one by one"),
                  (0, "SV", "volume is set channel by channel")),
            reserved(1), number("NUMBER OF VOLUME LEVELS", 2, "levels"),
        ),
    ),
    0x0104: (_first(0x0104, (0, "M5", "takes microcode by the mode of MMC-5")),),
    0x0105: (
        _feature(0x0105, flags((0, "GROUP 3", "timeouts of long commands can be set")), reserved(1),
                 number("UNIT LENGTH", 2, "in which they are counted")),
    ),
    0x0106: (_feature(0x0106, reserved(3), number("CSS VERSION", 1, "of the protection")),),
    0x0107: (
        _first(0x0107, (4, "RBCB", "READ BUFFER CAPACITY in blocks"), (3, "SCS", "SET CD SPEED"),
               (2, "MP2A", "mode page 2Ah"), (1, "WSPD", "write speeds by GET PERFORMANCE"),
               (0, "SW", "streaming on writes")),
    ),
    0x0109: (_feature(0x0109),),
    0x010A: (
        _feature(0x010A, field("entries", Series(Layout(
            "disc control block", _FEATURE, number("SUPPORTED DCB ENTRY", 4, "content descriptor"),
        )), "control blocks that it handles")),
    ),
    0x010B: (_feature(0x010B, reserved(3), number("CPRM VERSION", 1, "of the protection")),),
    0x010C: (
        _feature(0x010C, *(_digits(name, 2) for name in (
            "CENTURY", "YEAR", "MONTH", "DAY", "HOUR", "MINUTE", "SECOND",
        )), reserved(2)),
    ),
    0x010D: (
        _feature(
            0x010D, flags((0, "BNG", "makes binding nonces")),
            number("BLOCK COUNT FOR BINDING NONCE", 1, "blocks of a nonce"),
            bits(1, spare(4), part("NUMBER OF AGIDS", 4, "grants at a time")),
            number("AACS VERSION", 1, "of the protection"),
        ),
    ),
}  # fmt: skip

_READING: dict[int, tuple[Layout, ...]] = {
    0x0010: (_blocks(0x0010, "read"),),
    0x001D: (_feature(0x001D),),
    0x001E: (
        _first(0x001E, (7, "DAP", "can conceal errors of audio"), (1, "C2 FLAGS", "returns C2 error pointers"),
               (0, "CD-TEXT", "reads CD-TEXT")),
    ),
    0x001F: (
        _feature(0x001F, flags((0, "MULTI110", "reads by version 1.1 of the book")), reserved(1),
                 flags((1, "DUAL-RW", "reads DVD-RW dual layer"), (0, "DUAL-R", "reads DVD-R dual layer")),
                 reserved(1)),
    ),
    0x0030: (_feature(0x0030),),
    0x0040: (
        _feature(0x0040, reserved(4), *_bitmaps("BD-RE READ"), *_bitmaps("BD-R READ"), *_bitmaps("BD-ROM READ")),
    ),
    0x0050: (
        _feature(0x0050, flags((0, "HD DVD-R", "reads it")), reserved(1), flags((0, "HD DVD-RAM", "reads it")),
                 reserved(1)),
    ),
    0x0080: (_first(0x0080, (0, "RI", "shows all layers at once")),),
}  # fmt: skip

_WRITING: dict[int, tuple[Layout, ...]] = {
    0x0020: (_blocks(0x0020, "written", number("LAST LOGICAL BLOCK ADDRESS", 4, "last block that can be written")),),
    0x0021: (
        _feature(
            0x0021, number("DATA BLOCK TYPES SUPPORTED", 2, "types, a bit each"),
            flags((2, "TRIO", "tells of resources"), (1, "ARSV", "reserves by address"),
                  (0, "BUF", "protected against an empty buffer")),
            *_link_sizes(),
        ),
    ),
    0x0022: (_feature(0x0022),),
    0x0023: (
        _feature(
            0x0023,
            flags((3, "RENOSA", "formats without spare areas"), (2, "EXPAND", "expands the spare area"),
                  (1, "QCERT", "quick certification"), (0, "CERT", "full certification")),
            reserved(3), flags((0, "RRM", "formats for random recording")), reserved(3),
        ),
    ),
    0x0024: (_first(0x0024, (7, "SSA", "tells how much spare area is left")),),
    0x0025: (_blocks(0x0025, "written"),),
    0x0026: (_feature(0x0026),),
    0x0027: (_feature(0x0027, reserved(4)),),
    0x0028: (
        _first(0x0028, (2, "DVD+WRITE", "can write MRW to DVD+RW"), (1, "DVD+READ", "reads MRW from DVD+RW"),
               (0, "WRITE", "can write MRW")),
    ),
    0x0029: (
        _feature(0x0029, flags((0, "DRT-DM", "has the mode of distributed defect management")),
                 number("NUMBER OF DBI CACHE ZONES", 1, "zones"), number("NUMBER OF ENTRIES", 2, "in each zone")),
    ),
    0x002A: (_plus(0x002A),),
    0x002B: (_first(0x002B, (0, "WRITE", "can write too")),),
    0x002C: (
        _first(0x002C, (3, "DSDG", "writes defect status"), (2, "DSDR", "reads defect status"),
               (1, "INTERMEDIATE", "writes an intermediate session"), (0, "BLANK", "BLANK is supported")),
    ),
    0x002D: (
        _feature(
            0x002D,
            flags((6, "BUF", "protected against an empty buffer"), (4, "R-W RAW", "raw R to W"),
                  (3, "R-W PACK", "packed R to W"), (2, "TEST WRITE", "can rehearse"), (1, "CD-RW", "writes CD-RW"),
                  (0, "R-W SUBCODE", "R to W as sent by the host")),
            reserved(1), number("DATA TYPE SUPPORTED", 2, "types, a bit each"),
        ),
    ),
    0x002E: (
        _feature(
            0x002E,
            flags((6, "BUF", "protected against an empty buffer"), (5, "SAO", "session at once"),
                  (4, "RAW MS", "raw with several sessions"), (3, "RAW", "raw"), (2, "TEST WRITE", "can rehearse"),
                  (1, "CD-RW", "writes CD-RW"), (0, "R-W", "writes R to W")),
            number("MAXIMUM CUE SHEET LENGTH", 3, "bytes"),
        ),
    ),
    0x002F: (
        _first(0x002F, (6, "BUF", "protected against an empty buffer"), (3, "RDL", "writes DVD-R dual layer"),
               (2, "TEST WRITE", "can rehearse"), (1, "DVD-RW SL", "writes DVD-RW")),
    ),
    0x0031: (_first(0x0031, (2, "TEST WRITE", "can rehearse")),),
    0x0032: (_first(0x0032, (1, "INTERMEDIATE", "writes an intermediate session"), (0, "BLANK", "can blank")),),
    0x0033: (_feature(0x0033, reserved(3), *_link_sizes()),),
    0x0037: (
        _feature(0x0037, reserved(1), number("CD-RW MEDIA SUBTYPE SUPPORT", 1, "subtypes, a bit each"), reserved(2)),
    ),
    0x0038: (_feature(0x0038, reserved(4)),),
    0x003A: (_plus(0x003A),),
    0x003B: (_first(0x003B, (0, "WRITE", "can write too")),),
    0x0041: (
        _feature(0x0041, flags((0, "SVNR", "can leave out verification")), reserved(3), *_bitmaps("BD-RE WRITE"),
                 *_bitmaps("BD-R WRITE")),
    ),
    0x0042: (_feature(0x0042),),
    0x0051: (
        _feature(0x0051, flags((0, "HD DVD-R", "writes it")), reserved(1), flags((0, "HD DVD-RAM", "writes it")),
                 reserved(1)),
    ),
}  # fmt: skip

FEATURE_BODIES: dict[int, tuple[Layout, ...]] = {
    **_GENERAL, **_READING, **_WRITING, 0x0108: (_feature(0x0108, field(
        "SERIAL NUMBER", RAW, "ASCII", _FEATURE, meaning=lambda value, _: f'"{field_text(value)}"'
    )),),
}  # fmt: skip
"""What follows the feature header by FEATURE CODE, a shorter form before a longer one; other features stay raw."""


def body_of(code: int, size: int) -> Construct:
    """The longest form of a feature that its ADDITIONAL LENGTH holds, else raw bytes."""
    forms = [fitting(form, size) for form in FEATURE_BODIES.get(code, ())]
    return next((form for form in reversed(forms) if form is not RAW), RAW)
