"""Every target of tests/fuzz takes its corpus, and every find of the past, without a complaint."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import examine
from targets import CORPUS, FINDS, FORMS, targets

TARGETS = targets()
FOUND = sorted(FINDS.glob("*--*"))


def test_the_corpus_is_small_and_every_folder_of_it_is_used() -> None:
    """`make_corpus` writes it anew; that the workshop, or a table, has learned something since is no fault."""
    from make_corpus import build

    found = {str(path.relative_to(CORPUS)): path.stat().st_size for path in CORPUS.glob("*/*")}
    assert found.keys() <= build().keys() and sum(found.values()) < 256 << 10
    assert {name for target in TARGETS.values() for name in target.corpora} == {path.name for path in CORPUS.iterdir()}


@pytest.mark.parametrize("form", FORMS)
def test_a_capture_of_the_corpus_can_be_read(form: str) -> None:
    """What is broken by the fuzzer is worth breaking."""
    for path in (CORPUS / form).iterdir():
        outcome = examine(path.read_bytes(), deep=False)
        assert outcome is not None and outcome.reading.records > 7


@pytest.mark.parametrize("name", [name for name in TARGETS if name != "screen"])
def test_a_target_takes_its_corpus(name: str) -> None:
    """Grammars have none: they begin with nothing."""
    found = [path for corpus in TARGETS[name].corpora for path in sorted((CORPUS / corpus).iterdir())[:2]]
    for data in [b"", *(path.read_bytes() for path in found)]:
        TARGETS[name].run(data)


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_what_was_found_stays_found(path: Path) -> None:
    """The name of a find is its target, two dashes, and what it was."""
    TARGETS[path.name.partition("--")[0]].run(path.read_bytes())
