"""Every layout of every grammar module, those behind a choice too: the rules of `layouts`, texts, cited editions."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from functools import cache
from types import ModuleType
from typing import Any

import pytest
from construct import Construct, Struct, Subconstruct
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import ROOT
from layouts import check_cover, check_everything
from sticktrace.codes import usb_requests as requests
from sticktrace.codes.documents import PRACTICE, cited, documents, named
from sticktrace.duties import catalogue as duties
from sticktrace.findings.catalogue import patterns
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands
from sticktrace.words.dictionary import entries


@cache
def reference() -> ModuleType:
    """docs/make_reference.py, which gathers the layouts for the generated pages."""
    spec = importlib.util.spec_from_file_location("make_reference", ROOT / "docs" / "make_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def inner(layout: Construct) -> Iterator[Layout]:
    """A layout and those in its fields."""
    while isinstance(layout, Subconstruct):
        layout = layout.subcon
    if isinstance(layout, Struct):
        if isinstance(layout, Layout):
            yield layout
        for field in layout.subcons:
            yield from inner(field)


PAGES: dict[str, list[Layout]] = reference().pages()
EVERY = {id(found): found for layouts in PAGES.values() for layout in layouts for found in inner(layout)}
NAMES = [f"{number}-{layout.title.replace(' ', '-')}" for number, layout in enumerate(EVERY.values())]


def test_there_are_many() -> None:
    """The modules were found, and every layout that a command chooses by hand."""
    assert len(EVERY) > 400
    assert {id(command.cdb) for command in commands.COMMANDS} <= set(EVERY)


@pytest.mark.parametrize("layout", EVERY.values(), ids=NAMES)
def test_any_bytes(layout: Layout) -> None:
    """Rows cover each bit once, what parses builds again, and what is cut gives one line of fault."""

    @settings(max_examples=6, deadline=None)
    @given(st.binary(max_size=36))
    def check(data: bytes) -> None:
        check_everything(layout, data)

    check()
    for data in (b"\xff" * 700, bytes(700), bytes(range(256)) * 3):
        check_cover(layout, data)


@pytest.mark.parametrize("layout", EVERY.values(), ids=NAMES)
def test_texts_and_editions(layout: Layout) -> None:
    """Each field says what it is, and each clause names a document and its edition. (Bits tell of a field, too.)"""
    rows = layout.outline()
    for number, row in enumerate(rows, 1):
        told = row.text or (number < len(rows) and rows[number].depth > row.depth)
        assert told or "reserved" in row.name.lower(), (layout.title, row.name)
    clauses = {layout.clause, *(row.clause for row in rows)} - {""}
    for clause in clauses:
        assert named(clause) or clause.startswith(PRACTICE), (layout.title, clause)


@pytest.mark.parametrize("command", commands.COMMANDS, ids=lambda command: command.name)
def test_commands_name_an_edition(command: Any) -> None:
    assert named(command.clause)


def clauses() -> set[str]:
    """Every clause that a layout, a command or a control request cites."""
    found = {layout.clause for layout in EVERY.values()} | {command.clause for command in commands.COMMANDS}
    found |= {row.clause for layout in EVERY.values() for row in layout.outline()}
    for table in (requests.STANDARD_REQUESTS, requests.HUB_REQUESTS, requests.MASS_STORAGE_REQUESTS):
        found |= {known.clause for known in table.values()}
    return {clause for clause in found if clause and not clause.startswith(PRACTICE)}


def test_no_document_is_listed_in_vain() -> None:
    """The table of documents holds what grammar, codes, findings, rules or words cite, and nothing else."""
    told = {document.name for clause in clauses() for document in named(clause)}
    told |= {document.name for pattern, _ in patterns().values() for document in cited(pattern.clause)}
    told |= {document.name for entry in entries() for document in named(entry.clause)}
    told |= {duty.document for duty in (*duties.rules().values(), *duties.unshown().values())}
    assert told == set(documents())


def test_a_clause_is_read_part_by_part() -> None:
    """A document with a place or a title, and another one after a semicolon; no edition, no document."""
    names = [document.name for document in named("MMC-5, READ FORMAT CAPACITIES command; UFI 1.0 4.10")]
    assert names == ["MMC-5", "UFI 1.0"]
    assert [document.name for document in named("SPC-3 6.4.2 Table 81")] == ["SPC-3"]
    for clause in ("SPC 6.4.2", "SPC-30 6.4", "MMC, READ HEADER command", "SPC-3 6.4; hearsay", ""):
        assert named(clause) == []
