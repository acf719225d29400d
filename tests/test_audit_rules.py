"""Every rule of the audit, kept by one trace and broken by another. The traces are built from the standards alone by
the workshop; the rules name document and clause, and how sure these are."""

from __future__ import annotations

import pytest

from breaches import CASES
from breaches.lab import healthy, run
from sticktrace.codes.documents import documents
from sticktrace.duties.catalogue import rules, unshown
from sticktrace.duties.plan import actions


@pytest.mark.parametrize("id", rules())
def test_a_trace_that_breaks_it(id: str) -> None:
    case = CASES[id]
    counts = run(case.broken, case.options, case.bare)
    assert id in counts and counts[id].broken, "not told broken"
    assert counts[id].broken_at and counts[id].broken_at[0].records


@pytest.mark.parametrize("id", rules())
def test_a_trace_that_keeps_it(id: str) -> None:
    case = CASES[id]
    counts = healthy() if case.kept is None else run(case.kept, case.kept_options, case.bare)
    assert id in counts and counts[id].kept, "not put to the test"
    assert not counts[id].broken, counts[id].broken_at


def test_every_rule_is_whole() -> None:
    """Whose it is, where it stands, what to record for it; a clause's document is one that is known."""
    for rule in rules().values():
        assert rule.document in documents(), rule.id
        assert rule.duty and rule.when and rule.shows and rule.clause and rule.plan in actions(), rule.id
    for duty in unshown().values():
        assert duty.document in documents() and duty.reason, duty.id


def test_no_case_without_a_rule() -> None:
    assert set(CASES) == set(rules())
