"""The audit on recordings of independent host stacks: what they break is known, with the reason, and a recording that
lacks something breaks nothing more."""

from __future__ import annotations

import pytest

from breaches.lab import audited, together
from conftest import capture_bytes, capture_names, capture_path
from test_diagnosis_poorer import LARGEST, POORER
from variants import apart


def broken(data: bytes) -> set[str]:
    """The rules that a capture shows broken."""
    return {id for id, count in together(audited(data)).items() if count.broken}


NAMES = [name for name in capture_names() if capture_path(name).stat().st_size < LARGEST]


@pytest.mark.parametrize("variant", POORER)
def test_a_missing_fact_breaks_no_rule(variant: str) -> None:
    """Each variant takes every third capture; together they take all."""
    for name in NAMES[list(POORER).index(variant) % 3 :: 3]:
        recording = apart(capture_bytes(name))
        if recording is not None:
            assert broken(POORER[variant](recording)) - broken(recording.whole()) == set(), name
