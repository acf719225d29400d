"""The catalogue: complete, well formed, covered by traces, and the same in the program and in the documentation."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import test_diagnosis_bringup
import test_diagnosis_logs
import test_diagnosis_storage
import test_diagnosis_transport
import test_diagnosis_wire
from field_failures import FAILURES
from sticktrace.cli.about import command
from sticktrace.codes.documents import PRACTICE, cited, documents
from sticktrace.findings.catalogue import RULES, patterns
from sticktrace.findings.finding import SEVERITIES, SIDES
from sticktrace.findings.rules import unseen

ROOT = Path(__file__).resolve().parents[1]
CASES = [*test_diagnosis_bringup.CASES, *test_diagnosis_transport.CASES, *test_diagnosis_storage.CASES,
         *test_diagnosis_logs.CASES, *test_diagnosis_wire.CASES]  # fmt: skip


def test_every_visible_pattern_has_a_trace_and_a_near_miss() -> None:
    """And those that a host capture cannot show say so."""
    visible = {slug for slug, (_, layer) in patterns().items() if layer != unseen.LAYER}
    assert all(patterns()[slug][0].seen_in.startswith(("only ", "no capture")) for slug in set(patterns()) - visible)
    assert {case.slug for case in CASES} == visible
    assert len({case.slug for case in CASES}) == len(CASES)


def test_every_failure_of_the_field_is_covered() -> None:
    """Each belongs to at least one finding, visible or not."""
    assert len(FAILURES) == 78
    for failure, slugs in FAILURES.items():
        assert slugs and set(slugs) <= set(patterns()), failure


def test_no_code_of_a_list_of_ours_reaches_a_person() -> None:
    """The failures have no numbers outside the tests."""
    said = CliRunner().invoke(command, ["--json"]).output + CliRunner().invoke(command).output
    assert re.search(r"[{,\s(\"]F\d\d\b", said) is None and "covers" not in said


@pytest.mark.parametrize("slug", patterns())
def test_pattern_is_whole(slug: str) -> None:
    """Every field that a person is shown is there, and a clause names a document or common practice."""
    pattern, layer = patterns()[slug]
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", pattern.slug) and len(pattern.slug) <= 34
    assert pattern.severity in SEVERITIES and pattern.side in SIDES and layer
    assert cited(pattern.clause) or PRACTICE in pattern.clause
    assert pattern.causes and all(pattern.causes) and pattern.advice.endswith(".") and pattern.explanation.endswith(".")
    assert re.match(r"[A-Z]|b[A-Z]", pattern.title) and not pattern.title.endswith(".")


def test_clauses_name_an_edition() -> None:
    """Each cited document is in the table, with its edition. (test_grammar_every asks that none is there in vain.)"""
    named = {document.name for pattern, _ in patterns().values() for document in cited(pattern.clause)}
    assert named <= set(documents())
    assert all(d.title and d.edition and d.id and 1990 < d.year < 2040 for d in documents().values())


def test_a_citation_is_read_part_by_part() -> None:
    """A place belongs to the document before it; what stands in brackets is a remark."""
    assert [d.name for d in cited("SAM-3 5.9.7, SPC-3 Tables 27, 28 (7h, 27h), common practice")] == ["SAM-3", "SPC-3"]
    assert cited("common practice") == []
    for clause in ("BOT 3.3", "BOT 1.01 3.3", "5.2", "SPC-3 4.5, hearsay", ""):
        with pytest.raises(LookupError):
            cited(clause)


def test_slugs_are_unique() -> None:
    """No two rules claim one slug."""
    slugs = [pattern.slug for rule in RULES for pattern in rule.patterns]
    assert len(slugs) == len(set(slugs))


def test_advice_that_erases_warns() -> None:
    """Whatever tells a person to format or partition says that it erases."""
    for pattern, _ in patterns().values():
        if re.search(r"\bformat (the|it)\b|partition tool", pattern.advice):
            assert "erases" in pattern.caution, pattern.slug


def test_supplies_joined_warn() -> None:
    """Whatever tells a person to add a supply or a powered hub warns of feeding back (USB 2.0 7.2.1)."""
    for pattern, layer in patterns().values():
        if layer == "power" and re.search(r"self-powered hub|stronger (5 V )?supply", pattern.advice):
            assert "feed each other" in pattern.caution, pattern.slug


def test_page_is_fresh() -> None:
    """docs/reference/findings.md is what docs/generate_findings.py makes of the catalogue."""
    spec = importlib.util.spec_from_file_location("generate_findings", ROOT / "docs" / "generate_findings.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.PAGE.read_text(encoding="utf-8") == module.page(), "run python docs/generate_findings.py"


def test_no_rule_is_loaded_for_help() -> None:
    """`sticktrace --help` stays instant: the rules come in only when they are used."""
    code = "import sticktrace.cli.diagnose, sticktrace.cli.about, sys\n"
    code += "print('sticktrace.findings.catalogue' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT,
                         env={"PYTHONPATH": str(ROOT / "decoder")})  # fmt: skip
    assert out.stdout.strip() == "False"
