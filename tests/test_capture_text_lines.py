"""Lines of text captures: every line end that terminals and old systems write, and lines of absurd length."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from sticktrace.capture.text_lines import TextLines
from workshop.scenes_faults import brown_out_on_write
from workshop.scenes_healthy import stall_recovery

TEXTS = {"usbmon": stall_recovery().usbmon_text(), "hex": brown_out_on_write().hex_text()}
ENDS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n", "CR CRLF": "\r\r\n"}


def facts(path: Path) -> list[tuple[Any, ...]]:
    """Every exchange with its data, and the count of records."""
    with sticktrace.open(path) as capture:
        found: list[tuple[Any, ...]] = [(e.cdb, e.tag, e.moved, e.status, e.records) for e in capture.exchanges()]
        return [*found, (capture.skim().records,)]


@pytest.mark.parametrize("form", TEXTS)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-be"])
@pytest.mark.parametrize("end", ENDS)
def test_every_line_end_gives_the_same_records(form: str, encoding: str, end: str, tmp_path: Path) -> None:
    plain, other = tmp_path / "plain.txt", tmp_path / "other.txt"
    plain.write_bytes(TEXTS[form].encode())
    mark = b"\xfe\xff" if encoding == "utf-16-be" else b""
    other.write_bytes(mark + TEXTS[form].replace("\n", ENDS[end]).encode(encoding))
    assert len(facts(plain)) > 5 and facts(other) == facts(plain)


@pytest.mark.parametrize("form", TEXTS)
def test_line_ends_may_be_mixed(form: str, tmp_path: Path) -> None:
    """A console that was attached in mid session: the first lines by one program, the rest by another."""
    plain, other = tmp_path / "plain.txt", tmp_path / "other.txt"
    plain.write_bytes(TEXTS[form].encode())
    lines = TEXTS[form].split("\n")
    ends = list(ENDS.values())
    other.write_bytes("".join(line + ends[n // 7 % 4] for n, line in enumerate(lines)).encode())
    assert facts(other) == facts(plain)


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="ab\r\n", max_size=60), st.sampled_from(["utf-8", "utf-16-le"]), st.data())
def test_lines_are_the_same_however_the_data_grows(text: str, encoding: str, data: st.DataObject) -> None:
    """Handed over whole, or in pieces cut anywhere."""
    raw = (b"\xff\xfe" if encoding != "utf-8" else b"") + text.encode(encoding)
    whole = TextLines(100)
    wanted = [*whole.whole(raw), *whole.rest(raw)]
    width = 1 if encoding == "utf-8" else 2
    cuts = sorted({2, *(width * data.draw(st.integers(1, max(1, len(raw) // width))) for _ in range(4))})
    pieces, found = TextLines(100), []
    for cut in cuts:
        found += pieces.whole(raw[:cut])
    assert [*found, *pieces.whole(raw), *pieces.rest(raw)] == wanted
    assert [line for line in wanted if line] == [line for line in text.replace("\r", "\n").split("\n") if line]


@pytest.mark.parametrize("form", TEXTS)
def test_a_line_too_long_is_named_and_the_rest_is_read(form: str, tmp_path: Path) -> None:
    path = tmp_path / "long.txt"
    path.write_text(TEXTS[form])
    wanted = facts(path)[:-1]
    lines = TEXTS[form].split("\n")
    path.write_text("\n".join([*lines[:3], "x" * (3 << 20), *lines[3:]]))
    assert [fact[:4] for fact in facts(path)[:-1]] == [fact[:4] for fact in wanted]
    with sticktrace.open(path) as capture:
        said = [str(damage) for damage in capture.skim().damage]
    assert any(line.startswith("line 4: ") and "characters" in line for line in said), said


def test_a_file_of_nothing_but_line_ends_is_read_at_once() -> None:
    import time

    began = time.process_time()
    for text in (b"\r" * 400_000, b"\r\r\n" * 100_000, b"a" + b"\r" * 300_000 + b"\n", b"\n" * 300_000):
        lines = TextLines(100)
        assert not any(line.strip("a") for line in [*lines.whole(text), *lines.rest(text)])
    assert time.process_time() - began < 5
