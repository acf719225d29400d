"""The table of patterns: every row reads its own examples and leaves its near misses alone."""

from __future__ import annotations

import pytest

from sticktrace.capture.logs.fat_results import RESULTS, name_of
from sticktrace.capture.logs.fields import FIELDS
from sticktrace.capture.logs.patterns import Pattern, Table, compile_form, read_table, table
from sticktrace.capture.logs.stamps import take_off
from sticktrace.capture.logs.statement import Kind
from sticktrace.errors import CaptureError
from sticktrace.sticks.stages import Stage

PATTERNS = table().patterns

ROW = """
[[pattern]]
id = "pier.lamp"
kind = "news"
forms = ["lamp {number:int} is {state:onoff}~ since {when:word}~"]
says = "whether a lamp is lit"
example = "lamp 3 is on since noon"
near = "the lamp is on"
source = "invented"
"""


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda pattern: pattern.id)
def test_a_pattern_reads_its_examples_and_no_near_miss(pattern: Pattern) -> None:
    for example in pattern.examples:
        text = take_off(example).text
        assert [found.pattern.id for found in table().find(text)] == [pattern.id], example
    for near in pattern.nears:
        assert pattern.id not in [found.pattern.id for found in table().find(take_off(near).text)], near


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda pattern: pattern.id)
def test_a_pattern_says_what_it_states_and_whence(pattern: Pattern) -> None:
    assert pattern.says and pattern.source and pattern.examples and pattern.nears
    assert pattern.end in ("host", "device")
    assert {pattern.reaches, pattern.fails} <= {*Stage, ""}
    if pattern.reaches and pattern.fails:  # a stage that failed was tried: the ones before it are behind the device
        assert list(Stage).index(Stage(pattern.reaches)) < list(Stage).index(Stage(pattern.fails))


def test_ids_are_given_once() -> None:
    ids = [pattern.id for pattern in PATTERNS]
    assert sorted(ids) == sorted(set(ids))


def test_no_line_of_plain_speech_is_read() -> None:
    """Words that logs share with everything else state nothing by themselves."""
    for line in (
        "", "the harbour pilot walks the quay", "ls -la /mnt/LEVELS", "usb", "device", "error", "reset",
        "Jan  1 10:00:00 gauge cron[12]: (root) CMD (/usr/bin/levels)", "wlan0: associated", "usb 1-1:", "12 34 56 78",
    ):  # fmt: skip
        assert table().find(take_off(line).text) == [], line


def test_a_users_row_is_read_like_any_other() -> None:
    lamp = Table(read_table(ROW, "mine.toml"))
    (found,) = lamp.find("note: lamp 3 is on since noon today")
    assert found.form.read(found.match) == {"number": 3, "state": True, "when": "noon"}
    (found,) = lamp.find("LAMP 4 is off")
    assert found.form.read(found.match) == {"number": 4, "state": False}
    assert lamp.find("a lamp 3 was on") == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("id =", "name ="), "unknown"),
        (('kind = "news"', 'kind = "nonsense"'), "nonsense"),
        (("{number:int}", "{number:whole}"), "no type 'whole'"),
        (('["lamp {number:int} is {state:onoff}~ since {when:word}~"]', '["{number:int}"]'), "no word"),
        (('["lamp {number:int} is {state:onoff}~ since {when:word}~"]', '["re:lamp (\\\\d+)"]'), "needs `words`"),
        (("[[pattern]]", "[[pattern"), "mine.toml"),
    ],
)  # fmt: skip
def test_a_row_that_is_wrong_is_named(change: tuple[str, str], said: str) -> None:
    with pytest.raises(CaptureError, match=r"mine\.toml") as caught:
        read_table(ROW.replace(*change), "mine.toml")
    assert said in str(caught.value)


def test_blanks_and_case_do_not_matter() -> None:
    form = compile_form("usb {path}: new {speed} USB device number {address} using {driver:word}")
    found = form.regex.search("USB 1-1:   new  HIGH-SPEED usb device number 5 using ehci-pci")
    assert found is not None
    values = {"path": "1-1", "speed": "high", "address": 5, "driver": "ehci-pci"}
    assert form.read(found) == values


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        ("speed", "high-speed", "high"), ("speed", "SuperSpeed Gen 1", "super"), ("speed", "480 Mb/s", "high"),
        ("speed", "12Mbit/s", "full"), ("path", "usb2", "2-0"), ("path", "1-1.4.2", "1-1.4.2"), ("number", "0x0c", 12),
        ("number", "0ch", 12), ("number", "1,024", 1024),
        ("cdb", "28 0 0 0 8 0 0 0 8 0", bytes.fromhex("28000000080000000800")),
        ("bytes", "0x28,0x00", b"\x28\x00"), ("bytes", "280000", b"\x28\x00\x00"), ("errno", "-71", -71),
        ("errno", "-145", -110), ("errno", "ETIMEDOUT", -110), ("errno", "USB_ERR_TIMEOUT", -110),
        ("onoff", "off", False),
    ],
)  # fmt: skip
def test_values_are_typed(kind: str, text: str, value: object) -> None:
    assert FIELDS[kind].convert(text) == value


def test_every_kind_has_a_pattern_or_is_put_together() -> None:
    read = {pattern.kind for pattern in PATTERNS}
    assert set(Kind) - read == {Kind.COMMAND_FAILED}


def test_fat_results_are_numbered_without_gap() -> None:
    """Common practice: 20 results, FR_OK being 0."""
    assert [result.number for result in RESULTS.values()] == list(range(20))
    assert name_of(13) == "NO_FILESYSTEM" and name_of(99) == ""
