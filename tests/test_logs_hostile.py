"""Logs that are damaged, cut and malicious: every line of them ends in one place, and nothing but one clear error
leaves the library."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import LOGS
from sticktrace.bus.devices import Bus
from sticktrace.bus.hearsay import Hearsay
from sticktrace.capture.logs import Kind, LogReader
from sticktrace.capture.logs.patterns import table
from sticktrace.errors import SticktraceError
from sticktrace.findings.verdict import diagnose
from sticktrace.transport.saying import exchange_of

EXAMPLES = [example for pattern in table().patterns for example in pattern.examples]
LINES = [line for path in sorted(LOGS.glob("*.log")) for line in path.read_text().splitlines()]
ODD = ["9" * 40, "-1", "0x", "g", "\u202e", "[", "~", ":", ".", ",", "f" * 20, "", "0", "a", "(", ")", "\x1b[31m", "\0"]


@st.composite
def broken(draw: st.DrawFn, lines: list[str]) -> str:
    """A line with something odd in the place of a few of its characters, or cut off."""
    line = draw(st.sampled_from(lines))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(line)))
        line = line[:at] + draw(st.sampled_from(ODD)) + line[at + draw(st.integers(0, 3)) :]
    return line[: draw(st.integers(0, len(line)))] if draw(st.booleans()) and draw(st.booleans()) else line


@settings(max_examples=300, deadline=None)
@given(st.lists(broken(EXAMPLES), min_size=1, max_size=30))
def test_every_broken_line_is_read_or_left_alone(lines: list[str]) -> None:
    reader, hearsay = LogReader("\n".join(lines).encode("utf-8", "replace")), Hearsay(Bus())
    for item in [*reader.statements(), *reader.rest()]:
        assert item.facts()["line"].isprintable()
        device, lun, _ = hearsay.take(item)
        made = exchange_of(item, device, lun) if device is not None and item.kind is Kind.COMMAND_FAILED else None
        assert made is None or (made.told and made.command and isinstance(made.notes, tuple))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(broken(LINES), min_size=1, max_size=25))
def test_a_broken_log_is_diagnosed(lines: list[str], tmp_path: Path) -> None:
    path = tmp_path / "broken.log"
    path.write_bytes("\n".join(lines).encode("utf-8", "replace"))
    try:
        with sticktrace.open(path) as capture:
            reading = capture.reading()
            diagnose(reading).facts()
            assert sum(reading.places().values()) == reading.records
    except SticktraceError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize("line", ["ugen02: <A> at usbus0", "usb 999-999.999: USB disconnect, device number 999",
                                  "sd 9999:999:99999:99999: [sdzzz] Write Protect is on"])  # fmt: skip
def test_numbers_at_the_edge(line: str, tmp_path: Path) -> None:
    path = tmp_path / "edge.log"
    path.write_text(f"{line}\n" * 3 + "usb 1-1: USB disconnect, device number 5\n")
    with sticktrace.open(path) as capture:
        assert len(capture.exchanges()) == 0
