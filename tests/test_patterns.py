"""The files of patterns: each belongs to the rules beside it, and a mistake in one is told with its place."""

from __future__ import annotations

import importlib
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from conftest import ROOT
from sticktrace.findings.patterns import PatternError, by_slug, catalogue, read

FILES = sorted((ROOT / "decoder" / "sticktrace" / "findings" / "rules").glob("*.toml"))
WHOLE = """
[stick-sulks]
severity = "risk"
title = "The stick sulks"
clause = "common practice"
explanation = "It was spoken to, and did not like it."
causes = ["tone of voice"]
advice = "Ask again."
side = "device"
"""


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_file_holds_what_its_rules_report(path: Path) -> None:
    """No pattern without a rule, none in the file of another module's rules."""
    rules = importlib.import_module(f"sticktrace.findings.rules.{path.stem}").RULES
    reported = {pattern.slug for rule in rules for pattern in rule.patterns}
    assert set(tomllib.loads(path.read_text(encoding="utf-8"))) == reported


def wrong(tmp_path: Path, text: str) -> str:
    """What is said of a file."""
    path = tmp_path / "moods.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PatternError) as caught:
        read([path])
    return str(caught.value)


def test_a_whole_pattern_is_read(tmp_path: Path) -> None:
    """Line breaks are blanks, and what may be left out is filled in."""
    path = tmp_path / "moods.toml"
    path.write_text(WHOLE.replace('"Ask again."', '"""\nAsk\nagain.\n"""'), encoding="utf-8")
    (pattern,) = read([path]).values()
    assert (pattern.slug, pattern.advice, pattern.causes) == ("stick-sulks", "Ask again.", ("tone of voice",))
    assert (pattern.seen_in, pattern.caution) == ("any capture with storage commands", "")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("title", "titel", "moods.toml: [stick-sulks]: unknown key 'titel'; did you mean 'title'?"),
        ('advice = "Ask again."\n', "", "moods.toml: [stick-sulks]: advice missing"),
        ('"Ask again."', '" "', "moods.toml: [stick-sulks]: advice is no text"),
        ('"Ask again."', "7", "moods.toml: [stick-sulks]: advice is no text"),
        ('["tone of voice"]', '"tone of voice"', "moods.toml: [stick-sulks]: causes is no list of texts"),
        ('["tone of voice"]', "[]", "moods.toml: [stick-sulks]: causes is no list of texts"),
        ('["tone of voice"]', "[1]", "moods.toml: [stick-sulks]: causes is no text"),
        ('"risk"', '"doom"', "moods.toml: [stick-sulks]: severity 'doom': known are fault, risk, note"),
        ('"device"', '"moon"', "side 'moon': known are device, host, power and wiring, cannot tell"),
        ("severity", 'caution = "back-feding"\nseverity', "did you mean 'back-feeding'?"),
        ("severity", 'seen_in = "dreams"\nseverity', "seen_in 'dreams' is not in shared.toml"),
        ("[stick-sulks]", "[[stick-sulks]]", "moods.toml: [stick-sulks] is no table"),
        ('"risk"', "risk", "moods.toml: "),
    ],
)
def test_a_mistake_is_told_with_its_place(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in wrong(tmp_path, WHOLE.replace(old, new, 1))


def test_a_slug_comes_once(tmp_path: Path) -> None:
    """In its file, and in all of them."""
    assert wrong(tmp_path, WHOLE + WHOLE).startswith("moods.toml: ")
    paths = [tmp_path / "moods.toml", tmp_path / "whims.toml"]
    for path in paths:
        path.write_text(WHOLE, encoding="utf-8")
    with pytest.raises(PatternError, match=r"whims\.toml: \[stick-sulks\] stands in another file too"):
        read(paths)


def test_a_rule_without_texts_fails_at_its_import() -> None:
    assert by_slug("over-current") is catalogue()["over-current"]
    with pytest.raises(PatternError, match="did you mean 'over-current'"):
        by_slug("over-curent")


def test_no_pattern_is_read_before_a_rule_asks() -> None:
    """The verbs' modules and the rooms that only know what a pattern is read no file."""
    code = "import sticktrace.cli.about, sticktrace.cli.diagnose, sticktrace.findings.patterns as p, sys\n"
    code += "print(p.catalogue.cache_info().currsize, 'sticktrace.findings.catalogue' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                         env={"PYTHONPATH": str(ROOT / "decoder")})  # fmt: skip
    assert run.stdout.strip() == "0 False"
