"""Names on a volume that other systems cannot hold, confuse, or take for a device: harmless as names of files.

Rules: the naming conventions that are published for the systems (common practice): reserved characters, device names
with any extension, no dot or space at the end, 255 units of length; file systems that ignore case or composition."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.writing.folder import Folder
from sticktrace.writing.names import harmless
from sticktrace.writing.outputs import Outputs

DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|clock\$|(com|lpt)[0-9¹²³])(\s*\..*)?", re.IGNORECASE)

NASTY = [
    "CONIN$", "conout$.txt", "COM¹", "com².log", "LPT³", "LPT9." + "x" * 300, "LPT9" + " " * 10 + ".txt", "COM0",
    "a" * 199 + "." + "b" * 50, "a" * 198 + ". " + "b" * 50, "é" * 150 + ".csv", "con ", "nul.", "aux. .txt",
    "PRN .a.b", ".", "..", "...", " . ", "", " ", "\u202eexe.txt", "a\0b", "x" * 255 + ".partial", "\u0130" * 120,
    "－", "CON．txt",
    "." * 300, " " * 300 + "a", "a" + "." * 300, "\ud800", "潮位" * 100, "a/b\\c", "~", "-rf", "a:b", "a:$DATA", "con:",
]  # fmt: skip


def check(made: str) -> None:
    """What holds of every name on every common system."""
    assert made not in ("", ".", "..") and made == made.rstrip(". ") and not made.startswith(" ")
    assert not set(made) & set('/\\\\:*?"<>|') and made.isprintable()
    assert not DEVICE.fullmatch(made), made
    assert len(made.encode()) <= 220 and len(made.encode("utf-16-le")) // 2 <= 220


@pytest.mark.parametrize("name", NASTY)
def test_harmless_everywhere(name: str) -> None:
    check(harmless(name))


@settings(max_examples=500, deadline=None)
@given(st.text(max_size=300) | st.from_regex(DEVICE).map(lambda name: name + "x" * 200))
def test_any_name_is_harmless(name: str) -> None:
    check(harmless(name))


@pytest.mark.parametrize("names", [
    ["a.txt", "A.TXT", "a.txt"], ["é.csv", "e\u0301.csv"], ["ﬁle", "file", "FILE"], ["ß", "ss", "SS"],
    ["x", "x (2)", "x"], ["a:b", "a?b", "a_b"], ["K", "\u212a"],
])  # fmt: skip
def test_names_that_a_system_confuses_are_kept_apart(names: list[str], tmp_path: Path) -> None:
    folder = Folder.at(tmp_path, Outputs())
    made = [folder.place(name).name for name in names]
    plain = {unicodedata.normalize("NFKC", name).casefold() for name in made}
    assert len(plain) == len(names), made


def test_many_equal_names_take_no_time(tmp_path: Path) -> None:
    """FAT spec: a directory has up to 65,536 entries."""
    folder = Folder.at(tmp_path, Outputs())
    assert len({folder.place("TIDES.CSV") for _ in range(65_536)}) == 65_536
