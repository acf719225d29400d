"""docs/bring-up.md: every number has its row in docs/facts.toml and stands beside its clause; the console lines are
what the transfer log prints of a demo capture; the findings and commands that it names exist.

The values themselves are those of the documents that facts.toml names, by edition and clause; † marks a clause that was
cited from memory.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from conftest import ROOT
from sticktrace.cli.main import cli
from test_capture_hex_text import read
from test_hook import built, fed, recorded, run  # noqa: F401

DOCS = ROOT / "docs"
TABLE: dict[str, Any] = tomllib.loads((DOCS / "facts.toml").read_text(encoding="utf-8"))
DOCUMENTS: dict[str, str] = TABLE.pop("documents")
ROWS = [(page, *row) for page, content in TABLE.items() for row in content["facts"]]
BASES = {"read", "memory"}
WITHOUT_CLAUSE = {"practice", "arithmetic"}

_NUMBER = re.compile(
    r"(?<![\w.,])\d(?:[\d.,]*\d)?(?: V| A| W| mA| ms| s| µs| Ω| kΩ| µF| %| Mb/s| bytes?| baud| TiB| times)(?![\w/])"
    r"|\b[0-9A-F]{2,4}h\b"
)
_WORDS = re.compile(r"\b(?:two or three|three|four|five|ten) times\b")


def prose(page: str) -> list[str]:
    """The paragraphs and table rows of a page, each on one line, without blocks of code."""
    text = re.sub(r"^```.*?^```", "", (DOCS / page).read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    parts = []
    for part in re.split(r"\n\s*\n|\n(?=\||#|\s*(?:[-*]|\d+\.) )", text):
        parts.append(" ".join(part.split()))
    return [part for part in parts if part]


@pytest.mark.parametrize(("page", "says", "document", "clause", "basis"), ROWS, ids=lambda value: str(value)[:40])
def test_a_fact_stands_beside_its_clause(page: str, says: str, document: str, clause: str, basis: str) -> None:
    assert document in DOCUMENTS and basis in BASES
    assert bool(clause) is (document not in WITHOUT_CLAUSE)
    holding = [part for part in prose(page) if says in part]
    assert holding, f"{page} no longer says {says!r}"
    if document == "practice":
        assert any("practice" in part for part in holding) or says in _PLAIN_PRACTICE
    elif clause:
        mark = "†" if basis == "memory" else r"(?!†)"
        beside = re.compile(rf"{re.escape(document)},? [^()|]*?(?<![\d.]){re.escape(clause)}{mark}(?!\.?\d)")
        assert any(beside.search(part) for part in holding), (says, holding)


_PLAIN_PRACTICE = {"5 V", "10 Ω", "5 W", "INQUIRY for 36 bytes", "REQUEST SENSE for 18 bytes", "512 bytes a block"}
"""What the page proposes, and nobody would look for in a standard."""


@pytest.mark.parametrize("page", TABLE)
def test_every_number_has_a_row(page: str) -> None:
    """A number with a unit, or a code, that no row of the table covers has no source."""
    says = [row[1] for row in ROWS if row[0] == page]
    without = []
    for part in prose(page):
        spans = [(at.start(), at.end()) for text in says for at in re.finditer(re.escape(text), part)]
        for number in [*_NUMBER.finditer(part), *_WORDS.finditer(part)]:
            if not any(start <= number.start() and number.end() <= end for start, end in spans):
                without.append(part[max(0, number.start() - 40) : number.end() + 20])
    assert not without


def test_every_document_is_used() -> None:
    assert {row[2] for row in ROWS} == set(DOCUMENTS)


def test_documents_cited_are_documents_listed() -> None:
    cited = re.compile(r"\b((?:USB|BOT|SPC|SBC|SAM|FAT|UEFI|MSC Overview)[ -]\d(?:\.\d+)?)\b")
    assert {name for page in TABLE for part in prose(page) for name in cited.findall(part)} <= set(DOCUMENTS)


def test_console_lines_are_what_the_log_prints(built: Any) -> None:  # noqa: F811
    """Of a healthy boot, with the host's own port left out, which a microcontroller works without requests. Lines that
    are too wide for the page are cut."""
    path = ROOT / "traces" / "demo" / "healthy-boot.pcap"
    transfers = tuple((*row[:2], 0, *row[3:]) for row in recorded(path) if row[3] != 1)
    printed = run(built("replay"), 1 << 20, 64, 1, data=fed(transfers)).splitlines()
    page = (DOCS / "bring-up.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```text\n(.*?)^```", page, re.DOTALL | re.MULTILINE)
    lines = [line for block in blocks for line in block.splitlines()]
    assert len(lines) > 12
    for line in lines:
        assert len(line) <= 80
        assert line in printed or any(whole.startswith(line.removesuffix("...")) for whole in printed), line
    transfers_read, _ = read("\n".join(printed))
    assert len(transfers_read) == len(transfers)


def test_findings_named_exist() -> None:
    table = (DOCS / "bring-up.md").read_text(encoding="utf-8").split("| sticktrace says |")[1].split("\n\n")[0]
    named = set(re.findall(r"`([a-z-]+)`", table))
    known = CliRunner().invoke(cli, ["about", "--list", "finding"]).stdout
    assert len(named) > 12 and {slug for slug in named if not re.search(rf"\b{slug} ", known)} == set()


def test_steps_are_all_there() -> None:
    """Each step of the table has its section, with the four parts that the page promises."""
    text = (DOCS / "bring-up.md").read_text(encoding="utf-8")
    sections = re.split(r"^### ", text, flags=re.MULTILINE)[1:]
    assert [int(section.split(".")[0]) for section in sections] == list(range(1, 17))
    for section in sections:
        body = section.split("\n## ")[0]
        assert re.search(r"\*\*(Measure|Do):\*\*", body) and "**Expect:**" in body and "**Try:**" in body, section[:30]


def test_the_sketch_of_powers_is_right() -> None:
    """Ohm's law on the load resistor of step 2, and the capacity of step 14 (SBC-3 5.15: the last block is given)."""
    text = " ".join(Path(DOCS / "bring-up.md").read_text(encoding="utf-8").split())
    ohms, milliamps, watts = map(float, re.findall(r"with (\d+) Ω across: (\d+) mA and ([\d.]+) W", text)[0])
    assert 5.0 / ohms * 1000 == milliamps and 5.0 * 5.0 / ohms == watts
    last, size = re.findall(r"`((?:[0-9a-f]{2} ){3}[0-9a-f]{2}) ((?:[0-9a-f]{2} ){3}[0-9a-f]{2})` is", text)[0]
    assert f"{int(last.replace(' ', ''), 16) + 1:,} blocks of {int(size.replace(' ', ''), 16)} bytes" in text
