"""Patterns for lines of text: those that come with the program, and a user's own in front of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

import sticktrace
from sticktrace.capture.line_patterns import STANDARD, LinePatterns
from sticktrace.capture.wording import Wording
from sticktrace.capture.wording_rows import read_table
from sticktrace.cli.main import cli
from sticktrace.errors import CaptureError

OWN = """
[[pattern]]
name = "gauge: pipe done"
means = "ended"
forms = ["pipe {endpoint:hex} done with {length} octets, {result}"]
says = "a transfer ended"
example = "pipe 81 done with 13 octets, result 0"
near = "pipe 81 done"

[[pattern]]
name = "gauge: order"
means = "fields"
of = "cbw"
forms = ["order no {tag} for {length} octets, way {flags:hex}, body of {cblength}"]
says = "the fields of a CBW"
example = "order no 7 for 512 octets, way 80, body of 10"
near = "order no 7"

[[pattern]]
id = "gauge.lamp"
kind = "unplugged"
forms = ["gauge: the stick fell into the sea"]
says = "the device is gone"
example = "gauge: the stick fell into the sea"
near = "gauge: the stick fell"
source = "invented"

[names.cbw]
tag = ["order number"]
"""

LOG = """\
order no 7 for 36 octets, way 80, body of 6
12 00 00 00 24 00
pipe 81 done with 36 octets, result 0
pipe 81 done with 13 octets, result 0
gauge: the stick fell into the sea
"""


def own(tmp_path: Path, text: str = OWN) -> Path:
    path = tmp_path / "my.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("wording", STANDARD.words.wordings, ids=lambda wording: wording.name)
def test_a_wording_reads_its_examples_and_no_near_miss(wording: Wording) -> None:
    for example in wording.examples:
        saying = STANDARD.words.read(example)
        assert saying is not None and saying.wording.means == wording.means, example
        assert wording.read(example) is not None
    for near in wording.near:
        assert wording.read(near) is None, near


def test_names_are_given_once() -> None:
    names = [line.split("  ")[0] for line in STANDARD.listing()]
    assert sorted(names) == sorted(set(names))
    assert len(names) == len(STANDARD.words.wordings) + len(STANDARD.logs.patterns)


def test_every_pattern_explains_itself() -> None:
    for name in [w.name for w in STANDARD.words.wordings] + [p.id for p in STANDARD.logs.patterns]:
        told = "\n".join(STANDARD.explain(name))
        assert told.startswith(f"{name}: ") and "  form " in told and "  near miss " in told
        assert "says      nothing" not in told


def test_a_line_is_tried_on_both_tables(tmp_path: Path) -> None:
    patterns = LinePatterns(own(tmp_path))
    assert list(patterns.try_line("pipe 81 done with 13 octets, result 0")) == [
        "gauge: pipe done (ended): endpoint 129, length 13, result result 0"
    ]
    lamp = "gauge: the stick fell into the sea"
    assert list(patterns.try_line(lamp)) == ["gauge.lamp (unplugged): the device is gone"]
    assert list(patterns.try_line("Good morning")) == []
    assert list(STANDARD.try_line("pipe 81 done with 13 octets")) == []


def test_a_log_is_read_by_own_patterns(tmp_path: Path) -> None:
    log = tmp_path / "gauge.log"
    log.write_text(LOG)
    with sticktrace.open(log, patterns=own(tmp_path)) as capture:
        (exchange,) = capture.exchanges()
    assert (exchange.tag, exchange.cdb, exchange.moved) == (7, bytes.fromhex("120000002400"), 36)
    assert exchange.not_printed == ("bCBWLUN", "dCSWTag", "dCSWDataResidue", "bCSWStatus")


def test_every_verb_takes_them(tmp_path: Path) -> None:
    log, patterns = tmp_path / "gauge.log", own(tmp_path)
    log.write_text(LOG)
    for words in (["diagnose", log], ["exchanges", log], ["devices", log], ["explain", log, "1"], ["check", log],
                  ["timing", log], ["volume", log], ["export", log], ["compare", log, log]):  # fmt: skip
        result = CliRunner().invoke(cli, [*map(str, words), "--patterns", str(patterns)])
        lost = words[0] == "diagnose"  # it fell into the sea
        assert result.exit_code == lost, (words, result.output)
    assert "INQUIRY" in CliRunner().invoke(cli, ["exchanges", str(log), "--patterns", str(patterns)]).output
    explained = CliRunner().invoke(cli, ["explain", "--patterns", str(patterns), "-"], input=LOG)
    assert "dCBWTag" in explained.output


def test_the_verb_lists_explains_and_tries(tmp_path: Path) -> None:
    path = str(own(tmp_path))
    assert "gauge: order" in CliRunner().invoke(cli, ["patterns", "--patterns", path]).output
    assert "driver: moved" in CliRunner().invoke(cli, ["patterns"]).output
    explained = CliRunner().invoke(cli, ["patterns", "gauge.lamp", "--patterns", path]).output
    assert "near miss gauge: the stick fell" in explained
    tried = CliRunner().invoke(cli, ["patterns", "--patterns", path, "--try", "pipe 2 done with 31 octets, OK"])
    assert (tried.exit_code, "endpoint 2" in tried.output) == (0, True)
    assert CliRunner().invoke(cli, ["patterns", "--try", "pipe 2 done with 31 octets"]).exit_code == 1


WRONG = [
    ("means = \"ended\"", "means = \"finished\"", "means is one of"),
    ("{endpoint:hex}", "{endpoint:hexx}", "no kind of gap is called 'hexx'"),
    ("pipe {endpoint:hex} done", "pipe {endpoint:word} done", "'endpoint' holds a number, not a word"),
    ("{result}", "{result:hex}", "'result' holds result, not hex"),
    ("pipe {endpoint:hex}", "pipe {pipe:hex}", "lacks the gap 'endpoint'"),
    ("{length} octets, {result}", "{endpoint} octets", "stands there twice"),
    ('near = "pipe 81 done"', 'near = "pipe 81 done with 13 octets, OK"', "reads its near miss"),
    ('example = "pipe 81 done with 13', 'example = "pipe 81 done with x', "does not read its own example"),
    ('of = "cbw"\n', "", "of is one of"),
    ('of = "cbw"\n', 'of = "cow"\n', "of is one of"),
    ('says = "a transfer ended"\n', "", "lacks ['says']"),
    ('says = "a transfer ended"\n', "says = 5\n", "name and says are texts"),
    ('near = "pipe 81 done"', "near = 7", "pattern 1"),
    ('near = "pipe 81 done"', "near = [7]", "texts or lists of texts"),
    ("[names.cbw]", "[names.cow]", "names of 'cow'"),
    ('tag = ["order number"]', "tag = 5", "names are written"),
    ('kind = "unplugged"', 'kind = "sunk"', "pattern 3"),
    ('source = "invented"', 'source = "invented"\nreaches = "the moon"', "reaches and fails are one of"),
    ('source = "invented"', 'source = "invented"\nend = "nobody"', "end is host or device"),
    ('kind = "unplugged"', 'kind = "capacity"\nvalues = {blocks = "x"}', "pattern 'gauge.lamp' does not fit the line"),
    ('kind = "unplugged"\n', "", "it needs `means`"),
    ("[[pattern]]\nid", "[[patterns]]\nid", "patterns are written [[pattern]]"),
    ("[[pattern]]\nid", "[[pattern]\nid", "cannot be read as patterns"),
    ('forms = ["pipe {endpoint:hex} done with {length} octets, {result}"]', "forms = []", "example"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), WRONG, ids=[row[1][:30] + "/" + row[2][:20] for row in WRONG])
def test_a_mistake_in_ones_own_is_told_with_its_place(old: str, new: str, said: str, tmp_path: Path) -> None:
    assert old in OWN
    path = own(tmp_path, OWN.replace(old, new, 1))
    with pytest.raises(CaptureError) as caught:
        LinePatterns(path)
    message = str(caught.value)
    assert said in message and "\n" not in message.replace("\\n", "")
    assert "my.toml" in message or "gauge.lamp" in message


def test_files_that_are_none(tmp_path: Path) -> None:
    binary = tmp_path / "x.bin"
    binary.write_bytes(bytes(range(256)))
    for path in (tmp_path / "absent.toml", tmp_path, binary):
        with pytest.raises(CaptureError, match="cannot be read as patterns"):
            LinePatterns(path)
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * (2 << 20))
    with pytest.raises(CaptureError, match="more than 1 MiB"):
        LinePatterns(big)
    assert list(LinePatterns(own(tmp_path, "")).listing()) == list(STANDARD.listing())


def test_a_number_too_large_for_its_field_breaks_nothing(tmp_path: Path) -> None:
    """What a pattern reads may be any number; bytes made of it are cut to their size."""
    log = tmp_path / "hub.log"
    log.write_text(
        "hub 1 port 2: status 0x123456789abcdef0, change 0xffffffffffffffff\n"
        "on EP 81 with -13 bytes: OK\non EP 02 with 9999999999999999999 bytes: OK\n"
        "Bulk Command S 0x43425355 T -5 L 99999999999999 F 999999 Trg 0 LUN 99999 CL 99999\n"
        "12 00 00 00 24 00\nStatus code -99999999; transferred -5/99999999999\n"
        "Bulk Status S 0x53425355 T 0x99999999999 R -1 Stat 0x9999\n"
        "usb-storage: -- code: 0xfff, key: 0xfff, ASC: 0xfff, ASCQ: 0xfff\n"
        "CBW: 55 53 42 43 01 00 00 00 24 00 00 00 80 00 06 12 00 00 00 24 00" + " 00" * 10 + "\n"
    )
    for verb in ("diagnose", "exchanges", "devices", "check", "export"):
        result = CliRunner().invoke(cli, [verb, str(log)])
        assert result.exception is None or isinstance(result.exception, SystemExit), (verb, result.exception)


def test_a_table_names_its_own_mistakes() -> None:
    with pytest.raises(CaptureError, match="here: not TOML"):
        read_table("[[", "here")
    with pytest.raises(CaptureError, match="here: patterns are written"):
        read_table("pattern = 5", "here")
