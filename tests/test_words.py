"""The dictionary: everything that sticktrace goes by has an entry, found in whatever way it is typed."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace.codes import asc, sense_keys
from sticktrace.codes.status import ENDINGS
from sticktrace.errors import SticktraceError
from sticktrace.findings.catalogue import patterns
from sticktrace.output.listing import MARKS
from sticktrace.output.selection import KEYS
from sticktrace.sticks.stages import Stage
from sticktrace.storage.commands import COMMANDS
from sticktrace.words.dictionary import entries, look_up
from sticktrace.words.entry import Kind


def about(*words: str) -> str:
    return CliRunner().invoke(cli, ["about", *words]).stdout


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        (Kind.FINDING, list(patterns())), (Kind.STAGE, [stage.value for stage in Stage]),
        (Kind.COMMAND, [command.name for command in COMMANDS]), (Kind.OUTCOME, list(MARKS.values())),
        (Kind.SENSE_KEY, list(sense_keys.NAMES.values())), (Kind.STATUS, [str(number) for number in ENDINGS]),
        (Kind.SELECTION, [f"{key}:" for key in KEYS]),
        (Kind.SENSE_CODE, [f"{code:02X}/{qualifier:02X}" for code, qualifier in asc.table() if qualifier >= 0]),
    ],
    ids=lambda value: value.value if isinstance(value, Kind) else "",
)  # fmt: skip
def test_all_that_is_printed_is_explained(kind: Kind, names: list[str]) -> None:
    for name in names:
        assert kind in {entry.kind for entry in look_up(name)}, name


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("read10", "READ(10)"), ("READ (10)", "READ(10)"), ("28h", "READ(10)"), ("0x28", "READ(10)"),
        ("3/11/00", "3/11/00"), ("11/00", "11/00"), ("11h/00h", "11/00"), ("unrecovered read error", "11/00"),
        ("-71", "-71 EPROTO"), ("eproto", "-71 EPROTO"), ("No Status", "no status"), ("missing", "no status"),
        ("lba:", "lba:"), ("Logical Unit Number", "LUN"), ("residue-lies", "residue-lies"), ("command block", "CDB"),
        ("GET_MAX_LUN", "Get Max LUN"), ("set address", "SET_ADDRESS"),
    ],
)  # fmt: skip
def test_however_it_is_typed(typed: str, name: str) -> None:
    assert name in [entry.name for entry in look_up(typed)]


def test_codes_that_no_table_lists_one_by_one() -> None:
    """SPC-3 4.5.6: codes from 80h up, and qualifiers from 80h up, belong to the vendor; 40/NN names a component."""
    assert "vendor specific" in look_up("4/80/01")[0].says
    assert "85h" in look_up("4/40/85")[0].says
    assert "try:" in about("3/11/00")


@pytest.mark.parametrize(
    ("typed", "meant"), [("resdue", "residue"), ("residue-lie", "residue-lies"), ("readd10", "READ(10)")]
)
def test_near_misses_are_offered(typed: str, meant: str) -> None:
    with pytest.raises(SticktraceError, match=re.escape(meant)):
        look_up(typed)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=40))
def test_any_word_gives_entries_or_one_line(word: str) -> None:
    try:
        assert look_up(word)
    except SticktraceError as error:
        assert "\n" not in str(error)


def test_each_entry_can_be_shown() -> None:
    """Every entry has one line that says what it is, and paragraphs of whole lines."""
    for entry in entries():
        assert entry.says and "\n" not in entry.says, entry.name
        for paragraph in entry.more():
            assert "\n" not in paragraph, entry.name


def test_verb() -> None:
    kinds = about()
    assert all(kind.value in kinds for kind in Kind)
    assert about("--list", "stages").splitlines()[0].startswith("attach")
    rows = [json.loads(line) for line in about("--json", "unit attention").splitlines()]
    assert {row["of"] for row in rows} == {"term", "sense key"} and all(row["kind"] == "word" for row in rows)
    wrong = CliRunner().invoke(cli, ["about", "--list", "nonsense"])
    assert wrong.exit_code == 2 and "kinds are term" in wrong.output


def test_page_is_current() -> None:
    """docs/words.md holds every term in the words of the verb."""
    page = (ROOT / "docs" / "words.md").read_text(encoding="utf-8")
    for entry in entries():
        if entry.kind in (Kind.TERM, Kind.STAGE, Kind.OUTCOME, Kind.SELECTION):
            assert entry.says in page, entry.name
