"""What is fuzzed: a target takes any bytes, and whatever leaves it but an `AssertionError` of ours or nothing is a bug.

Each form of capture has a target of its own, and so has each grammar; the others take a capture further (verbs, a file
that grows, redaction, export, comparison) or are not captures at all (patterns, board profiles, words, keys).
``tests/fuzz/run.py`` drives them by coverage, ``tests/test_fuzz_targets.py`` replays the corpus and every find.
"""

from __future__ import annotations

import struct
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from itertools import chain
from pathlib import Path

from breaking import check_printable, opened
from on_captures import by_verb, comparing, exporting, growing, long_word, read_all, redacting

from conftest import ROOT
from layouts import check_cover, check_round_trip
from sticktrace.capture.line_patterns import LinePatterns
from sticktrace.capture.source import Source
from sticktrace.errors import SticktraceError
from sticktrace.grammar.layout import Layout
from sticktrace.session import Capture

HERE = Path(__file__).resolve().parent
CORPUS, FINDS = HERE / "corpus", HERE / "finds"

FORMS = (
    "pcap-189", "pcap-220", "pcap-249", "pcap-266", "pcapng", "packets-288", "packets-293", "packets-294",
    "packets-295", "usbmon-t", "usbmon-u", "hex", "log",
)  # fmt: skip
"""The forms of captures, each with its own corpus."""


@dataclass(frozen=True)
class Target:
    """``run`` takes the bytes; ``corpora`` are the folders of the corpus that it starts from; ``weight`` is its share
    of the time, ``longest`` the size of its inputs."""

    run: Callable[[bytes], object]
    corpora: tuple[str, ...] = ()
    weight: float = 1.0
    longest: int = 9000


# -- grammars


@cache
def grammars() -> dict[str, list[Layout]]:
    """Module name -> its layouts, gathered as for the generated pages."""
    sys.path.insert(0, str(ROOT / "docs"))
    import make_reference

    pages: dict[str, list[Layout]] = make_reference.pages()
    return pages


def lay_out(layouts: list[Layout], data: bytes) -> None:
    """The first two bytes choose the layout: rows cover each bit once, what parses builds again, cut data is no
    fault of ours."""
    layout, rest = layouts[int.from_bytes(data[:2], "little") % len(layouts)], data[2:]
    check_cover(layout, rest)
    layout.read(rest)
    check_round_trip(layout, rest)


def guess(data: bytes) -> None:
    """What bytes given on the command line may be, each reading explained."""
    from sticktrace.output.explaining import facts, lines
    from sticktrace.output.sectors import sector_readings
    from sticktrace.storage.recognise import recognise

    for reading in [*recognise(data), *sector_readings(data)]:
        for part in reading.parts:
            facts(part)
            for line in lines(part):
                check_printable(line)


# -- what is no capture


def fitting(data: bytes) -> None:
    """A board profile, held against a capture when it is one."""
    import tomllib

    from sticktrace.board.evidence import look_at
    from sticktrace.board.fit import fit
    from sticktrace.board.profile import board_of, read_board

    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        try:
            read_board(file.name)
            board = board_of(tomllib.loads(data.decode()), "fuzz", "fuzz")
            with opened((CORPUS / "pcap-220" / "volume").read_bytes()) as capture:
                fit(look_at(capture.reading()), board)
        except SticktraceError as error:
            assert "\n" not in str(error)


_LINES = b"""[    1.5] OUT 55 53 42 43 01 00 00 00 24 00 00 00 80 00 06 12 00 00 00 24 00 00 00 00 00 00 00 00 00 00 00
[    1.6] IN  55 53 42 53 01 00 00 00 00 00 00 00 00
tide gauge: level 1800 mm, send 31 bytes
usb 1-1: device descriptor read/64, error -110
"""


def own_patterns(data: bytes) -> None:
    """A user's file of patterns: refused in one line, or used."""
    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        try:
            patterns = LinePatterns(file.name)
            lines = chain(patterns.listing(), *(patterns.try_line(line) for line in _LINES.decode().splitlines()))
            for line in lines:
                check_printable(line)
            handle = tempfile.TemporaryFile()  # noqa: SIM115 - the Source closes it
            handle.write(_LINES)
            handle.flush()
            with Capture(Source("fuzz", handle, []), None, patterns) as capture:
                list(capture.items())
        except SticktraceError as error:
            assert str(error)


def chosen(data: bytes) -> None:
    """Selection words over a capture; none of them is ever more than refused."""
    from sticktrace.cli.common import labelled
    from sticktrace.output.selection import Selection

    try:
        selection = Selection(tuple(data.decode("utf-8", "replace").split()))
    except SticktraceError as error:
        assert "\n" not in str(error)
        return
    with opened((CORPUS / "pcap-220" / "short").read_bytes()) as capture:
        reading = capture.reading()
        list(selection.of(labelled(reading, reading)))


_PIECE = struct.Struct("<IBH")


def on_a_volume(data: bytes) -> None:
    """Blocks read and written: each is (LBA, bit 0: written, length of the data, zeros left out) and data."""
    from sticktrace.drawing.as_text import text_lines
    from sticktrace.output.volume_drawing import regions_of
    from sticktrace.output.volume_text import change_lines, medium_facts, medium_lines
    from volume_lab import Lab

    lab, at = Lab(), 1
    lab.exchange(b"\x25" + bytes(9), struct.pack(">II", 131_071, 4096 if data[:1] == b"\1" else 512), "in")
    size = 4096 if data[:1] == b"\1" else 512
    while at + _PIECE.size <= len(data):
        lba, way, length = _PIECE.unpack_from(data, at)
        at += _PIECE.size
        block = data[at : at + min(length, size)].ljust(size, b"\0")
        at += min(length, size)
        cdb = struct.pack(">BBIBHB", 0x2A if way & 1 else 0x28, 0, lba, 0, 1, 0)
        lab.exchange(cdb, block, "out" if way & 1 else "in")
    lab.tracker.findings(), lab.tracker.changes()
    for medium in lab.tracker.media:
        for line in chain(medium_lines(medium), change_lines(medium), text_lines(regions_of(medium, [], 80))):
            check_printable(line)
        list(medium_facts(medium))


def on_screen(data: bytes) -> None:
    """Keys, in the order of the bytes."""
    from keys import press_all

    press_all(data)


def targets() -> dict[str, Target]:
    """All of them by name."""
    binary = tuple(form for form in FORMS if "-" in form or form == "pcapng")
    every = {form: Target(read_all, (form,), 2.0) for form in FORMS}
    every |= {
        f"grammar-{name}": Target(partial(lay_out, layouts), (), 0.15, 130) for name, layouts in grammars().items()
    }
    return every | {
        "hex-word": Target(long_word, ("hex",), 1, 3000),
        "guess": Target(guess, (), 0.5, 700),
        "verbs": Target(by_verb, ("verbs",), 3),
        "growing": Target(growing, ("pcap-220", "pcapng", "usbmon-u", "hex", "log", "packets-294"), 2),
        "redaction": Target(redacting, FORMS, 3),
        "export": Target(exporting, FORMS, 1),
        "compare": Target(comparing, ("pcap-220", "usbmon-u", "log"), 1),
        "volume": Target(on_a_volume, ("volume",), 2),
        "patterns": Target(own_patterns, ("patterns",), 1, 2000),
        "board": Target(fitting, ("board",), 0.5, 2000),
        "words": Target(chosen, ("words",), 0.5, 200),
        "screen": Target(on_screen, ("screen",), 0.5, 24),
        "binary": Target(read_all, binary, 1),
    }
