"""The board profile: a small TOML file that says what the target board's host stack can and cannot do.

`LIMITS` is the one list of keys: reading, checking, the commented new profile and docs/board-profile.md follow it.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sticktrace.errors import SticktraceError
from sticktrace.text import safe

FLAG, NUMBER, NUMBERS, WORD, WORDS = "true or false", "a whole number", "a list of whole numbers", "one of", "a list of"
"""What a value may be."""

MOST_BYTES = 1 << 20
"""A larger file is no board profile."""

_HOUR_MS = 3_600_000

SPEEDS = ("full", "high", "super")
SCHEMES = ("none", "MBR", "GPT")
FILE_SYSTEMS = ("FAT12", "FAT16", "FAT32", "exFAT", "NTFS", "ext", "HFS+", "APFS", "ISO 9660")


class BoardError(SticktraceError):
    """A board profile cannot be read, or holds something that is no limit."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One key of the profile: ``table.key``, what it may hold, an example, and what it says in one line. ``words`` are
    the words allowed, ``least`` and ``most`` the range of a number."""

    table: str
    key: str
    kind: str
    example: str
    text: str
    words: tuple[str, ...] = ()
    least: int = 0
    most: int = 0

    @property
    def name(self) -> str:
        """``bus.speed``."""
        return f"{self.table}.{self.key}"

    @property
    def expects(self) -> str:
        """What a value may be, in words."""
        if self.words:
            return f"{self.kind} {', '.join(self.words)}"
        return self.kind


LIMITS = (
    Limit("bus", "speed", WORD, '"full"', "fastest speed of the host port", SPEEDS),
    Limit("bus", "hubs", FLAG, "true", "whether the host stack drives hubs"),
    Limit("bus", "hub_depth", NUMBER, "1", "how many hubs may stand in a row", least=0, most=5),
    Limit("bus", "control_packet", NUMBER, "64", "largest bMaxPacketSize0 in bytes", least=8, most=512),
    Limit("bus", "bulk_packet", NUMBER, "64", "largest wMaxPacketSize of bulk endpoints in bytes", least=8, most=1024),
    Limit("power", "vbus_ma", NUMBER, "500", "what the 5 V supply of the socket can give to a stick, in mA", most=5000),
    Limit("host", "retries_unit_attention", FLAG, "true", "whether a command is sent again after sense key 6"),
    Limit("host", "ready_wait_ms", NUMBER, "5000", "how long a stick may stay not ready after the first command",
          most=_HOUR_MS),
    Limit("host", "command_timeout_ms", NUMBER, "5000", "how long one command may take", most=_HOUR_MS),
    Limit("host", "nak_wait_ms", NUMBER, "5000", "how long a device may answer NAK during one command",
          most=_HOUR_MS),
    Limit("host", "luns_scanned", NUMBER, "1", "how many logical units are looked at, from LUN 0 on", least=1, most=16),
    Limit("host", "largest_transfer", NUMBER, "65536", "most bytes that one READ or WRITE moves", least=512,
          most=1 << 32),
    Limit("medium", "block_lengths", NUMBERS, "[512]", "block lengths in bytes that the file layer takes", least=1,
          most=1 << 20),
    Limit("medium", "lba_bits", NUMBER, "32", "bits of a block address", least=1, most=64),
    Limit("volume", "partition_schemes", WORDS, '["none", "MBR"]', "ways to divide a medium that are read; \"none\" is "
          "a volume that begins at block 0", SCHEMES),
    Limit("volume", "file_systems", WORDS, '["FAT12", "FAT16", "FAT32"]', "file systems that are read", FILE_SYSTEMS),
    Limit("volume", "long_names", FLAG, "true", "whether long file names are read"),
)  # fmt: skip
"""Every limit, in the order of a bring-up."""

_BY_NAME = {limit.name: limit for limit in LIMITS}
_TABLES = tuple(dict.fromkeys(limit.table for limit in LIMITS))


@dataclass(slots=True)
class Board:
    """A profile as read: ``name``, and ``values`` by ``table.key``. A limit that the profile leaves out is not held
    against the stick."""

    name: str
    values: dict[str, Any] = field(default_factory=dict)

    def get(self, name: str) -> Any:
        """The value of ``table.key``, None if left out."""
        return self.values.get(name)

    @property
    def left_out(self) -> list[str]:
        """Limits that the profile does not give."""
        return [limit.name for limit in LIMITS if limit.name not in self.values]


def read_board(path: str | Path) -> Board:
    """A profile from a file. Raises BoardError with one line that says what is wrong and what was likely meant."""
    place = Path(path)
    try:
        with place.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BoardError(f"{path}: {error.strerror or error}; `sticktrace fit --new` writes a profile") from None
    if len(data) > MOST_BYTES:
        raise BoardError(f"{path}: too large for a board profile")
    try:
        content = tomllib.loads(data.decode("utf-8"))
    except ValueError as error:  # TOMLDecodeError, UnicodeDecodeError, and numbers with too many digits
        raise BoardError(f"{path}: no TOML: {error}") from None
    except RecursionError:
        raise BoardError(f"{path}: no TOML: nested too deeply") from None
    return board_of(content, place.stem, str(path))


def board_of(content: dict[str, Any], name: str, where: str) -> Board:
    """A profile from parsed TOML. ``where`` begins the text of an error."""
    board = Board(name)
    for table, values in content.items():
        if table == "name" and isinstance(values, str):
            board.name = safe(values)
        elif not isinstance(values, dict):
            raise BoardError(f"{where}: {_strange(table)}")
        elif table not in _TABLES:
            name = ".".join((table, *list(values)[:1]))
            raise BoardError(f"{where}: {_strange(name)}")
        else:
            for key, value in values.items():
                board.values[f"{table}.{key}"] = _checked(f"{table}.{key}", value, where)
    return board


def _strange(name: str) -> str:
    """An unknown key, and what was likely meant: by the whole name, or by the part after the table."""
    short = {limit.key: limit.name for limit in LIMITS}
    near = difflib.get_close_matches(name, [*_BY_NAME, "name"], 1, 0.7)
    if not near:
        near = [short[key] for key in difflib.get_close_matches(name.rpartition(".")[2], list(short), 1, 0.6)]
    hint = f"did you mean {near[0]}?" if near else f"known are: name, {', '.join(_BY_NAME)}"
    return f"unknown key {safe(name)}; {hint}"


def _checked(name: str, value: Any, where: str) -> Any:
    limit = _BY_NAME.get(name)
    if limit is None:
        raise BoardError(f"{where}: {_strange(name)}")
    several = limit.kind in (NUMBERS, WORDS)
    if several and not isinstance(value, list):
        raise BoardError(f"{where}: {name} has to be {limit.expects}")
    return [_single(limit, each, where) for each in value] if several else _single(limit, value, where)


def _single(limit: Limit, value: Any, where: str) -> Any:
    if limit.kind == FLAG:
        fine = isinstance(value, bool)
    elif limit.kind in (NUMBER, NUMBERS):
        fine = isinstance(value, int) and not isinstance(value, bool)
        if fine and not limit.least <= value <= limit.most:
            shown = value if abs(value) < 1 << 64 else "this number"
            raise BoardError(f"{where}: {limit.name} = {shown} has to be between {limit.least} and {limit.most}")
    else:
        same = {word.lower(): word for word in limit.words}
        fine = isinstance(value, str) and value.lower() in same
        value = same[value.lower()] if fine else value
    if not fine:
        shown = safe(repr(value))[:60] if not isinstance(value, int) or abs(value) < 1 << 64 else "this number"
        hint = difflib.get_close_matches(value, limit.words, 1) if isinstance(value, str) else []
        meant = f"; did you mean {hint[0]!r}?" if hint else ""
        raise BoardError(f"{where}: {limit.name} has to be {limit.expects}, not {shown}{meant}")
    return value


def new_profile() -> str:
    """A commented profile to start from, as TOML text."""
    lines = [
        "# Board profile for `sticktrace fit`: what the target board's host stack can and cannot do.",
        "# Change the values to those of your board. A line left out is not held against a stick.",
        'name = "my board"',
    ]
    for table in _TABLES:
        lines += ["", f"[{table}]"]
        for limit in LIMITS:
            if limit.table == table:
                words = f"; {limit.expects}" if limit.words else ""
                lines += [f"# {limit.text}{words}", f"{limit.key} = {limit.example}"]
    return "\n".join(lines) + "\n"
