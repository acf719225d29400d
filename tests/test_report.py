"""A capture as one page: the same facts as everywhere, in a real browser, whatever the capture holds."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sticktrace
from browser import PROGRAM, Browser, browser
from conftest import ROOT
from sticktrace.cli.main import cli
from workshop import Host, Identity, Recorder, Stick, session

DEMO = ROOT / "traces" / "demo"
HOSTILE = "</script><script>document.title='taken'</script>\u202e&<!--\u2028"


def run(*words: str) -> Any:
    return CliRunner().invoke(cli, ["report", *words])


def made(folder: Path, capture: Path, *words: str) -> Path:
    page = folder / "page.html"
    done = run(str(capture), "--to", str(page), "--overwrite", *words)
    assert done.exit_code == 0, done.output
    return page


def data_of(page: Path) -> dict[str, Any]:
    text = page.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    return json.loads(found[1])  # type: ignore[no-any-return]


def hostile(folder: Path) -> Path:
    """Names that a page could take for markup, in every string that the device tells."""
    host = Host(
        Recorder(), Stick(Identity(product=HOSTILE, manufacturer=HOSTILE, serial="<b>1</b>"), [session.tide_unit()])
    )
    host.enumerate()
    session.identify(host)
    path = folder / "<img src=x onerror=alert(1)>.pcap"
    path.write_bytes(host.recorder.pcap())
    return path


@pytest.mark.parametrize("path", sorted(DEMO.iterdir()), ids=lambda path: path.stem)
def test_page_terminal_and_lines_say_the_same(path: Path, tmp_path: Path) -> None:
    page = made(tmp_path, path)
    shown = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8"))))
    with sticktrace.open(path) as capture:
        diagnosis = sticktrace.diagnose(capture.reading())
    for line in diagnosis.answer.lines:
        assert " ".join(line.split()) in shown
    for finding in diagnosis.findings:
        assert finding.slug in shown and " ".join(finding.text.split()) in shown
    lines = CliRunner().invoke(cli, ["export", str(path)]).stdout.splitlines()
    facts = [fact for fact in map(json.loads, lines) if fact["kind"] == "exchange"]
    data = data_of(page)
    at = {name: place for place, name in enumerate(data["fields"])}
    for row, fact in zip(data["rows"], facts, strict=True):
        assert (row[at["number"]], row[at["lba"]], row[at["blocks"]], row[at["moved"]]) == (
            fact["number"], fact["lba"], fact["blocks"], fact["moved"],
        )  # fmt: skip
        assert data["pools"]["command"][row[at["command"]]] == fact["command"]
        assert data["pools"]["touches"][row[at["touches"]]] == (fact["touches"] or "")


def test_nothing_of_a_capture_becomes_markup(tmp_path: Path) -> None:
    text = made(tmp_path, hostile(tmp_path)).read_text(encoding="utf-8")
    assert text.count("<script") == 2 and "\u202e" not in text and "\u2028" not in text
    assert "<img" not in text and "<b>1" not in text
    marked = run(str(hostile(tmp_path)), "--as", "markdown").output
    outside = re.sub(r"^```text$.*?^```$", "", marked, flags=re.DOTALL | re.MULTILINE)
    assert "<script" not in outside.replace("\\<", "") and "\u202e" not in marked


def test_forms_of_the_page(tmp_path: Path) -> None:
    short = made(tmp_path, DEMO / "bad-sector.pcap", "--for", "issue").read_text(encoding="utf-8")
    assert len(short) < 60_000 and "Around the first failure" in short and 'id="table"' not in short
    pair = made(tmp_path, DEMO / "brown-out-on-write.pcap", "--against", str(DEMO / "healthy-boot.pcap"))
    assert "First difference that matters" in pair.read_text(encoding="utf-8")


def test_private_things_are_taken_out_first(tmp_path: Path) -> None:
    plain = made(tmp_path, DEMO / "healthy-boot.pcap").read_text(encoding="utf-8")
    assert "203104180001" in plain and "LEVELS" in plain
    redacted = made(tmp_path, DEMO / "healthy-boot.pcap", "--redacted").read_text(encoding="utf-8")
    assert "203104180001" not in redacted and "LEVELS" not in redacted
    assert "Private things were taken out" in redacted
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_markdown_for_a_bug_tracker() -> None:
    text = run(str(DEMO / "bad-sector.pcap"), "--as", "markdown").stdout
    for part in (
        "Failed first: exchange 13",
        "## Findings",
        "unreadable-blocks",
        "## Around the first failure",
        "To repeat",
    ):
        assert part in text
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert any("READ(10) LBA 2357" in row and "FAILED" in row for row in rows)


def test_refusals(tmp_path: Path) -> None:
    there = tmp_path / "there.html"
    there.write_text("mine")
    assert run(str(DEMO / "bad-sector.pcap")).exit_code == 2
    assert run(str(DEMO / "bad-sector.pcap"), "--to", str(there)).exit_code != 0 and there.read_text() == "mine"
    capture = tmp_path / "own.pcap"
    capture.write_bytes((DEMO / "bad-sector.pcap").read_bytes())
    assert run(str(capture), "--to", str(capture), "--overwrite").exit_code != 0
    assert capture.read_bytes() == (DEMO / "bad-sector.pcap").read_bytes()


# -- in a browser ----------------------------------------------------------------------------------------------------

needs_browser = pytest.mark.skipif(PROGRAM is None, reason="chromium is not installed")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


def numbers(page: Browser) -> list[int]:
    return page.value("[...document.querySelectorAll('.row')].map((row) => Number(row.children[0].textContent))")  # type: ignore[no-any-return]


def choose(page: Browser, words: str) -> None:
    page.value(f"{{ const box = document.getElementById('choose'); box.value = {json.dumps(words)}; "
               "box.dispatchEvent(new Event('input')); }")  # fmt: skip


@needs_browser
def test_words_links_and_keys(page: Browser, tmp_path: Path) -> None:
    path = DEMO / "bad-sector.pcap"
    file = made(tmp_path, path)
    page.size(1400)
    page.open(file)
    assert page.requests == [file.as_uri()] and page.complaints == []
    for words in ("", "status:bad", "command:read", "-command:read10", "lba:2048..2400", "sense:3/11", "touches:fat",
                  "slower:1ms", "number:3..5", "moved:512", "direction:none", "command:read* status:failed",
                  "status:bad,passed", 'status:"no status"', "device:1.2", "lun:0", "time:..0.46"):  # fmt: skip
        choose(page, words)
        with sticktrace.open(path) as capture:
            chosen = CliRunner().invoke(cli, ["export", str(path), *re.findall(r'(?:[^\s"]|"[^"]*")+', words)])
            del capture
        wanted = [fact["number"] for fact in map(json.loads, chosen.stdout.splitlines()) if fact["kind"] == "exchange"]
        assert sorted(numbers(page)) == wanted, words
    choose(page, "nonsense:1")
    assert "is no selection word" in page.value("document.getElementById('choose-error').textContent")
    choose(page, "status:bad")
    page.value("document.querySelector('a.evidence').click(); 1")
    assert "Exchange 13: READ(10) LBA 2357" in page.value("document.getElementById('detail').textContent")
    assert page.value("document.querySelectorAll('#detail svg').length") == 1
    page.value("document.getElementById('table').focus(); 1")
    page.call("Input.dispatchKeyEvent", type="keyDown", key="ArrowDown", code="ArrowDown", windowsVirtualKeyCode=40)
    page.call("Input.dispatchKeyEvent", type="keyDown", key="Enter", code="Enter", windowsVirtualKeyCode=13)
    assert page.value("document.querySelectorAll('.row.now').length") == 1
    page.value("document.getElementById('fold').click(); 1")
    assert page.complaints == []


@needs_browser
@pytest.mark.parametrize("width", [390, 1400])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_widths_and_themes(page: Browser, width: int, theme: str, tmp_path: Path) -> None:
    page.size(width)
    page.theme(theme)
    page.open(made(tmp_path, hostile(tmp_path)))
    assert page.value("document.documentElement.scrollWidth") <= width
    assert page.value("document.title") != "taken"
    paper = page.value("getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", paper)[:3])) > 380) is (theme == "light")
    assert page.complaints == [] and len(page.requests) == 1


@needs_browser
def test_it_prints_and_teaches(page: Browser, tmp_path: Path) -> None:
    page.open(made(tmp_path, DEMO / "unit-attention-giveup.pcap", "--for", "teaching"))
    hidden = "document.querySelectorAll('.hidden-answer:not(.open)').length"
    before = page.value(hidden)
    page.value("document.querySelector('.hidden-answer').click(); 1")
    assert page.value(hidden) == before - 1 > 3
    assert len(page.call("Page.printToPDF")["data"]) > 10_000
    assert page.complaints == []


@needs_browser
def test_a_long_table_draws_only_what_is_seen(page: Browser, tmp_path: Path) -> None:
    file = made(tmp_path, DEMO / "bad-sector.pcap")
    data = data_of(file)
    data["rows"] = [[number + 1, *row[1:]] for number, row in enumerate(data["rows"] * 5_000)]
    text = file.read_text(encoding="utf-8")
    file.write_text(
        re.sub(r'(id="data">).*?(</script>)', lambda m: m[1] + json.dumps(data) + m[2], text, count=1, flags=re.DOTALL)
    )
    page.size(1400)
    page.open(file)
    assert len(numbers(page)) < 60
    page.value("document.getElementById('rows').scrollTop = 1e9; new Promise((done) => setTimeout(() => done(1), 100))")
    assert numbers(page)[-1] == len(data["rows"])
