"""A redacted copy is a promise: markers are planted in every form and place that can hold something private, and none
of them is in the copy, raw or in whatever form it can be read; and the copy tells the same story.

Before each test of a copy stands one of the capture: a marker that the search does not find there proves nothing."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import planted
import sticktrace
from planted import Garden
from planted_scenes import SCENES
from sticktrace.capture.logs import LogReader
from sticktrace.cli.main import cli
from sticktrace.findings import diagnose
from sticktrace.redaction.copying import Keep, redact
from sticktrace.redaction.filler import Scrambler
from sticktrace.redaction.log_lines import LogCopy
from sticktrace.transport.items import Exchange
from sticktrace.volume.tracker import VolumeTracker

FORMS = ("220", "189 big-endian", "249", "usbmon text", "266", "odd records", "gzip", "xz", "hex text", "pcapng",
         "packets", "usbmon binary")  # fmt: skip
ALSO: dict[str, Callable[[Garden], bytes]] = {
    "packets 288": lambda garden: planted.packets(garden, 288, "high"),
    "packets 293": lambda garden: planted.packets(garden, 293, "full"),
    "packets 294": lambda garden: planted.packets(garden, 294, "full"),
    "packets 295": lambda garden: planted.packets(garden, 295, "high"),
    "log": planted.log,
    "swapped pcapng": lambda garden: planted.pcapng(garden, planted.big_endian(), ">"),
}
"""What is recorded otherwise than by a host: link types of packets, a kernel's log, a container in the other order."""


@cache
def garden_of(name: str) -> tuple[Garden, dict[str, bytes]]:
    """A scene in all its forms."""
    garden = Garden(name)
    return garden, planted.forms_of(garden, SCENES[name](garden))


def test_two_hundred_places() -> None:
    """And the search finds each of the markers in one form or another."""
    places: set[str] = set()
    for name in SCENES:
        garden, forms = garden_of(name)
        there = planted.found(garden, *forms.values())
        assert there == set(garden.at), sorted(set(garden.at) - there)
        places |= {place.partition(" at ")[0] for place in there}
    assert len(places) >= 200, len(places)


def told(path: Path, numbered: bool) -> list[Any]:
    """What must not change: exchanges, requests, timing, facts of volumes, stages and findings. Where lines of a
    console were taken out, the numbers of records change."""
    with sticktrace.open(path) as capture:
        tracker, rows = VolumeTracker(capture.read), list[Any]()
        for item in capture.items():
            if isinstance(item, Exchange):
                tracker.feed(item)
                rows.append((item.time_ns, item.end_ns, item.bus, item.address, item.lun, item.tag, item.cdb,
                             item.expected, item.moved, item.residue, item.status, item.case, item.stalled,
                             item.truncated, item.notes, item.sense, [p[1:] for p in item.pieces]))  # fmt: skip
            else:
                rows.append((type(item).__name__, item.time_ns, str(getattr(item, "setup", ""))))
            rows.append(item.records if numbered and hasattr(item, "records") else ())
        volumes = [(v.kind, v.start, v.blocks) for v in tracker.volumes()]
        facts = [(fact.slug, fact.severity, fact.evidence) for fact in tracker.findings()]
        found = diagnose(capture.reading())
        stages = [(rung.stage, rung.state) for report in found.reports for rung in report.rungs]
        findings = [(f.pattern, f.severity, f.exchanges, f.time_ns) for f in found.findings]
        places = capture.skim().places() if numbered else ()
        return [rows, volumes, facts, stages, findings, places]


def copied(data: bytes, folder: Path, **keep: bool) -> tuple[Path, Path]:
    """A capture and its redacted copy."""
    before, after = folder / "before", folder / "after"
    before.write_bytes(data)
    with sticktrace.open(before) as capture:
        redact(capture, after, Keep(**keep))
    return before, after


def screens(path: Path) -> bytes:
    """What the verbs print of a capture: names put together again, text of strings, files and changes."""
    out = ""
    for words in ("volume", "volume --changes", "devices", "exchanges", "export", "diagnose --all", "requests"):
        verb, *more = words.split()
        result = CliRunner().invoke(cli, [verb, str(path), *more])
        out += result.output if result.exit_code != 2 else ""
    return out.encode()


CASES = [(name, form) for name in SCENES for form in (FORMS if name == "device" else FORMS[::4])]
"""What stands on volumes goes the same way in every form of a recording with whole blocks."""


@pytest.mark.parametrize(("name", "form"), CASES)
def test_no_marker_is_left_and_the_story_is_the_same(name: str, form: str, tmp_path: Path) -> None:
    garden, forms = garden_of(name)
    before, after = copied(forms[form], tmp_path)
    assert planted.found(garden, forms[form]), "nothing was planted"
    shown = screens(after) if form == "220" else b""
    assert planted.found(garden, after.read_bytes(), shown) == set()
    numbered = form != "hex text"
    assert told(after, numbered) == told(before, numbered)


@pytest.mark.parametrize("form", ALSO)
def test_the_same_of_packets_and_logs(form: str, tmp_path: Path) -> None:
    garden = Garden(form)
    data = ALSO[form](garden)
    before, after = copied(data, tmp_path)
    assert planted.found(garden, data) == set(garden.at)
    assert planted.found(garden, after.read_bytes(), screens(after)) == set()
    assert told(after, form != "log") == told(before, form != "log")


KINDS = {
    "names": ("FAT: short name", "FAT: long name", "FAT: label in the root"), "serials": ("string: serial number",),
    "strings": ("string: product", "INQUIRY: vendor"), "contents": ("a block that was read", "FAT: a free cluster"),
}  # fmt: skip
"""What --keep-... leaves in."""


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_kept_on_request_and_nothing_of_the_rest(kind: str, tmp_path: Path) -> None:
    there: set[str] = set()
    for name in ("device", "fat16"):
        garden, forms = garden_of(name)
        _, after = copied(forms["220"], tmp_path, **{kind: True})
        there |= planted.found(garden, after.read_bytes())
        after.unlink()
    assert there >= set(KINDS[kind])
    others = {place for other, places in KINDS.items() for place in places if other != kind}
    assert not there & others


def test_a_name_never_maps_to_itself(tmp_path: Path) -> None:
    """Twenty runs, each with a key of its own."""
    garden, forms = garden_of("fat16")
    for _ in range(20):
        _, after = copied(forms["220"], tmp_path)
        assert planted.found(garden, after.read_bytes()) == set()
        after.unlink()


TABLES = Path(sticktrace.__file__).parent / "capture" / "logs" / "tables"
EXAMPLES = [
    example
    for table in sorted(TABLES.glob("*.toml"))
    for pattern in tomllib.loads(table.read_text(encoding="utf-8"))["pattern"]
    for example in ([pattern["example"]] if isinstance(pattern["example"], str) else pattern["example"])
]


def test_every_line_of_a_log_is_still_understood() -> None:
    """Each pattern brings its example; what it says of a stick, its values but for the words, is as before."""
    assert len(EXAMPLES) > 300
    for example in EXAMPLES:
        lines = "".join(LogCopy(Scrambler(bytes(32)), Keep()).lines(LogReader(example.encode() + b"\n")))
        before, after = (
            [(item.kind, sorted(item.values)) for item in LogReader(text.encode()).sayings()]
            for text in (example + "\n", lines)
        )
        assert before == after, (example, lines)
