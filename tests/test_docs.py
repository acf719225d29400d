"""The documentation against the program: generated pages are fresh, every verb and every JSON key is documented, links
lead somewhere."""

from __future__ import annotations

import atexit
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from conftest import CAPTURES, LOGS, ROOT
from sticktrace.cli.export import _CSV
from sticktrace.cli.main import VERBS, cli

DOCS = ROOT / "docs"
sys.path.insert(0, str(DOCS))

import make_reference  # noqa: E402

MADE = make_reference.build()


@pytest.mark.parametrize("path", MADE, ids=lambda path: path.name)
def test_generated_page_is_fresh(path: Path) -> None:
    assert path.exists() and path.read_text(encoding="utf-8") == MADE[path], "run: python docs/make_reference.py"


def test_no_page_of_a_module_that_is_no_more() -> None:
    assert set((DOCS / "reference").glob("layouts-*.md")) <= set(MADE)


UNDOCUMENTED = """
import gc, sys
sys.path[:0] = sys.argv[1:]
import make_reference
from sticktrace.grammar.layout import Layout

seen = set()
def inside(construct):
    if id(construct) not in seen:
        seen.add(id(construct))
        for part in [*getattr(construct, "subcons", ()), getattr(construct, "subcon", None)]:
            if part is not None:
                inside(part)

for layouts in make_reference.pages().values():
    for layout in layouts:
        inside(layout)
held = [item for item in gc.get_objects() if isinstance(item, Layout)]
assert len(held) > 200
print(*sorted({layout.title for layout in held if id(layout) not in seen}), sep="\\n")
"""


def test_every_layout_is_on_a_page_or_inside_one_that_is() -> None:
    """Whatever layouts the grammar modules hold in memory, in an interpreter of their own: tests make some too."""
    run = subprocess.run(
        [sys.executable, "-c", UNDOCUMENTED, str(DOCS), str(ROOT / "decoder")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout.strip() == ""


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_exists_and_is_documented(verb: str) -> None:
    result = CliRunner().invoke(cli, [verb, "--help"])
    assert result.exit_code == 0, result.exception
    assert f"\n## {verb}\n" in MADE[DOCS / "cli.md"]


TYPES = {"string": str, "integer": int, "boolean": bool, "object": dict, "null": type(None)}


@cache
def documented() -> dict[str, dict[str, str]]:
    """Kind -> key -> type in words, from docs/json-lines.md."""
    kinds: dict[str, dict[str, str]] = {}
    for line in (DOCS / "json-lines.md").read_text(encoding="utf-8").splitlines():
        if head := re.fullmatch(r"## Kind `(\w+)`", line):
            kinds[head[1]] = {}
        elif row := re.fullmatch(r"\| `([^`]+)` \| ([a-z ]+) \| .+ \|", line):
            kinds[list(kinds)[-1]][row[1]] = row[2]
    return kinds


def objects(facts: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A line and the objects with a kind of their own that it holds."""
    yield facts
    for value in facts.values():
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, dict):
                yield from (found for found in objects(part) if _apart(found))


def keys_of(facts: dict[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Every key of an object in the documentation's spelling, with its value; objects of another kind stand apart, and
    the numbers of a remark, which docs/reference/remarks.md names, and the values of a statement."""
    for key, value in facts.items():
        yield prefix + key, value
        for part in value if isinstance(value, list) else ():
            if isinstance(part, dict) and not _apart(part):
                yield from keys_of(part, f"{prefix}{key}[].")
        if isinstance(value, dict) and not _apart(value) and key not in ("numbers", "values"):
            yield from keys_of(value, f"{prefix}{key}.")


def _apart(part: dict[str, Any]) -> bool:
    return part.get("kind") in documented()


def fits(value: Any, words: str) -> bool:
    """Whether a value has the documented type."""
    for one in words.split(" or "):
        if one.startswith("list of "):
            if isinstance(value, list) and all(fits(part, one.removeprefix("list of ")) for part in value):
                return True
        elif type(value) is TYPES[one]:
            return True
    return False


@cache
def printed() -> dict[str, dict[str, list[Any]]]:
    """Kind -> key -> the values that are printed over every capture of the tests and of the demo."""
    found: dict[str, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
    logs = [LOGS / f"{name}.log" for name in ("medium-error-new", "bsd-medium-error", "cannot-reset-port",
                                              "controller-died", "excerpt-resets", "board-disk-error")]  # fmt: skip
    kept = [*sorted(CAPTURES.glob("*.xz")), *sorted((ROOT / "traces" / "demo").iterdir()), *logs, on_the_wire()]
    for path in kept:
        watched = output("watch --json --for 0.1", path) if path.suffix in (".log", ".pcap") else ""
        for line in [*watched.splitlines(), *output("export", path).splitlines(),
                     *output("volume --json", path).splitlines(), output("diagnose --json", path),
                     *output("audit --json", path).splitlines(),
                     *output("audit --plan --json", path).splitlines()]:  # fmt: skip
            for facts in objects(json.loads(line)):
                for key, value in keys_of(facts):
                    found[facts["kind"]][key].append(value)
    return found


def on_the_wire() -> Path:
    """A recording of packets."""
    from probe import command, enumerate_stick, read10
    from workshop.bus import Bus

    wire = Bus("high")
    enumerate_stick(wire)
    command(wire, 1, read10(0, 1), bytes(512))
    with tempfile.NamedTemporaryFile(suffix=".pcap", delete=False) as file:
        file.write(wire.pcap())
    atexit.register(Path(file.name).unlink)
    return Path(file.name)


def output(words: str, path: Path) -> str:
    """What a verb prints for a capture."""
    result = CliRunner().invoke(cli, [*words.split(), str(path)])
    assert result.exit_code in (0, 1), (words, path, result.exception)
    return result.stdout


def test_kinds_of_lines() -> None:
    assert set(printed()) == set(documented())


@pytest.mark.parametrize("kind", documented())
def test_keys_printed_are_the_keys_documented(kind: str) -> None:
    assert set(printed()[kind]) == set(documented()[kind])


@pytest.mark.parametrize("kind", documented())
def test_values_have_the_documented_types(kind: str) -> None:
    for key, words in documented()[kind].items():
        bad = [value for value in printed()[kind][key] if not fits(value, words)]
        assert not bad, f"{kind}.{key} is documented as {words}, got {bad[:3]!r}"


def test_words_with_a_closed_set_are_documented() -> None:
    """Every status, direction, phase, kind of stray and kind of gap that is printed stands in the page."""
    text = (DOCS / "json-lines.md").read_text(encoding="utf-8")
    for kind, key in (("exchange", "status"), ("exchange", "direction"), ("exchange", "transport"), ("stray", "what"),
                      ("capture", "format"), ("device", "gaps[].kind"), ("device", "endpoints[].type"),
                      ("stage", "name"), ("stage", "state"), ("finding", "severity"), ("finding", "side"),
                      ("medium", "scheme"), ("change", "what")):  # fmt: skip
        for value in set(printed()[kind][key]):
            assert f"`{value}`" in text or value == "", f"{kind}.{key} {value!r}"


def test_csv_columns() -> None:
    left_out = {"kind", "transport", "records", "remarks", "not_printed", "wire"}
    assert set(_CSV) == {key for key in documented()["exchange"] if "." not in key} - left_out


PAGES = [*sorted(DOCS.rglob("*.md")), ROOT / "README.md", ROOT / "traces" / "README.md"]


@pytest.mark.parametrize("page", [page for page in PAGES if page.exists()], ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """Files that a page links to exist, and so do the headings."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith(("http:", "https:", "mailto:")):
            continue
        name, _, anchor = target.partition("#")
        other = (page.parent / name).resolve() if name else page
        assert other.exists(), f"{page.name}: {target}"
        if anchor and other.suffix == ".md":
            assert anchor in headings(other), f"{page.name}: {target}"


@cache
def headings(page: Path) -> set[str]:
    """The anchors of a page."""
    found: set[str] = set()
    for title in re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE):
        anchor, count = make_reference.slug(title), 0
        while (unique := anchor if not count else f"{anchor}-{count}") in found:
            count += 1
        found.add(unique)
    return found


@pytest.mark.skipif(shutil.which("man") is None, reason="man is not installed")
def test_the_manual_page_is_well_formed() -> None:
    command = ["man", "--warnings", "-E", "ascii", "-l", "-Tascii", str(DOCS / "sticktrace.1")]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env={**os.environ, "MANWIDTH": "200"})
    assert not done.stderr
    shown = re.sub(r".\x08|\x1b\[[0-9;]*m", "", done.stdout)
    assert [verb for verb in make_reference.verbs() if f"sticktrace {verb}" not in shown] == []


def test_the_readme_tells_of_every_verb() -> None:
    rows = re.findall(r"^\| `([a-z]+)` \|", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(rows) == sorted(make_reference.verbs())
