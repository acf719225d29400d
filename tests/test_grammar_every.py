"""Every layout of every grammar module, those behind a choice too: the rules of `layouts`, a text, and a cited edition."""

from __future__ import annotations

import importlib
import importlib.util
import pkgutil
from collections.abc import Iterator, Mapping
from functools import cache
from types import ModuleType
from typing import Any

import pytest
from construct import Construct, Struct, Subconstruct
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace.grammar
from conftest import ROOT
from layouts import check_cover, check_everything
from sticktrace.codes.documents import PRACTICE, documents, edition_of
from sticktrace.grammar.layout import Bits, Layout
from sticktrace.storage import commands


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
    """Each field says what it is; the layout, and each field with a clause of its own, name a document and its edition."""
    rows = layout.outline()
    for row in rows:
        assert row.text or row.name.startswith("reserved"), (layout.title, row.name)
    clauses = {layout.clause, *(row.clause for row in rows)} - {""}
    for clause in clauses:
        assert edition_of(clause) or clause == PRACTICE, (layout.title, clause)


@pytest.mark.parametrize("command", commands.COMMANDS, ids=lambda command: command.name)
def test_commands_name_an_edition(command: Any) -> None:
    assert edition_of(command.clause)


def cited_names() -> set[str]:
    """Every document that a layout or a command cites."""
    clauses = {layout.clause for layout in EVERY.values()} | {command.clause for command in commands.COMMANDS}
    clauses |= {row.clause for layout in EVERY.values() for row in layout.outline()}
    return {document.name for clause in clauses - {"", PRACTICE} for document in edition_of(clause)}


def test_no_edition_is_named_in_vain() -> None:
    """What the table of documents holds, grammar, codes or findings cite."""
    from sticktrace.codes.documents import cited
    from sticktrace.findings.catalogue import patterns

    used = {document.name for pattern, _ in patterns().values() for document in cited(pattern.clause)}
    assert used | cited_names() == set(documents())
