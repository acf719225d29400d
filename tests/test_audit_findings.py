"""Findings that rest on a broken rule name it: where the finding shows, the audit shows one of its rules broken, and in
the near miss none that was not broken before."""

from __future__ import annotations

import pytest

import test_diagnosis_bringup
import test_diagnosis_storage
import test_diagnosis_transport
from breaches.lab import audited, together
from diagnosis_lab import Case
from sticktrace.duties.catalogue import rules
from sticktrace.findings.patterns import catalogue

SCENES = [
    case
    for module in (test_diagnosis_bringup, test_diagnosis_storage, test_diagnosis_transport)
    for case in module.CASES
    if catalogue()[case.slug].rules
]


def broken(recorder: object) -> set[str]:
    return {id for id, count in together(audited(recorder)).items() if count.broken}  # type: ignore[arg-type]


@pytest.mark.parametrize("case", SCENES, ids=lambda case: case.slug)
def test_where_the_finding_shows_a_rule_is_broken(case: Case) -> None:
    mine = set(catalogue()[case.slug].rules)
    assert broken(case.trace(True)) & mine
    assert not broken(case.trace(False)) & mine


def test_the_rules_are_there_and_stand_in_the_same_document() -> None:
    """A finding cites the document of each rule that it names."""
    for slug, pattern in catalogue().items():
        for id in pattern.rules:
            assert id in rules(), (slug, id)
            assert rules()[id].document.split("-")[0] in pattern.clause, (slug, id, pattern.clause)
